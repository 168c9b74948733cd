//! What may hold audio and is not read here: it is never passed over in silence. First bytes from the published forms (see
//! `codec::read::sniff`), extensions from common practice, no source.

use std::fs;

use loadin_audio::signal;
use loadin_tests::Delivery;

use crate::job::{prep, stem};

/// Name, contents, and what is said of it.
const FILES: [(&str, &[u8], &str); 8] = [
    ("Pad.wv", b"wvpk\x20\0\0\0\x10\x04\0\0", "a WavPack file"),
    ("Keys without a name", b"wvpk\x20\0\0\0\x10\x04\0\0", "a WavPack file"),
    ("Choir.dsf", b"DSD \x1C\0\0\0\0\0\0\0", "a DSD file"),
    ("Strings.ac3", b"\x0B\x77\xAB\xCD\x14\x40", "an AC-3 file"),
    ("Lead.ape", b"no known form", "not audio"),
    ("more.7z", b"7z\xBC\xAF\x27\x1C\0\x04", "7z archive"),
    ("more.tar.gz", b"\x1F\x8B\x08\0\0\0\0\0", "gzip archive"),
    ("more.rar", b"no known form", "may hold audio"),
];

#[test]
fn possible_audio_is_a_finding_and_an_exit_code_and_a_question() {
    for (name, bytes, said) in FILES {
        let delivery = Delivery::new("song");
        delivery.wav("Kick.wav", 48_000, 24, &[signal::noise(1, 0.3, 30_000)]);
        delivery.file(name, bytes);
        let out = delivery.out("out");
        let (ran, manifest) = prep(&delivery.path(), &out, &[]);
        assert_eq!(ran.code, 1, "{name}: {}{}", ran.out, ran.err);
        let found = stem(&manifest, name);
        assert_eq!(found["state"], "failed", "{found}");
        assert!(found["error"].as_str().unwrap().contains(said), "{name}: {}", found["error"]);
        assert!(ran.out.contains(name), "{name} is on the screen: {}", ran.out);
        let note = fs::read_to_string(out.join("client-note.md")).unwrap();
        assert!(note.contains(name), "{name} is in the note: {note}");
        assert_eq!(stem(&manifest, "Kick.wav")["state"], "prepared");
    }
}

/// An archive in an archive is not unpacked.
#[test]
fn an_archive_in_an_archive_is_said() {
    let mut zip = zip::ZipWriter::new(std::io::Cursor::new(Vec::new()));
    zip.start_file("more.zip", zip::write::SimpleFileOptions::default()).unwrap();
    std::io::Write::write_all(&mut zip, b"PK\x05\x06").unwrap();
    let delivery = Delivery::new("song");
    delivery.wav("Kick.wav", 48_000, 24, &[signal::noise(1, 0.3, 30_000)]);
    delivery.file("takes.zip", &zip.finish().unwrap().into_inner());
    let (ran, manifest) = prep(&delivery.path(), &delivery.out("out"), &[]);
    assert_eq!(ran.code, 1, "{}{}", ran.out, ran.err);
    let error = stem(&manifest, "takes.zip/more.zip")["error"].as_str().unwrap();
    assert!(error.contains("is not unpacked here"), "{error}");
}

/// Root enters every folder, so this says something for everybody else.
#[cfg(unix)]
#[test]
fn a_folder_that_may_not_be_entered_is_said() {
    use std::os::unix::fs::PermissionsExt;

    let delivery = Delivery::new("song");
    delivery.wav("Kick.wav", 48_000, 24, &[signal::noise(1, 0.3, 30_000)]);
    let closed = delivery.path().join("drums");
    fs::create_dir(&closed).unwrap();
    fs::set_permissions(&closed, fs::Permissions::from_mode(0o000)).unwrap();
    let enters = fs::read_dir(&closed).is_ok();
    let (ran, manifest) = prep(&delivery.path(), &delivery.out("out"), &[]);
    fs::set_permissions(&closed, fs::Permissions::from_mode(0o755)).unwrap();
    if enters {
        assert_eq!(ran.code, 0);
        return;
    }
    assert_eq!(ran.code, 1, "{}{}", ran.out, ran.err);
    assert!(stem(&manifest, "drums")["error"].as_str().unwrap().contains("cannot be read"));
}
