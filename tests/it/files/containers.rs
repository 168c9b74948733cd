//! Outputs in every container hold the same samples, and everything that is done with outputs works with them.

use std::fs;
use std::path::Path;

use loadin_audio::{Block, signal};
use loadin_codec::{Error, SampleKind, SoundWriter, Target, WavSpec};
use loadin_tests::Delivery;
use md5::{Digest, Md5};
use serde_json::Value;

use crate::job::{loadin, prep, stem};

fn delivery() -> Delivery {
    let delivery = Delivery::new("Paper Lantern");
    // Odd lengths, so that 24-bit mono needs padding; 4096 frames and one are a block of FLAC and a rest.
    delivery.wav("Kick.wav", 48_000, 24, &[signal::noise(1, 0.3, 4097)]);
    delivery.wav("Pad.wav", 48_000, 16, &[signal::noise(2, 0.2, 9001), signal::noise(3, 0.1, 9001)]);
    delivery.wav("Vox.wav", 44_100, 24, &[signal::noise(4, 0.2, 20_000)]);
    delivery
}

/// The shipped recipe with another end.
fn recipe(folder: &Path, container: &str, depth: &str, when_over: &str) -> String {
    let text = loadin(&["recipe", "show", "mix-prep"]).out;
    let text = text
        .replace("container = \"bwf\"", &format!("container = \"{container}\""))
        .replace("depth = \"24-bit\"", &format!("depth = \"{depth}\""))
        .replace("when-over = \"float\"", &format!("when-over = \"{when_over}\""));
    let path = folder.join(format!("{container} {depth} {when_over}.toml"));
    fs::write(&path, text).unwrap();
    path.to_str().unwrap().to_owned()
}

fn digests(manifest: &Value) -> Vec<(String, Value)> {
    let stems = manifest["stems"].as_array().unwrap();
    let digest = |stem: &Value| {
        let output = &stem["output"];
        let path = output["path"].as_str().unwrap();
        (path.rsplit_once('.').unwrap().0.to_owned(), output["audio_sha256"].clone())
    };
    stems.iter().map(digest).collect()
}

/// `verify` reads what it finds with symphonia and compares lengths and peaks, FLAC's own digest too; `--replay` makes
/// everything again; `restore` gives the same bytes whatever the container was.
#[test]
fn every_container_holds_the_same_samples() {
    let delivery = delivery();
    for depth in ["16-bit", "24-bit", "32-bit", "32-bit float", "64-bit float"] {
        let mut first = None;
        for (container, extension, start) in [
            ("bwf", "wav", &b"RIFF"[..]),
            ("wav", "wav", b"RIFF"),
            ("aiff", "aif", b"FORM"),
            ("caf", "caf", b"caff"),
            ("flac", "flac", b"fLaC"),
        ] {
            if container == "flac" && depth.ends_with("float") {
                continue;
            }
            let out = delivery.out(&format!("{container} {depth}"));
            let when_over = if container == "flac" { "fail" } else { "float" };
            let recipe = recipe(delivery.out("").as_path(), container, depth, when_over);
            let (ran, manifest) = prep(&delivery.path(), &out, &["--recipe", &recipe]);
            assert_eq!(ran.code, 0, "{container} {depth}: {}{}", ran.out, ran.err);
            for stem in manifest["stems"].as_array().unwrap() {
                let path = stem["output"]["path"].as_str().unwrap();
                assert!(path.ends_with(&format!(".{extension}")), "{path}");
                assert!(fs::read(out.join(path)).unwrap().starts_with(start), "{path}");
            }
            let (place, source) = (out.to_str().unwrap().to_owned(), delivery.path());
            let ran = loadin(&["verify", &place, "--delivery", source.to_str().unwrap(), "--replay"]);
            assert_eq!(ran.code, 0, "{container} {depth}: {}{}", ran.out, ran.err);
            let back = delivery.out(&format!("{container} {depth} restored"));
            let ran = loadin(&["restore", &place, "--to", back.to_str().unwrap()]);
            assert_eq!(ran.code, 0, "{container} {depth}: {}{}", ran.out, ran.err);
            let restored = loadin_tests::samples(&back.join("Vox.wav"));
            let found = (digests(&manifest), restored);
            match &first {
                None => first = Some(found),
                Some(first) => assert!(*first == found, "{container} {depth} differs from bwf"),
            }
            let ran = loadin(&["report", &place]);
            assert_eq!(ran.code, 0, "{container} {depth}: {}{}", ran.out, ran.err);
            let sheet = fs::read_to_string(out.join("track-sheet.csv")).unwrap();
            assert!(sheet.contains(&format!("_Kick.{extension},")) && sheet.contains("_Kick,"), "{sheet}");
            let again = prep(&delivery.path(), &out, &["--recipe", &recipe]).0;
            assert_eq!(again.code, 0, "the journal knows the outputs: {}{}", again.out, again.err);
        }
    }
}

#[test]
fn a_changed_sample_is_found_in_every_container() {
    let delivery = delivery();
    for container in ["aiff", "caf", "flac"] {
        let out = delivery.out(container);
        let recipe = recipe(delivery.out("").as_path(), container, "24-bit", "fail");
        let (_, manifest) = prep(&delivery.path(), &out, &["--recipe", &recipe]);
        let path = out.join(stem(&manifest, "Kick.wav")["output"]["path"].as_str().unwrap());
        let mut bytes = fs::read(&path).unwrap();
        let middle = bytes.len() / 2;
        bytes[middle] ^= 0x40;
        fs::write(&path, bytes).unwrap();
        let ran = loadin(&["verify", out.to_str().unwrap()]);
        assert_eq!(ran.code, 4, "{container}: {}", ran.out);
    }
}

#[test]
fn what_flac_cannot_hold_is_refused_by_the_recipe_or_fails_that_stem() {
    let delivery = delivery();
    let folder = delivery.out("");
    for (depth, when_over, text) in
        [("32-bit float", "fail", "set depth = \"24-bit\""), ("24-bit", "float", "set when-over = \"fail\"")]
    {
        let ran = loadin(&["recipe", "check", &recipe(&folder, "flac", depth, when_over)]);
        assert_eq!(ran.code, 2, "{}{}", ran.out, ran.err);
        assert!(format!("{}{}", ran.out, ran.err).contains(text), "{}{}", ran.out, ran.err);
    }
    let nine: Vec<Vec<f64>> = (0..9).map(|channel| signal::noise(channel, 0.1, 5000)).collect();
    delivery.wav("Nine.wav", 48_000, 24, &nine);
    let recipe = recipe(&folder, "flac", "24-bit", "fail");
    let (ran, manifest) = prep(&delivery.path(), &delivery.out("nine"), &["--recipe", &recipe]);
    assert_eq!(ran.code, 1, "the others are prepared: {}{}", ran.out, ran.err);
    let why = stem(&manifest, "Nine.wav")["error"].as_str().unwrap();
    assert!(why.contains("up to 8 channels, not 9"), "{why}");
    assert!(stem(&manifest, "Pad.wav")["output"].is_object());
}

fn spec(kind: SampleKind, channels: u16, frames: u64) -> WavSpec {
    WavSpec {
        rate_hz: 44_100,
        channels,
        kind,
        frames,
        channel_mask: None,
        bext: None,
        chunks_before: Vec::new(),
        chunks_after: Vec::new(),
    }
}

/// Laid out by hand after Audio Interchange File Format 1.3 (1989): FORM, COMM of 18 bytes with an 80-bit rate, SSND
/// with offset and block size 0, one zero byte behind odd sound.
#[test]
fn an_aiff_file_byte_by_byte() {
    let mut bytes = Vec::new();
    let mut writer = SoundWriter::new(&mut bytes, Target::Aiff, spec(SampleKind::I24, 1, 3)).unwrap();
    assert_eq!(
        writer.write_ints(&[1, -2, 0x12_3456]).unwrap(),
        [1, 0, 0, 0xFE, 0xFF, 0xFF, 0x56, 0x34, 0x12]
    );
    writer.finish().unwrap();
    let mut wanted = b"FORM\0\0\0\x38AIFFCOMM\0\0\0\x12\0\x01\0\0\0\x03\0\x18".to_vec();
    wanted.extend([0x40, 0x0E, 0xAC, 0x44, 0, 0, 0, 0, 0, 0]);
    wanted.extend(b"SSND\0\0\0\x11\0\0\0\0\0\0\0\0");
    wanted.extend([0, 0, 1, 0xFF, 0xFF, 0xFE, 0x12, 0x34, 0x56, 0]);
    assert_eq!(bytes, wanted);
    assert_eq!(bytes.len() - 8, 0x38, "the size that FORM states");
}

/// RFC 9639, 8.2: total samples and MD5 are set, block sizes are those of all blocks but the last.
#[test]
fn the_head_of_a_flac_file() {
    let mut bytes = Vec::new();
    let mut writer = SoundWriter::new(&mut bytes, Target::Flac, spec(SampleKind::I16, 2, 1)).unwrap();
    writer.write_ints(&[258, -1]).unwrap();
    writer.finish().unwrap();
    assert_eq!(bytes[..12], *b"fLaC\0\0\0\x22\x10\0\x10\0");
    assert_eq!(bytes[18..26], [0x0A, 0xC4, 0x42, 0xF0, 0, 0, 0, 1]);
    // MD5 of the bytes 02 01 FF FF, made with a general-purpose library.
    let md5 = bytes[26..42].iter().map(|byte| format!("{byte:02x}")).collect::<String>();
    assert_eq!(md5, "6f0d81b02268f3437452a14b7e2b05ca");
}

#[test]
fn more_frames_than_promised_and_fewer_are_errors_in_every_container() {
    for target in [Target::Wav, Target::Aiff, Target::Caf, Target::Flac] {
        let mut writer = SoundWriter::new(Vec::new(), target, spec(SampleKind::I16, 1, 2)).unwrap();
        assert!(matches!(writer.write_ints(&[1, 2, 3]), Err(Error::FrameCount { promised: 2, found: 3 })));
        writer.write_ints(&[1]).unwrap();
        assert!(matches!(writer.finish(), Err(Error::FrameCount { promised: 2, found: 1 })));
    }
    let mut writer = SoundWriter::new(Vec::new(), Target::Aiff, spec(SampleKind::F32, 1, 1)).unwrap();
    assert_eq!(writer.write_floats(&Block::silence(1, 1)).unwrap(), [0; 4]);
}

/// AIFF counts in 32 bits; what does not fit is refused before anything is written.
#[test]
fn aiff_ends_at_4_gib() {
    let frames = u64::from(u32::MAX) / 4;
    let mut bytes = Vec::new();
    assert!(SoundWriter::new(&mut bytes, Target::Aiff, spec(SampleKind::I32, 1, frames)).is_err());
    assert!(bytes.is_empty());
    assert!(SoundWriter::new(&mut bytes, Target::Aiff, spec(SampleKind::I32, 1, frames - 40)).is_ok());
}

/// RFC 9639, 8.2: the digest of the samples stands in the head. claxon, which is not ours, decodes the output to the same
/// samples, and their digest is the one that is stated and the one of the WAV output's `data`.
#[test]
fn flac_outputs_by_another_decoder() {
    let delivery = Delivery::new("Paper Lantern");
    // Tones of one length: claxon 0.4 has no reader for the escape that noise and silence are stored with.
    let tone = |hz, frames| signal::sine(hz, 0.3, 48_000, frames);
    delivery.wav("Kick.wav", 48_000, 24, &[tone(60.0, 20_000)]);
    delivery.wav("Pad.wav", 48_000, 16, &[tone(220.0, 20_000), tone(331.0, 20_000)]);
    delivery.wav("Vox.wav", 48_000, 24, &[tone(523.0, 20_000)]);
    for depth in ["16-bit", "24-bit"] {
        let of = |container: &str| {
            let out = delivery.out(&format!("{container} {depth}"));
            let recipe = recipe(delivery.out("").as_path(), container, depth, "fail");
            let (ran, manifest) = prep(&delivery.path(), &out, &["--recipe", &recipe]);
            assert_eq!(ran.code, 0, "{container} {depth}: {}{}", ran.out, ran.err);
            (out, manifest)
        };
        let ((flac_out, flac), (wav_out, wav)) = (of("flac"), of("wav"));
        for name in ["Kick.wav", "Pad.wav", "Vox.wav"] {
            let path = |out: &Path, manifest: &Value| {
                out.join(stem(manifest, name)["output"]["path"].as_str().unwrap())
            };
            let mut reader = claxon::FlacReader::open(path(&flac_out, &flac)).unwrap();
            let bytes = reader.streaminfo().bits_per_sample as usize / 8;
            let stated = reader.streaminfo().md5sum;
            let samples: Vec<u8> =
                reader.samples().flat_map(|code| code.unwrap().to_le_bytes()[..bytes].to_vec()).collect();
            assert_eq!(Md5::digest(&samples)[..], stated, "{name} {depth}");
            let file = fs::read(path(&wav_out, &wav)).unwrap();
            let data = file.windows(4).position(|window| window == b"data").unwrap() + 8;
            assert!(file[data..].starts_with(&samples), "{name} {depth}");
        }
    }
}
