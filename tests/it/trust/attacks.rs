//! An output folder that comes back from a stranger: paths and links in it that lead outside. Whatever is asked of the folder,
//! nothing outside of it is read for one of its own files, written, moved or taken away. As whoever runs the tests, and where that is
//! root, as an ordinary user too.

use std::fs;
use std::os::unix::fs::symlink;
use std::os::unix::process::CommandExt;
use std::path::{Path, PathBuf};

use loadin_audio::signal;
use loadin_tests::Delivery;
use serde_json::{Value, json};

use super::users::{give, stranger};
use crate::job::{Files, assert_same_files, command, prep, run, tree};

/// What the stranger does to the folder `out`, beside which the folder `victim` lies.
type Attack = fn(&Path);

fn manifest(out: &Path, change: impl FnOnce(&mut Value)) {
    let path = out.join("manifest.json");
    let mut manifest: Value = serde_json::from_slice(&fs::read(&path).unwrap()).unwrap();
    change(&mut manifest);
    fs::write(path, manifest.to_string()).unwrap();
}

fn output(out: &Path, path: &str) {
    let path = path.replace("VICTIM", victim(out).to_str().unwrap());
    manifest(out, |manifest| manifest["stems"][0]["output"]["path"] = json!(path));
}

fn pinned(out: &Path, field: &str, name: &str) {
    manifest(out, |manifest| {
        let stem = json!({"sha256": "0", "label": "Kick", "folder": "", "start_frames": null});
        let pin = json!({"link": manifest["link"], "origin_frames": null, "facts": {}, "stems": {"Kick.wav": stem}});
        manifest["late"] = json!({"pin": pin, "files": []});
        manifest["late"]["pin"]["stems"]["Kick.wav"][field] = json!(name);
    });
}

fn victim(out: &Path) -> PathBuf {
    out.parent().unwrap().join("victim")
}

/// A link at `place` to the victim's folder, or to a file in it, in the place of what is there.
fn link(out: &Path, place: &str, to: &str) {
    let real = out.join(place);
    if real.is_dir() {
        fs::remove_dir_all(&real).unwrap();
    } else if real.exists() {
        fs::remove_file(&real).unwrap();
    }
    symlink(victim(out).join(to), real).unwrap();
}

/// A line of the list of checksums for what lies outside.
fn listed(out: &Path, path: &str) {
    let list = out.join("checksums.sha256");
    let mut text = fs::read_to_string(&list).unwrap();
    let sum = sum_of(&victim(out).join("f"));
    let path = path.replace("VICTIM", victim(out).to_str().unwrap());
    text.extend([sum.as_str(), "  ", &path, "\n"]);
    fs::write(list, text).unwrap();
}

fn sum_of(path: &Path) -> String {
    loadin_storage::pieces::digest_file(path).unwrap().sha256
}

const ATTACKS: &[(&str, Attack)] = &[
    ("an output one folder up", |out| output(out, "../victim/f")),
    ("an output up and down", |out| output(out, "audio/../../victim/f")),
    ("an absolute output", |out| output(out, "VICTIM/f")),
    ("an output with an empty name", |out| output(out, "audio//../../victim/f")),
    ("an output with a dot", |out| output(out, "./../victim/f")),
    ("an output with backslashes", |out| output(out, "audio\\..\\..\\victim\\f")),
    ("an output with a drive", |out| output(out, "C:victim/f")),
    ("an output that is a paper", |out| output(out, "recipe.toml")),
    ("an output that is the journal's", |out| output(out, ".loadin/lock")),
    ("an output that is the folder", |out| output(out, "audio")),
    ("an empty output", |out| output(out, "")),
    ("an output that is set aside", |out| output(out, "set-aside/f.wav")),
    ("a promised label that is a path", |out| pinned(out, "label", "../../victim/f")),
    ("a promised label that is absolute", |out| pinned(out, "label", "/tmp/f")),
    ("a promised label of two dots", |out| pinned(out, "label", "..")),
    ("a promised folder that is a path", |out| pinned(out, "folder", "../../victim")),
    ("a list that leads up", |out| listed(out, "../victim/f")),
    ("a list with an absolute path", |out| listed(out, "VICTIM/f")),
    ("a linked output", |out| link(out, "audio/01_Kick.wav", "f")),
    ("a linked output that is the same", |out| link(out, "audio/01_Kick.wav", "01_Kick.wav")),
    ("a linked folder of outputs", |out| link(out, "audio", "")),
    ("a linked folder that is set aside", |out| link(out, "set-aside", "")),
    ("a linked memory", |out| link(out, ".loadin", "")),
    ("a linked journal", |out| link(out, ".loadin/journal", "")),
    ("a linked lock", |out| link(out, ".loadin/lock", "f")),
    ("a linked sign of the end", |out| link(out, ".loadin/finished", "f")),
    ("a linked place of what is taken away", |out| link(out, ".loadin/away", "")),
    ("a linked manifest", |out| link(out, "manifest.json", "f")),
    ("a linked recipe", |out| link(out, "recipe.toml", "f")),
    ("a linked page", |out| link(out, "report.html", "f")),
    ("a linked list", |out| link(out, "checksums.sha256", "f")),
    ("a link to nothing yet", |out| link(out, ".loadin/lock", "new")),
];

/// A prepared folder, and a folder beside it that is nobody's business.
fn prepared(delivery: &Delivery, name: &str) -> PathBuf {
    let out = delivery.out(&format!("{name}/out"));
    let (ran, _) = prep(&delivery.path(), &out, &[]);
    assert_eq!(ran.code, 0, "{}{}", ran.out, ran.err);
    let victim = victim(&out);
    fs::create_dir_all(&victim).unwrap();
    fs::write(victim.join("f"), "the only copy").unwrap();
    fs::write(victim.join("f.wav"), "another one").unwrap();
    fs::copy(out.join("audio/01_Kick.wav"), victim.join("01_Kick.wav")).unwrap();
    out
}

/// Every way to come to the folder: a visit, a late file, a left out stem, a new link, and the commands that only look.
fn visits(delivery: &Delivery, out: &Path, user: Option<u32>) -> Vec<(String, i32)> {
    let (source, to) = (delivery.path(), out.with_file_name("restored"));
    let [source, out, to] = [&source, out, &to].map(|path| path.to_str().unwrap().to_owned());
    let less = delivery.file("../less.toml", LESS.as_bytes());
    let less = less.to_str().unwrap();
    let all: [&[&str]; 7] = [
        &["verify", &out, "--progress", "none"],
        &["restore", &out, "--to", &to, "--progress", "none"],
        &["report", &out],
        &["prep", &source, "--out", &out, "--progress", "none"],
        &["prep", &source, "--out", &out, "--answers", less, "--progress", "none"],
        &["prep", &source, "--out", &out, "--relink", "--progress", "none"],
        &["verify", &out, "--progress", "none"],
    ];
    all.iter()
        .map(|args| {
            let mut command = command();
            if let Some(user) = user {
                command.uid(user).gid(user);
            }
            let ran = run(command.args(*args));
            assert!(!ran.err.contains("panicked"), "{args:?}: {}", ran.err);
            (format!("{} {}", args.join(" "), ran.err), ran.code)
        })
        .collect()
}

const LESS: &str = "answers = 1\n[[stem]]\nstem = \"Kick.wav\"\nleave-out = true\n";

#[test]
fn nothing_outside_is_touched_whatever_the_folder_says() {
    let delivery = Delivery::new("song");
    delivery.wav("Kick.wav", 48_000, 24, &[signal::noise(1, 0.3, 9_000)]);
    delivery.wav("Bass.wav", 48_000, 24, &[signal::noise(2, 0.3, 9_000)]);
    for (index, (attack, act)) in ATTACKS.iter().enumerate() {
        for user in [None, stranger()].into_iter().take(if stranger().is_some() { 2 } else { 1 }) {
            let out = prepared(&delivery, &format!("{index} {user:?}"));
            let before: Files = tree(&victim(&out));
            act(&out);
            // All that the user could do outside is allowed: what is not done is not done by the program alone.
            give(delivery.path().parent().unwrap(), user);
            let ran = visits(&delivery, &out, user);
            assert_same_files(&tree(&victim(&out)), &before, &format!("after {attack} as {user:?}: {ran:?}"));
            assert!(ran.iter().any(|(_, code)| *code != 0), "{attack} as {user:?}: nobody says it: {ran:?}");
        }
    }
}
