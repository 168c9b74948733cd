//! Small real files with seeded faults, through the whole `audit`: it ends, in time and within memory, and says what is lost.
//!
//! 400 files here; `LOADIN_MUTATIONS=20000 cargo test -p loadin-tests mutations` for all.

use std::collections::BTreeMap;
use std::fs;
use std::path::PathBuf;
use std::process::Command;

use loadin_audio::signal;
use loadin_codec::{SampleKind, WavWriter};
use loadin_tests::mutants::head;
use loadin_tests::{Delivery, Random};
use serde_json::Value;

use crate::job::run;
use crate::reference_codec::flac::{D1, D2, D3, bytes};

/// Files of one delivery: enough that starting the program costs little.
const AT_ONCE: u64 = 200;

/// No stem may stand still for longer, in seconds: `--patience` names the one that does.
const PATIENCE: &str = "5";

/// Room for the program, its threads and the files: one allocation of 256 MB on top does not fit, and would end it.
const ADDRESS_SPACE_KB: u64 = 350_000;

#[expect(clippy::disallowed_methods, reason = "how thorough the test is changes no output")]
fn wanted() -> u64 {
    std::env::var("LOADIN_MUTATIONS").ok().and_then(|text| text.parse().ok()).unwrap_or(400)
}

/// A copy with one to three faults; headers, where faults do more, are met as often as all the rest.
fn mutate(draw: &mut Random, file: &[u8]) -> Vec<u8> {
    let mut file = file.to_vec();
    for _ in 0..=draw.below(3) {
        let reach = if draw.below(2) == 0 { file.len().min(200) } else { file.len() };
        let at = draw.below(reach);
        match draw.below(6) {
            0 => file[at] ^= 1 << draw.below(8),
            1 => file[at] = draw.number() as u8,
            2 => {
                let end = (at + 4).min(file.len());
                file[at..end].fill(if draw.below(2) == 0 { 0 } else { 0xFF });
            }
            3 => file.truncate(at.max(1)),
            4 => {
                let end = (at + 1 + draw.below(64)).min(file.len());
                file.drain(at..end);
                file.push(0);
            }
            _ => {
                let piece: Vec<u8> = file[at..(at + 1 + draw.below(64)).min(file.len())].to_vec();
                file.splice(at..at, piece);
            }
        }
    }
    file
}

fn wav(channels: u16, kind: SampleKind) -> Vec<u8> {
    let mut writer = WavWriter::new(Vec::new(), head(kind, channels, 500)).unwrap();
    let codes: Vec<i32> =
        signal::noise(5, 0.5, 500 * usize::from(channels)).iter().map(|s| (s * 32_000.0) as i32).collect();
    writer.write_ints(&codes).unwrap();
    writer.finish().unwrap()
}

fn data(name: &str) -> Vec<u8> {
    let folder = PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("it/reference_codec/data");
    fs::read(folder.join(name)).unwrap()
}

fn aiff() -> Vec<u8> {
    let mut sound = vec![0; 8];
    sound.extend(signal::noise(6, 0.5, 500).iter().flat_map(|s| ((s * 32_000.0) as i16).to_be_bytes()));
    let mut file = b"FORM\0\0\x04\x16AIFFCOMM\0\0\0\x12\0\x01\0\0\x01\xF4\0\x10\x40\x0E\xBB\x80\0\0\0\0\0\0SSND\0\0\x03\xF0".to_vec();
    file.extend(sound);
    file
}

/// Files of every reader, with their extension.
fn seeds() -> Vec<(&'static str, Vec<u8>)> {
    vec![
        ("wav", wav(1, SampleKind::I16)),
        ("wav", wav(2, SampleKind::I24)),
        ("wav", wav(3, SampleKind::I32)),
        ("w64", data("saw.w64")),
        ("aif", aiff()),
        ("caf", data("saw-alac.caf")),
        ("flac", bytes(D1)),
        ("flac", bytes(D2)),
        ("flac", bytes(D3)),
        ("mp3", data("tones.mp3")),
        ("ogg", data("tones.ogg")),
        ("aif", data("beside.aif")),
        ("caf", data("beside.caf")),
        ("flac", data("beside.flac")),
        ("m4a", data("beside.m4a")),
    ]
}

/// The survey of a folder as `audit` gives it, in little memory; every stem by its path.
fn audit(delivery: &Delivery) -> BTreeMap<String, Value> {
    let path = delivery.path();
    let script = format!("ulimit -v {ADDRESS_SPACE_KB} && exec \"$@\"");
    let program = env!("CARGO_BIN_EXE_loadin-under-test");
    let arguments =
        ["audit", path.to_str().unwrap(), "--format", "json", "--jobs", "1", "--progress", "none"];
    let mut command = Command::new("sh");
    command.args(["-c", &script, "sh", program]).args(arguments).args(["--patience", PATIENCE]);
    let ran = run(&mut command);
    assert!(matches!(ran.code, 0 | 1), "ended with {}: {}", ran.code, ran.err);
    assert!(!ran.err.contains("panicked"), "{}", ran.err);
    let found: Value = serde_json::from_str(&ran.out).unwrap();
    let stems = found[0]["stems"].as_array().unwrap().iter();
    stems.map(|stem| (stem["sources"][0]["path"].as_str().unwrap().to_owned(), stem.clone())).collect()
}

/// What stands in the way of saying that nothing is lost: `None` where the file is whole as far as anyone can know.
fn said(stem: &Value) -> Option<String> {
    let findings = stem["findings"].as_array().unwrap().iter().filter_map(|f| f["id"].as_str());
    // Found in the whole files too.
    let about_loss: Vec<&str> = findings
        .filter(|id| !matches!(*id, "lossy-source" | "name-collision" | "duplicate" | "far-below-others"))
        .collect();
    let repairs = &stem["sources"][0]["format"]["repairs"];
    let failed = stem["fate"]["do"] != "render";
    (failed || !about_loss.is_empty() || repairs.as_array().is_some_and(|all| !all.is_empty()))
        .then(|| format!("{} {about_loss:?} {repairs}", stem["fate"]))
}

#[expect(clippy::print_stdout, reason = "figures for whoever asks with --nocapture")]
#[test]
fn whatever_is_wrong_with_a_file_the_audit_ends_and_loses_no_frame_in_silence() {
    let seeds = seeds();
    let whole = Delivery::new("whole");
    for (at, (kind, file)) in seeds.iter().enumerate() {
        whole.file(&format!("{at:02}.{kind}"), file);
    }
    let whole = audit(&whole);
    let frames = |stem: &Value| stem["sources"][0]["format"]["frames"].as_u64();
    for stem in whole.values() {
        assert_eq!(said(stem), None, "a seed without a fault: {stem}");
    }
    let (mut accepted, mut lost) = (0u64, Vec::new());
    for first in (0..wanted()).step_by(AT_ONCE as usize) {
        let delivery = Delivery::new("faults");
        let last = wanted().min(first + AT_ONCE);
        for number in first..last {
            let at = number as usize % seeds.len();
            let (kind, file) = &seeds[at];
            delivery.file(&format!("{at:02}-{number:05}.{kind}"), &mutate(&mut Random::new(number), file));
        }
        let found = audit(&delivery);
        assert_eq!(found.len() as u64, last - first, "every file is in the answer");
        for (path, stem) in found {
            let text = stem["fate"]["why"].as_str().unwrap_or_default();
            assert!(
                !text.contains("nothing has moved") && !text.contains("longer than it sounds"),
                "{path} hangs: {text}"
            );
            // A panic inside the library for compressed files is caught and named there; one of ours comes this far.
            assert!(!text.contains("gave up on its contents"), "{path}: {text}");
            if said(&stem).is_some() {
                continue;
            }
            accepted += 1;
            let seed = &whole[&format!("{}.{}", &path[..2], path.rsplit_once('.').unwrap().1)];
            if frames(&stem) < frames(seed) {
                lost.push(format!("{path}: {stem}"));
            }
        }
    }
    assert!(lost.is_empty(), "frames are lost in silence:\n{}", lost.join("\n"));
    println!("{accepted} of {} files were taken as whole", wanted());
}
