//! Links in a delivery: what lies outside is read only where the recipe allows it, and never left out in silence.

use std::fs;
use std::os::unix::fs::symlink;
use std::path::PathBuf;

use loadin_audio::signal;
use loadin_tests::Delivery;

use crate::job::{loadin, prep, stem};

/// A delivery with a file of its own, and a folder beside it with a sound, a note and an archive.
fn delivery() -> (Delivery, PathBuf) {
    let delivery = Delivery::new("song");
    delivery.wav("Kick.wav", 48_000, 24, &[signal::noise(1, 0.3, 30_000)]);
    let elsewhere = delivery.path().parent().unwrap().join("elsewhere");
    fs::create_dir(&elsewhere).unwrap();
    delivery.wav("../elsewhere/Secret.wav", 48_000, 24, &[signal::noise(2, 0.3, 30_000)]);
    delivery.file("../elsewhere/diary.txt", b"Tempo: 92. The vocal is missing.\n");
    (delivery, elsewhere)
}

fn recipe(delivery: &Delivery, decode: &str) -> String {
    let text = format!(
        "recipe = 1\nname = \"plain\"\nrevision = 1\n[[stage]]\nstage = \"decode\"\n{decode}\
         [[stage]]\nstage = \"label\"\nnumber = false\n[[stage]]\nstage = \"re-encode\"\n"
    );
    delivery.file("../plain.toml", text.as_bytes()).to_str().unwrap().to_owned()
}

#[test]
fn what_lies_outside_is_not_read_and_that_is_a_finding() {
    let (delivery, elsewhere) = delivery();
    let at = |name: &str| delivery.path().join(name);
    symlink(elsewhere.join("Secret.wav"), at("absolute.wav")).unwrap();
    symlink("../elsewhere/Secret.wav", at("relative.wav")).unwrap();
    symlink("absolute.wav", at("twice.wav")).unwrap();
    symlink(&elsewhere, at("Folder")).unwrap();
    symlink(elsewhere.join("diary.txt"), at("notes.txt")).unwrap();
    symlink(elsewhere.join("diary.txt"), at("unknown")).unwrap();
    symlink("nothing.wav", at("broken.wav")).unwrap();
    symlink("Kick.wav", at("Kick again.wav")).unwrap();
    fs::create_dir(at("Drums")).unwrap();
    symlink("../Kick.wav", at("Drums/Inside.wav")).unwrap();
    let recipe = recipe(&delivery, "");
    let (ran, manifest) = prep(&delivery.path(), &delivery.out("out"), &["--recipe", &recipe]);
    assert_eq!(ran.code, 1, "{}{}", ran.out, ran.err);
    for name in ["absolute.wav", "relative.wav", "twice.wav", "Folder", "unknown"] {
        let error = stem(&manifest, name)["error"].as_str().unwrap();
        assert!(stem(&manifest, name)["source"]["sha256"].is_null(), "{name}: not even a digest");
        assert!(
            error.contains("outside of the delivery") || error.contains("out of the delivery"),
            "{name}: {error}"
        );
    }
    assert!(stem(&manifest, "broken.wav")["error"].as_str().unwrap().contains("leads to nothing"));
    for name in ["Kick.wav", "Kick again.wav", "Drums/Inside.wav"] {
        assert_eq!(stem(&manifest, name)["state"], "unchanged", "{name}");
    }
    // The note is not read, and no paper says where a link leads.
    assert!(manifest["ignored"].to_string().contains("notes.txt"), "{}", manifest["ignored"]);
    let papers = format!(
        "{manifest}{}{}",
        ran.out,
        fs::read_to_string(delivery.out("out").join("report.html")).unwrap()
    );
    for secret in ["vocal is missing", "Secret.wav", "diary", elsewhere.to_str().unwrap()] {
        assert!(!papers.contains(secret), "{secret}");
    }
}

#[test]
fn the_recipe_allows_files_that_lie_outside() {
    let (delivery, elsewhere) = delivery();
    symlink(elsewhere.join("Secret.wav"), delivery.path().join("Linked.wav")).unwrap();
    symlink(elsewhere.join("Secret.wav"), delivery.path().join("Other.wav")).unwrap();
    symlink(&elsewhere, delivery.path().join("Folder")).unwrap();
    let source = delivery.path();
    let refused = recipe(&delivery, "");
    let (ran, _) = prep(&source, &delivery.out("out"), &["--recipe", &refused]);
    assert_eq!(ran.code, 1, "{}{}", ran.out, ran.err);
    let only = recipe(&delivery, "[[stage.for]]\nstems = \"Linked*\"\noutside-links = \"read\"\n");
    let (ran, manifest) = prep(&source, &delivery.out("only"), &["--recipe", &only]);
    assert_eq!(ran.code, 1, "{}{}", ran.out, ran.err);
    assert_eq!(stem(&manifest, "Linked.wav")["state"], "unchanged");
    assert_eq!(stem(&manifest, "Other.wav")["state"], "failed");
    // A folder is never entered by a link.
    assert_eq!(stem(&manifest, "Folder")["state"], "failed");
    let out = delivery.out("only");
    let [source, out] = [&source, &out].map(|path| path.to_str().unwrap());
    assert_eq!(loadin(&["verify", out, "--delivery", source, "--replay"]).code, 0);
    assert_eq!(loadin(&["facts", source, "--recipe", &only]).code, 0);
}

/// What the link leads to may be another file at the next visit; then it is another source.
#[test]
fn a_link_that_leads_outside_later_is_an_unusable_source() {
    let (delivery, elsewhere) = delivery();
    delivery.wav("Bass.wav", 48_000, 24, &[signal::noise(3, 0.3, 30_000)]);
    let recipe = recipe(&delivery, "");
    let out = delivery.out("out");
    let (ran, _) = prep(&delivery.path(), &out, &["--recipe", &recipe]);
    assert_eq!(ran.code, 0, "{}{}", ran.out, ran.err);
    let prepared = fs::read(out.join("audio/Bass.wav")).unwrap();
    fs::remove_file(delivery.path().join("Bass.wav")).unwrap();
    symlink(elsewhere.join("Secret.wav"), delivery.path().join("Bass.wav")).unwrap();
    let (ran, manifest) = prep(&delivery.path(), &out, &["--recipe", &recipe]);
    assert_eq!(ran.code, 1, "{}{}", ran.out, ran.err);
    assert!(stem(&manifest, "Bass.wav")["findings"].to_string().contains("replacement-unusable"));
    assert_eq!(fs::read(out.join("audio/Bass.wav")).unwrap(), prepared);
}
