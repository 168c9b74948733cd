//! ZIP archives (PKWARE APPNOTE 6.3): read in place, as if they were folders, and never unpacked to the disk.

use std::fs;
use std::io::{Cursor, Write};

use loadin_audio::signal;
use loadin_tests::Delivery;
use serde_json::Value;
use sha2::{Digest, Sha256};
use zip::write::SimpleFileOptions;
use zip::{CompressionMethod, ZipWriter};

use crate::job::{comparable, loadin, prep, stem, tree};

const STEMS: [&str; 3] = ["Kick.wav", "drums/Snare Top.wav", "Vox.wav"];

/// Three stems, in two folders and at two rates.
fn loose(name: &str) -> Delivery {
    let delivery = Delivery::new(name);
    delivery.wav(STEMS[0], 48_000, 24, &[signal::noise(1, 0.3, 30_000)]);
    delivery.wav(STEMS[1], 44_100, 16, &[signal::noise(2, 0.2, 20_001)]);
    delivery.wav(STEMS[2], 48_000, 24, &[signal::noise(3, 0.2, 25_000), signal::noise(4, 0.2, 25_000)]);
    delivery
}

fn zipped(files: &[(&str, &[u8])], method: CompressionMethod) -> Vec<u8> {
    let mut writer = ZipWriter::new(Cursor::new(Vec::new()));
    for (name, bytes) in files {
        writer.start_file(*name, SimpleFileOptions::default().compression_method(method)).unwrap();
        writer.write_all(bytes).unwrap();
    }
    writer.finish().unwrap().into_inner()
}

fn zip_of(delivery: &Delivery, method: CompressionMethod) -> Vec<u8> {
    let files = tree(&delivery.path());
    let files: Vec<(&str, &[u8])> = files.iter().map(|(name, bytes)| (name.as_str(), &bytes[..])).collect();
    zipped(&files, method)
}

fn audio_digests(manifest: &Value) -> Vec<&Value> {
    manifest["stems"].as_array().unwrap().iter().map(|stem| &stem["output"]["audio_sha256"]).collect()
}

/// The archive is a folder called `song.zip` inside of a delivery, or a delivery of its own; stored and deflated.
#[test]
fn an_archive_is_prepared_as_its_folder_would_be() {
    let loose = loose("song");
    let wanted = prep(&loose.path(), &loose.out("loose"), &[]).1;
    for (method, tag) in [(CompressionMethod::Stored, "stored"), (CompressionMethod::Deflated, "deflated")] {
        let bytes = zip_of(&loose, method);
        let holder = Delivery::new("holder");
        let archive = holder.file("song.zip", &bytes);
        for (delivery, prefix) in [(holder.path(), "song.zip/"), (archive.clone(), "")] {
            let out = loose.out(&format!("{tag} {}", prefix.len()));
            let (ran, manifest) = prep(&delivery, &out, &[]);
            assert_eq!(ran.code, 0, "{tag}: {}{}", ran.out, ran.err);
            for name in STEMS {
                let found = &stem(&manifest, &format!("{prefix}{name}"))["source"];
                let source = &stem(&wanted, name)["source"];
                assert_eq!(
                    (&found["sha256"], &found["bytes"]),
                    (&source["sha256"], &source["bytes"]),
                    "{name}"
                );
            }
            assert_eq!(audio_digests(&manifest), audio_digests(&wanted), "{tag}");
            let (place, source) = (out.to_str().unwrap(), delivery.to_str().unwrap());
            let ran = loadin(&["verify", place, "--delivery", source, "--replay"]);
            assert_eq!(ran.code, 0, "{tag}: {}{}", ran.out, ran.err);
            let before = comparable(&out);
            let (ran, _) = prep(&delivery, &out, &[]);
            assert_eq!((ran.code, comparable(&out) == before), (0, true), "again: {}{}", ran.out, ran.err);
        }
        assert_eq!(tree(&holder.path()).len(), 1, "nothing is unpacked beside the archive");
        assert_eq!(fs::read(&archive).unwrap(), bytes, "the archive is only read");
        let out = loose.out(&format!("{tag} 9"));
        let back = loose.out(&format!("{tag} back"));
        let ran = loadin(&["restore", out.to_str().unwrap(), "--to", back.to_str().unwrap()]);
        assert_eq!(ran.code, 0, "{}{}", ran.out, ran.err);
        assert!(back.join("song.zip/drums/Snare Top.wav").is_file());
        // A changed archive is noticed as a changed file is.
        let mut changed = bytes.clone();
        changed[2000] ^= 0x10;
        fs::write(&archive, changed).unwrap();
        let ran = loadin(&["verify", out.to_str().unwrap(), "--delivery", holder.path().to_str().unwrap()]);
        assert_eq!(ran.code, 4, "{}", ran.out);
    }
}

/// Names in code page 437 (0x81 is "ü" there, 0x8E "Ä"), in UTF-8 with and without the flag that says so.
#[test]
fn names_come_out_of_both_code_pages() {
    let loose = loose("song");
    let sound = fs::read(loose.path().join("Kick.wav")).unwrap();
    let utf8 = zipped(&[("Ünïcode ドラム.wav", &sound)], CompressionMethod::Deflated);
    let mut cp437 = zipped(&[("G__tig.wav", &sound)], CompressionMethod::Stored);
    let places: Vec<usize> =
        (0..cp437.len() - 10).filter(|at| cp437[*at..].starts_with(b"G__tig.wav")).collect();
    assert_eq!(places.len(), 2, "in the entry and in the directory");
    for at in places {
        cp437[at + 1..at + 3].copy_from_slice(&[0x81, 0x8E]);
    }
    let holder = Delivery::new("holder");
    holder.file("a.zip", &utf8);
    holder.file("b.zip", &cp437);
    let (_, manifest) = prep(&holder.path(), &holder.out("out"), &[]);
    for name in ["a.zip/Ünïcode ドラム.wav", "b.zip/GüÄtig.wav"] {
        assert!(stem(&manifest, name)["source"]["sha256"].is_string(), "{name}");
    }
}

fn hex(bytes: &[u8]) -> String {
    Sha256::digest(bytes).iter().map(|byte| format!("{byte:02x}")).collect()
}

/// Entries that read alike: with either slash, and in two code pages (0x82 is "é" in code page 437, APPNOTE
/// appendix D). Each keeps a path of its own, by its bytes where it does not read as it stands, and its own sound.
#[test]
fn entries_that_read_alike_are_told_by_their_bytes() {
    let delivery = Delivery::new("song");
    let sounds: Vec<Vec<u8>> = (1..=4)
        .map(|seed| {
            let path = delivery.wav("sound.wav", 48_000, 24, &[signal::noise(seed, 0.2, 9_000)]);
            let bytes = fs::read(&path).unwrap();
            fs::remove_file(path).unwrap();
            bytes
        })
        .collect();
    let names = ["fx/Riser.wav", "fx|Riser.wav", "Pré.wav", "Pr|.wav"];
    let files: Vec<(&str, &[u8])> = names.iter().copied().zip(sounds.iter().map(|s| &s[..])).collect();
    let mut bytes = zipped(&files, CompressionMethod::Stored);
    for (name, byte) in [("fx|Riser.wav", b'\\'), ("Pr|.wav", 0x82)] {
        let at = |at: &usize| bytes[*at..].starts_with(name.as_bytes());
        let places: Vec<usize> = (0..bytes.len() - name.len()).filter(at).collect();
        assert_eq!(places.len(), 2, "in the entry and in the directory");
        for at in places {
            bytes[at + name.find('|').unwrap()] = byte;
        }
    }
    delivery.file("a.zip", &bytes);
    let (ran, manifest) = prep(&delivery.path(), &delivery.out("out"), &[]);
    assert_eq!(ran.code, 0, "{}{}", ran.out, ran.err);
    for (name, sound) in ["fx/Riser.wav", r"fx\\Riser.wav", "Pré.wav", r"Pr\x82.wav"].iter().zip(&sounds) {
        let source = &stem(&manifest, &format!("a.zip/{name}"))["source"];
        assert_eq!(source["sha256"], hex(sound), "{name}");
    }
    let (out, source) = (delivery.out("out"), delivery.path());
    let args = ["verify", out.to_str().unwrap(), "--delivery", source.to_str().unwrap(), "--replay"];
    let ran = loadin(&args);
    assert_eq!(ran.code, 0, "{}{}", ran.out, ran.err);
}

/// Writes over the header words of the only entry: 32-bit little-endian fields of the entry and of the directory.
fn forged(bytes: &[u8], local: usize, central: usize, value: u32) -> Vec<u8> {
    let mut bytes = bytes.to_vec();
    let directory = bytes.windows(4).position(|four| four == b"PK\x01\x02").unwrap();
    bytes[local..local + 4].copy_from_slice(&value.to_le_bytes());
    bytes[directory + central..directory + central + 4].copy_from_slice(&value.to_le_bytes());
    bytes
}

/// One archive a refusal: the others of the delivery go on, and every file is named with the reason.
#[test]
fn what_is_dangerous_or_unreadable_is_refused_by_name() {
    let loose = loose("song");
    let sound = fs::read(loose.path().join("Kick.wav")).unwrap();
    let one = |name: &str| zipped(&[(name, &sound)], CompressionMethod::Deflated);
    let honest = one("Kick.wav");
    let mut encrypted = honest.clone();
    let directory = encrypted.windows(4).position(|four| four == b"PK\x01\x02").unwrap();
    encrypted[6] |= 1;
    encrypted[directory + 8] |= 1;
    let mut flipped = zipped(&[("Kick.wav", &sound)], CompressionMethod::Stored);
    flipped[5000] ^= 1;
    let twice = {
        let mut bytes = zipped(&[("a.wav", &sound), ("b.wav", &sound)], CompressionMethod::Stored);
        for at in (0..bytes.len() - 5).filter(|at| bytes[*at..].starts_with(b"b.wav")).collect::<Vec<_>>() {
            bytes[at] = b'a';
        }
        bytes
    };
    let size = sound.len() as u32;
    // The words are those of APPNOTE 4.3.12: method at 8 and 10, and where the entry begins at 42 of its directory.
    let mut bzip2 = honest.clone();
    (bzip2[8], bzip2[directory + 10]) = (12, 12);
    let mut overlapping = zipped(&[("a.wav", &sound), ("b.wav", &sound)], CompressionMethod::Stored);
    let second = overlapping.windows(4).rposition(|four| four == b"PK\x01\x02").unwrap();
    overlapping[second + 42..second + 46].fill(0);
    let cases: [(&str, Vec<u8>, &str, &str); 12] = [
        ("bzip2", bzip2, "Kick.wav", "packed in a way that is not read here"),
        ("overlapping", overlapping, "b.wav", "shares bytes with another"),
        ("parent", one("../Kick.wav"), "../Kick.wav", "leads out of the archive"),
        ("absolute", one("/etc/Kick.wav"), "/etc/Kick.wav", "leads out of the archive"),
        ("drive", one("C:\\Kick.wav"), "C:/Kick.wav", "leads out of the archive"),
        ("encrypted", encrypted, "Kick.wav", "encrypted"),
        // Header words that say less or more than what is there: offsets 22 and 24 are the unpacked size.
        ("shorter", forged(&honest, 22, 24, size - 100), "Kick.wav", "longer than the"),
        ("longer", forged(&honest, 22, 24, size + 100), "Kick.wav", "before the end of this file"),
        ("bomb", forged(&honest, 22, 24, u32::MAX - 1), "Kick.wav", "that is a bomb"),
        ("flipped", flipped, "Kick.wav", "checksum differs"),
        ("twice", twice, "", "two files of one name"),
        ("cut", honest[..honest.len() - 30].to_vec(), "", "the archive cannot be read"),
    ];
    for (name, bytes, entry, why) in cases {
        let delivery = loose_with(&format!("{name}.zip"), &bytes);
        let (ran, manifest) = prep(&delivery.path(), &delivery.out("out"), &[]);
        assert_eq!(ran.code, 1, "{name}: {}{}", ran.out, ran.err);
        let path = format!("{name}.zip/{entry}");
        let error = &stem(&manifest, path.trim_end_matches('/'))["error"];
        assert!(error.as_str().is_some_and(|error| error.contains(why)), "{name}: {error}");
        assert!(stem(&manifest, "Vox.wav")["output"].is_object(), "{name}");
    }
}

/// `./a.wav` and `b//a.wav` are what some archivers write; one entry whose own header is broken refuses only itself.
#[test]
fn ordinary_paths_are_plain_and_one_bad_entry_refuses_only_itself() {
    let loose = loose("song");
    let [kick, vox] = ["Kick.wav", "Vox.wav"].map(|name| fs::read(loose.path().join(name)).unwrap());
    let files: [(&str, &[u8]); 3] = [("./Kick.wav", &kick), ("vocals//Vox.wav", &vox), ("Bad.wav", &kick)];
    let mut bytes = zipped(&files, CompressionMethod::Stored);
    let bad = bytes.windows(7).position(|name| name == b"Bad.wav").unwrap() - 30;
    assert_eq!(bytes[bad..bad + 4], *b"PK\x03\x04");
    bytes[bad] = b'X';
    let holder = Delivery::new("holder");
    holder.file("song.zip", &bytes);
    let (ran, manifest) = prep(&holder.path(), &holder.out("out"), &[]);
    assert_eq!(ran.code, 1, "{}{}", ran.out, ran.err);
    for path in ["song.zip/Kick.wav", "song.zip/vocals/Vox.wav"] {
        assert_eq!(stem(&manifest, path)["state"], "prepared");
    }
    let error = stem(&manifest, "song.zip/Bad.wav")["error"].as_str().unwrap();
    assert!(error.contains("the archive is damaged here"), "{error}");
}

fn loose_with(name: &str, bytes: &[u8]) -> Delivery {
    let delivery = loose("song");
    delivery.file(name, bytes);
    delivery
}
