//! Wrong files, each with a clear message; the others are prepared all the same.

use std::fs;

use loadin_audio::signal;
use loadin_tests::Delivery;

use super::{findings, loadin, prep, stem};

const RATE: u32 = 48_000;

/// A 16-bit mono WAV of `frames` frames, with its header fields to be spoilt.
fn wav(frames: u32) -> Vec<u8> {
    let mut bytes = Vec::new();
    bytes.extend(b"RIFF");
    bytes.extend((36 + 2 * frames).to_le_bytes());
    bytes.extend(b"WAVEfmt ");
    bytes.extend(16u32.to_le_bytes());
    bytes.extend(1u16.to_le_bytes());
    bytes.extend(1u16.to_le_bytes());
    bytes.extend(RATE.to_le_bytes());
    bytes.extend((2 * RATE).to_le_bytes());
    bytes.extend(2u16.to_le_bytes());
    bytes.extend(16u16.to_le_bytes());
    bytes.extend(b"data");
    bytes.extend((2 * frames).to_le_bytes());
    for sample in signal::sine(220.0, 0.3, RATE, frames as usize) {
        bytes.extend(((sample * 32767.0) as i16).to_le_bytes());
    }
    bytes
}

fn spoilt(at: usize, value: &[u8]) -> Vec<u8> {
    let mut bytes = wav(9600);
    bytes[at..at + value.len()].copy_from_slice(value);
    bytes
}

/// Field places in the header above.
const RIFF_SIZE: usize = 4;
const CHANNELS: usize = 22;
const HZ: usize = 24;
const DATA_SIZE: usize = 40;

#[test]
fn every_wrong_file_is_named_and_the_others_are_prepared() {
    let delivery = Delivery::new("wrong");
    delivery.file("Kick.wav", &wav(9600));
    delivery.file("Empty.wav", b"");
    delivery.file("Text.wav", b"Dear engineer, here are the stems.\n");
    delivery.file("Header.wav", &wav(9600)[..44]);
    delivery.file("HalfHeader.wav", &wav(9600)[..30]);
    delivery.file("HalfData.wav", &wav(9600)[..10_001]);
    delivery.file("NoChannels.wav", &spoilt(CHANNELS, &0u16.to_le_bytes()));
    delivery.file("NoRate.wav", &spoilt(HZ, &0u32.to_le_bytes()));
    delivery.file("FourGiga.wav", &spoilt(HZ, &4_000_000_000u32.to_le_bytes()));
    let mut many = spoilt(CHANNELS, &33u16.to_le_bytes());
    // No reading of its fields agrees with so many bytes a second.
    many[CHANNELS + 6..CHANNELS + 10].fill(1);
    delivery.file("Many.wav", &many);
    delivery.float_wav("Nan.wav", RATE, &[vec![0.0, 0.5, f64::NAN, 0.1]]);
    delivery.float_wav("Infinite.wav", RATE, &[vec![0.0, 0.5, f64::INFINITY, 0.1]]);
    let (ran, manifest) = prep(&delivery.path(), &delivery.out("out"), &[]);
    assert_eq!(ran.code, 1, "{}{}", ran.out, ran.err);
    assert_eq!(stem(&manifest, "Kick.wav")["state"], "prepared");
    let rows = [
        ("Empty.wav", "an empty file", "unreadable"),
        ("Text.wav", "text", "unreadable"),
        ("Header.wav", "only a header", "unreadable"),
        ("HalfHeader.wav", "", "unreadable"),
        ("HalfData.wav", "missing", "truncated"),
        ("NoChannels.wav", "0 channels", "unreadable"),
        ("NoRate.wav", "0 Hz", "damaged"),
        ("FourGiga.wav", "4000000000 Hz", "unreadable"),
        ("Many.wav", "33 channels", "unreadable"),
        ("Nan.wav", "frame 2", "not-finite"),
        ("Infinite.wav", "frame 2", "not-finite"),
    ];
    for (name, words, id) in rows {
        let record = stem(&manifest, name);
        assert_eq!(record["state"], "failed", "{name}");
        let error = record["error"].as_str().unwrap();
        assert!(error.contains(words), "{name}: {error}");
        assert!(findings(record).contains(&id), "{name}: {:?}", findings(record));
    }
    assert_eq!(loadin(&["verify", delivery.out("out").to_str().unwrap(), "--progress", "none"]).code, 0);
}

#[test]
fn wrong_sizes_are_read_around_and_said() {
    let delivery = Delivery::new("sizes");
    delivery.file("Good.wav", &wav(9600));
    delivery.file("Zero.wav", &spoilt(DATA_SIZE, &0u32.to_le_bytes()));
    delivery.file("Placeholder.wav", &spoilt(DATA_SIZE, &[0xFF; 4]));
    delivery.file("Small.wav", &spoilt(DATA_SIZE, &100u32.to_le_bytes()));
    delivery.file("RiffZero.wav", &spoilt(RIFF_SIZE, &0u32.to_le_bytes()));
    let mut odd = wav(9600);
    // A LIST chunk of odd size without its padding, between header and samples.
    odd.splice(36..36, *b"LIST\x05\x00\x00\x00INFOx");
    delivery.file("OddChunk.wav", &odd);
    let mut padded = wav(9600);
    padded.splice(36..36, *b"LIST\x05\x00\x00\x00INFOx\x00");
    delivery.file("OddPadded.wav", &padded);
    let (ran, manifest) = prep(&delivery.path(), &delivery.out("out"), &["--recipe", "archive"]);
    assert_eq!(ran.code, 0, "{}{}", ran.out, ran.err);
    let sound = stem(&manifest, "Good.wav")["output"]["audio_sha256"].clone();
    for name in ["Zero.wav", "Placeholder.wav", "Small.wav", "RiffZero.wav", "OddChunk.wav", "OddPadded.wav"]
    {
        let record = stem(&manifest, name);
        assert_eq!(record["output"]["audio_sha256"], sound, "{name}");
    }
    for name in ["Zero.wav", "Placeholder.wav", "Small.wav", "RiffZero.wav"] {
        assert!(findings(stem(&manifest, name)).contains(&"header-repaired"), "{name}");
    }
    let large = Delivery::new("large");
    large.file("Kick.wav", &wav(9600));
    // Both sizes, as after a broken transfer: where the RIFF size is right, the data size alone is wrong.
    let mut big = spoilt(DATA_SIZE, &1_000_000u32.to_le_bytes());
    big[RIFF_SIZE..RIFF_SIZE + 4].copy_from_slice(&1_000_036u32.to_le_bytes());
    large.file("Big.wav", &big);
    let (ran, manifest) = prep(&large.path(), &large.out("out"), &[]);
    assert_eq!(ran.code, 1);
    assert_eq!(findings(stem(&manifest, "Big.wav")), ["truncated"]);
}

#[test]
fn places_that_cannot_be_are_refused() {
    let delivery = Delivery::new("places");
    delivery.file("Kick.wav", &wav(9600));
    let path = delivery.path();
    let text = path.to_str().unwrap();
    let inside = loadin(&["prep", text, "--out", path.join("out").to_str().unwrap()]);
    assert_eq!(inside.code, 2, "{}", inside.err);
    assert!(inside.err.contains("lie inside each other") && !path.join("out").exists());
    let foreign = delivery.out("foreign");
    fs::create_dir(&foreign).unwrap();
    fs::write(foreign.join("thesis.txt"), "years of work").unwrap();
    let not_ours = loadin(&["prep", text, "--out", foreign.to_str().unwrap()]);
    assert_eq!(not_ours.code, 3, "{}", not_ours.err);
    assert!(not_ours.err.contains("thesis.txt"));
    assert_eq!(fs::read_to_string(foreign.join("thesis.txt")).unwrap(), "years of work");
    assert_eq!(loadin(&["prep", "/no/such/folder", "--out", delivery.out("x").to_str().unwrap()]).code, 2);
    let other = Delivery::new("places");
    other.file("Kick.wav", &wav(9600));
    let twins = loadin(&[
        "prep",
        text,
        other.path().to_str().unwrap(),
        "--out",
        delivery.out("both").to_str().unwrap(),
    ]);
    assert_eq!(twins.code, 2);
    assert!(twins.err.contains("have one name"), "{}", twins.err);
    let nothing = Delivery::new("nothing");
    nothing.file("notes.txt", b"soon");
    let empty =
        loadin(&["prep", nothing.path().to_str().unwrap(), "--out", nothing.out("x").to_str().unwrap()]);
    assert_eq!(empty.code, 2);
    assert!(empty.err.contains("no audio"), "{}", empty.err);
}

#[test]
fn a_prepared_file_that_somebody_changed_is_not_replaced() {
    let delivery = Delivery::new("edited");
    delivery.file("Kick.wav", &wav(9600));
    let out = delivery.out("out");
    let (_, manifest) = prep(&delivery.path(), &out, &[]);
    let file = out.join(stem(&manifest, "Kick.wav")["output"]["path"].as_str().unwrap());
    fs::write(&file, b"hours of editing").unwrap();
    // It stays, and who would have to replace it is refused: for another source, and for another preparation.
    let (path, to) = (delivery.path(), out.to_str().unwrap());
    assert_eq!(loadin(&["prep", path.to_str().unwrap(), "--out", to]).code, 0);
    delivery.file("Kick.wav", &wav(9500));
    delivery.file("Bass.wav", &wav(9600));
    for more in [None, Some("--relink")] {
        let again = ["prep", path.to_str().unwrap(), "--out", to].into_iter().chain(more);
        let again = loadin(&again.collect::<Vec<_>>());
        assert_eq!(again.code, 3, "{}", again.err);
        assert!(again.err.contains("was changed after it was prepared"), "{}", again.err);
        assert_eq!(fs::read(&file).unwrap(), b"hours of editing");
    }
}

#[test]
fn outputs_of_an_earlier_recipe_do_not_stay_behind() {
    let delivery = Delivery::new("again");
    delivery.file("Kick.wav", &wav(9600));
    delivery.file("Bass.wav", &wav(9500));
    let out = delivery.out("out");
    prep(&delivery.path(), &out, &[]);
    prep(&delivery.path(), &out, &["--recipe", "archive", "--relink"]);
    let mut names: Vec<String> = fs::read_dir(out.join("audio"))
        .unwrap()
        .map(|entry| entry.unwrap().file_name().into_string().unwrap())
        .collect();
    names.sort();
    assert_eq!(names, ["Bass.wav", "Kick.wav"]);
    assert_eq!(loadin(&["verify", out.to_str().unwrap()]).code, 0);
}

#[cfg(unix)]
#[test]
fn links_names_and_litter() {
    use std::os::unix::fs::symlink;
    let delivery = Delivery::new("na\u{308}mes 🎚");
    let long = format!("{}.wav", "x".repeat(251));
    let names = ["quo\"te's.wav", "new\nline.wav", "emoji 🥁.wav", "cafe\u{301}.wav", &long, "a/b/Deep.wav"];
    for (index, name) in names.iter().enumerate() {
        delivery.file(name, &wav(9600 + index as u32));
    }
    delivery.file("._Kick.wav", &[0, 5, 0x16, 7, 0, 0]);
    delivery.file("__MACOSX/._x.wav", &[0, 5, 0x16, 7]);
    delivery.file(".DS_Store", &[0; 32]);
    delivery.file("notes.txt", b"hello");
    symlink(delivery.path(), delivery.path().join("loop")).unwrap();
    symlink("circle.wav", delivery.path().join("circle.wav")).unwrap();
    let out = delivery.out("out");
    let (ran, manifest) = prep(&delivery.path(), &out, &[]);
    assert_eq!(ran.code, 1, "{}{}", ran.out, ran.err);
    for name in names.map(|name| name.replace('\n', r"\n")) {
        assert_eq!(stem(&manifest, &name)["state"], "prepared", "{name:?}");
    }
    assert_eq!(stem(&manifest, "circle.wav")["state"], "failed");
    let ignored = manifest["ignored"].to_string();
    for name in ["._Kick.wav", "__MACOSX", ".DS_Store", "notes.txt", "loop"] {
        assert!(ignored.contains(name), "{name}: {ignored}");
    }
    assert_eq!(loadin(&["verify", out.to_str().unwrap()]).code, 0);
    assert!(!ran.out.contains("new\nline"), "a file name must not break a line");
}

#[test]
fn bad_recipes_and_bad_arguments_end_with_two() {
    let delivery = Delivery::new("args");
    delivery.file("Kick.wav", &wav(9600));
    let path = delivery.path();
    let text = path.to_str().unwrap();
    let out = delivery.out("out");
    let wrong = delivery
        .file("../wrong.toml", b"recipe = 1\nname = \"x\"\nrevision = 1\n[[stage]]\nstage = \"decod\"\n");
    let ran = loadin(&["prep", text, "--out", out.to_str().unwrap(), "--recipe", wrong.to_str().unwrap()]);
    assert_eq!(ran.code, 2);
    assert!(ran.err.contains(":5:9:") && ran.err.contains("did you mean \"decode\""), "{}", ran.err);
    assert!(!out.exists());
    for args in [
        &["prep", text][..],
        &["frobnicate"],
        &["prep", text, "--out", "x", "--jobs", "0"],
        &["verify", text],
    ] {
        assert_eq!(loadin(args).code, 2, "{args:?}");
    }
    for args in
        [&["--help"][..], &["--version"], &["prep", "--help"], &["recipe", "list"], &["recipe", "schema"]]
    {
        assert_eq!(loadin(args).code, 0, "{args:?}");
    }
}

/// Two songs in one delivery would get one gain and one length; a folder of dry versions is no song.
#[test]
fn several_songs_in_one_delivery_are_noticed() {
    let delivery = Delivery::new("two songs");
    for (name, seconds) in [("One/Kick.wav", 2), ("One/Vox.wav", 2), ("Two/Kick.wav", 3), ("Two/Vox.wav", 3)]
    {
        delivery.wav(name, 48_000, 24, &[signal::noise(seconds as u64, 0.2, seconds * 48_000)]);
    }
    let (_, manifest) = prep(&delivery.path(), &delivery.out("out"), &[]);
    let finding = manifest["findings"].as_array().unwrap().iter().find(|f| f["id"] == "several-songs");
    let finding = finding.expect("a finding");
    assert_eq!(finding["evidence"]["songs"], serde_json::json!(["One", "Two"]));
}
