//! `--bag`: the outputs as a bag that others can check without this program.

use std::collections::BTreeMap;
use std::fs;
use std::path::Path;

use loadin_tests::Delivery;
use sha2::{Digest, Sha256};

use super::thirty;
use crate::job::{loadin, prep, tree};

fn bagged(delivery: &Path, out: &Path) -> crate::job::Ran {
    let (delivery, out) = (delivery.to_str().unwrap(), out.to_str().unwrap());
    loadin(&["prep", delivery, "--out", out, "--bag", "--progress", "none"])
}

fn listed(text: &str) -> BTreeMap<String, String> {
    text.lines()
        .map(|line| line.split_once("  ").unwrap())
        .map(|(s, p)| (p.to_owned(), s.to_owned()))
        .collect()
}

fn sum(bytes: &[u8]) -> String {
    Sha256::digest(bytes).iter().map(|byte| format!("{byte:02x}")).collect()
}

/// RFC 8493: 2.1.1 the declaration, 2.1.3 the payload list with every file of `data`, 2.2.1 the list of tags,
/// 2.2.2 `Payload-Oxum` as octets and streams.
#[test]
fn the_bag_is_as_the_standard_says() {
    let delivery = thirty();
    let out = delivery.out("bag");
    assert_eq!(bagged(&delivery.path(), &out).code, 0);
    let files = tree(&out);
    let text = |name: &str| String::from_utf8(files[name].clone()).unwrap();
    assert_eq!(text("bagit.txt"), "BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n");
    let payload = files.iter().filter(|(name, _)| name.starts_with("data/"));
    let sums: BTreeMap<String, String> =
        payload.clone().map(|(name, bytes)| (name.clone(), sum(bytes))).collect();
    assert_eq!(listed(&text("manifest-sha256.txt")), sums);
    assert!(sums.contains_key("data/manifest.json") && sums.len() == 30 + 6, "{:?}", sums.keys());
    let octets: usize = payload.map(|(_, bytes)| bytes.len()).sum();
    assert!(text("bag-info.txt").contains(&format!("\nPayload-Oxum: {octets}.{}\n", sums.len())));
    for (name, listed) in listed(&text("tagmanifest-sha256.txt")) {
        assert_eq!(sum(&files[&name]), listed, "{name}");
    }
}

#[test]
fn a_bag_is_verified_resumed_and_restored_like_a_folder() {
    let delivery = thirty();
    let (out, plain) = (delivery.out("bag"), delivery.out("plain"));
    bagged(&delivery.path(), &out);
    prep(&delivery.path(), &plain, &[]);
    let audio = |folder: &Path| tree(&folder.join("audio"));
    assert!(audio(&out.join("data")) == audio(&plain), "packing changes no byte");
    let (path, source) = (out.to_str().unwrap().to_owned(), delivery.path());
    let verify = || loadin(&["verify", &path, "--delivery", source.to_str().unwrap(), "--replay"]);
    assert_eq!(verify().code, 0, "{}", verify().out);
    let again = bagged(&delivery.path(), &out);
    assert!(again.out.contains("60 steps were done before"), "{}", again.out);
    assert_eq!(verify().code, 0);
    let to = delivery.out("back");
    assert_eq!(loadin(&["restore", &path, "--to", to.to_str().unwrap()]).code, 0);
    // Tags prove themselves too, and a stranger in the payload is found.
    for name in ["bagit.txt", "bag-info.txt", "manifest-sha256.txt", "tagmanifest-sha256.txt"] {
        let whole = fs::read(out.join(name)).unwrap();
        let mut bytes = whole.clone();
        bytes[20] ^= 1;
        fs::write(out.join(name), bytes).unwrap();
        assert_eq!(verify().code, 4, "{name}");
        fs::write(out.join(name), whole).unwrap();
    }
    fs::write(out.join("data/stranger.txt"), "?").unwrap();
    assert!(verify().out.contains("data/stranger.txt: manifest-sha256.txt does not list it"));
}

#[test]
fn the_two_ways_of_packing_are_not_mixed() {
    let delivery = thirty();
    let (bag, plain) = (delivery.out("bag"), delivery.out("plain"));
    bagged(&delivery.path(), &bag);
    prep(&delivery.path(), &plain, &[]);
    let into_plain = bagged(&delivery.path(), &plain);
    assert_eq!(into_plain.code, 3);
    assert!(into_plain.err.contains("that is no bag"), "{}", into_plain.err);
    let path = delivery.path();
    let into_bag = loadin(&["prep", path.to_str().unwrap(), "--out", bag.to_str().unwrap()]);
    assert_eq!(into_bag.code, 3);
    assert!(into_bag.err.contains("as a bag (--bag)"), "{}", into_bag.err);
}

/// What a run has written, or writes, is no delivery for the same folder; a bag keeps that one folder deeper.
#[test]
fn the_payload_of_a_bag_is_no_delivery_for_it() {
    let delivery = Delivery::new("song");
    delivery.wav("Kick.wav", 48_000, 24, &[loadin_audio::signal::noise(1, 0.3, 20_000)]);
    let out = delivery.out("bag");
    bagged(&delivery.path(), &out);
    let at = |path: &Path| path.to_str().unwrap().to_owned();
    for inside in ["data", "data/audio", ".loadin", "."] {
        let (delivery, to) = (at(&out.join(inside)), at(&out));
        for more in [&["--bag"][..], &[]] {
            let given = [&["prep", &delivery, "--out", &to, "--progress", "none"][..], more].concat();
            let ran = loadin(&given);
            assert_eq!(ran.code, 2, "{inside}: {}{}", ran.out, ran.err);
            assert!(ran.err.contains("lie inside each other"), "{inside}: {}", ran.err);
        }
    }
    assert_eq!(loadin(&["verify", &at(&out)]).code, 0);
}
