//! `verify --replay`: made again from the sources, every output has the same bytes.

use std::fs;
use std::path::Path;

use loadin_audio::signal;
use loadin_pipeline::verify;
use serde_json::Value;

use super::demo;
use super::thirty;
use crate::job::{Ran, loadin, prep};

fn replay(out: &Path, delivery: &Path) -> Ran {
    let (out, delivery) = (out.to_str().unwrap(), delivery.to_str().unwrap());
    loadin(&["verify", out, "--delivery", delivery, "--replay", "--progress", "none"])
}

#[test]
fn the_demo_and_thirty_stems_come_out_the_same_again() {
    let delivery = thirty();
    for (source, outputs) in [(demo(), 13), (delivery.path(), 30)] {
        let out = tempfile::tempdir().unwrap();
        prep(&source, out.path(), &[]);
        let ran = replay(out.path(), &source);
        assert_eq!(ran.code, 0, "{}{}", ran.out, ran.err);
        assert!(
            ran.out.contains(&format!("{outputs} outputs made again: all as the manifest says")),
            "{}",
            ran.out
        );
    }
}

#[test]
fn late_files_and_new_links_come_out_the_same_again() {
    let delivery = thirty();
    let out = delivery.out("out");
    prep(&delivery.path(), &out, &[]);
    delivery.wav("Stem 02.wav", 48_000, 24, &[signal::noise(99, 0.3, 200_000)]);
    delivery.wav("Late Vox.wav", 44_100, 16, &[signal::noise(98, 0.1, 30_000)]);
    prep(&delivery.path(), &out, &[]);
    assert_eq!(replay(&out, &delivery.path()).code, 0);
}

/// A manifest that was changed with care, its digests made anew, is still not what the sources give.
#[test]
fn a_changed_record_and_a_changed_source_are_found() {
    let delivery = thirty();
    let out = delivery.out("out");
    prep(&delivery.path(), &out, &[]);
    let path = out.join("manifest.json");
    let whole = fs::read_to_string(&path).unwrap();
    let mut manifest = loadin_record::manifest::Manifest::from_json(&whole).unwrap();
    manifest.stems[7].changes.clear();
    fs::write(&path, manifest.sealed().to_json()).unwrap();
    let ran = replay(&out, &delivery.path());
    assert_eq!(ran.code, 4, "{}", ran.out);
    assert!(ran.out.contains("its record says something else"), "{}", ran.out);
    fs::write(&path, &whole).unwrap();
    delivery.wav("Stem 03.wav", 48_000, 24, &[signal::noise(77, 0.1, 40_000)]);
    let ran = replay(&out, &delivery.path());
    assert_eq!(ran.code, 4);
    assert!(ran.out.contains("Stem 03.wav: the source has changed"), "{}", ran.out);
}

/// Bits of every file that proves something, at places that are spread evenly.
#[test]
fn a_flipped_bit_in_any_output_manifest_or_list_is_found() {
    let delivery = thirty();
    let out = delivery.out("out");
    let (_, manifest) = prep(&delivery.path(), &out, &[]);
    let outputs = manifest["stems"].as_array().unwrap().iter().take(3).map(|stem| &stem["output"]["path"]);
    let outputs = outputs.filter_map(Value::as_str).map(|path| (path.to_owned(), 6));
    let papers = [("manifest.json", 150), ("checksums.sha256", 60), ("recipe.toml", 10)];
    let files = papers.into_iter().map(|(name, flips)| (name.to_owned(), flips)).chain(outputs);
    for (name, flips) in files {
        let path = out.join(&name);
        let whole = fs::read(&path).unwrap();
        for flip in 0..flips {
            let place = (f64::from(flip) * 0.618_033_988_749_895).fract() * whole.len() as f64;
            let mut bytes = whole.clone();
            bytes[place as usize] ^= 1 << (flip % 8);
            fs::write(&path, &bytes).unwrap();
            let found = verify::verify(&out, None, &|_| {});
            assert!(
                found.is_err() || found.is_ok_and(|verified| !verified.differences.is_empty()),
                "{name}: bit {} of byte {place}",
                flip % 8
            );
        }
        fs::write(&path, &whole).unwrap();
    }
    assert!(verify::verify(&out, None, &|_| {}).unwrap().differences.is_empty());
}
