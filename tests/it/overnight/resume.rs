//! A rerun does what is missing, proves the rest, and says so.

use std::fs;
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

use loadin_audio::signal;
use serde_json::Value;

use super::{assert_same, delivery, outputs, prepared};
use crate::job::{findings, loadin, prep};

fn reused(manifest: &Value) -> u64 {
    manifest["run"]["reused"].as_u64().unwrap()
}

#[test]
fn only_what_changed_is_done_again() {
    let delivery = delivery(6);
    let out = delivery.out("out");
    let (_, first) = prep(&delivery.path(), &out, &[]);
    assert_eq!(reused(&first), 0);
    let (_, again) = prep(&delivery.path(), &out, &[]);
    assert_eq!(reused(&again), 12, "six surveys and six renders");
    // A quieter stem changes nothing for the others; its own survey and render are made again.
    delivery.wav(
        "Stem 02.wav",
        48_000,
        24,
        &[signal::noise(77, 0.05, 62_002), signal::noise(78, 0.05, 62_002)],
    );
    let (_, changed) = prep(&delivery.path(), &out, &["--relink"]);
    assert_eq!(reused(&changed), 10);
    let (_, fresh) = prep(&delivery.path(), &delivery.out("fresh"), &[]);
    assert_eq!(reused(&fresh), 0);
    // The output of the file that is gone could not be made again.
    assert!(out.join("set-aside/03_02.wav").exists());
    fs::remove_dir_all(out.join("set-aside")).unwrap();
    assert_same(&out, &outputs(&delivery.out("fresh")), "after a changed source");
    // Another recipe: the surveys hold, as far as they measured what it needs.
    let (_, other) = prep(&delivery.path(), &out, &["--recipe", "whole-db", "--relink"]);
    assert!((6..12).contains(&reused(&other)), "{}", reused(&other));
}

/// "The file is there" proves nothing: an output of the right name and size with one other bit is somebody's work, after
/// a finished run and after an interrupted one, until it is taken away.
#[test]
fn a_record_is_believed_only_with_its_digest() {
    let (delivery, out, undisturbed) = prepared(3);
    let name = undisturbed.keys().find(|name| name.starts_with("audio/")).unwrap();
    let path = out.join(name);
    let mut bytes = undisturbed[name].clone();
    *bytes.last_mut().unwrap() ^= 1;
    fs::write(&path, &bytes).unwrap();
    for interrupted in [false, true] {
        if interrupted {
            // An interrupted run leaves its lock file.
            fs::write(out.join(".loadin/lock"), "").unwrap();
        }
        let (ran, manifest) = prep(&delivery.path(), &out, &[]);
        assert_eq!(ran.code, 0, "{}", ran.err);
        assert!(ran.out.contains(&format!("{name} was edited")), "{}", ran.out);
        assert_eq!(findings(&manifest["stems"][0]), ["output-edited"]);
        assert!(fs::read(&path).unwrap() == bytes, "it stays");
        assert_eq!(loadin(&["verify", out.to_str().unwrap()]).code, 4);
    }
    fs::remove_file(&path).unwrap();
    let (_, manifest) = prep(&delivery.path(), &out, &[]);
    assert_eq!(reused(&manifest), 5);
    assert_same(&out, &undisturbed, "when it was taken away");
}

#[test]
fn torn_records_cost_work_and_no_truth() {
    let (delivery, out, undisturbed) = prepared(3);
    for (index, entry) in fs::read_dir(out.join(".loadin/journal")).unwrap().flatten().enumerate() {
        let mut bytes = fs::read(entry.path()).unwrap();
        match index % 3 {
            0 => bytes.truncate(bytes.len() / 2),
            1 => bytes[50] ^= 4,
            _ => bytes.clear(),
        }
        fs::write(entry.path(), bytes).unwrap();
    }
    let (ran, manifest) = prep(&delivery.path(), &out, &[]);
    assert_eq!((ran.code, reused(&manifest)), (0, 3), "the manifest proves the outputs");
    assert_same(&out, &undisturbed, "after torn records");
}

fn start(delivery: &loadin_tests::Delivery, out: &str) -> std::process::Child {
    Command::new(env!("CARGO_BIN_EXE_loadin-under-test"))
        .args(["prep", delivery.path().to_str().unwrap(), "--out", delivery.out(out).to_str().unwrap()])
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .expect("the program starts")
}

#[test]
fn two_runs_into_one_folder_are_one_too_many() {
    let delivery = delivery(20);
    let mut first = start(&delivery, "out");
    let lock = delivery.out("out").join(".loadin/lock");
    let begun = Instant::now();
    while fs::read(&lock).map_or(0, |bytes| bytes.len()) == 0 && begun.elapsed() < Duration::from_secs(20) {
        std::thread::sleep(Duration::from_millis(2));
    }
    let second = start(&delivery, "out").wait_with_output().unwrap();
    let text = String::from_utf8_lossy(&second.stderr).into_owned();
    assert_eq!(second.status.code(), Some(3), "{text}");
    assert!(text.contains("another run is at work") && text.contains(&first.id().to_string()), "{text}");
    assert_eq!(first.wait().unwrap().code(), Some(0));
}

#[cfg(unix)]
#[test]
fn the_first_signal_ends_a_run_in_good_order() {
    let delivery = delivery(20);
    let undisturbed = {
        prep(&delivery.path(), &delivery.out("whole"), &[]);
        outputs(&delivery.out("whole"))
    };
    let child = start(&delivery, "out");
    let begun = Instant::now();
    while !delivery.out("out").join(".loadin/lock").exists() && begun.elapsed() < Duration::from_secs(20) {
        std::thread::sleep(Duration::from_millis(2));
    }
    Command::new("kill").args(["-TERM", &child.id().to_string()]).status().expect("a signal");
    let ended = child.wait_with_output().unwrap();
    let text = String::from_utf8_lossy(&ended.stderr).into_owned();
    assert_eq!(ended.status.code(), Some(130), "{text}");
    assert!(text.contains("the same command goes on from there"), "{text}");
    let left = crate::job::tree(&delivery.out("out"));
    assert!(!left.keys().any(|name| name.ends_with(".unfinished")), "{:?}", left.keys());
    assert_eq!(prep(&delivery.path(), &delivery.out("out"), &[]).0.code, 0);
    assert_same(&delivery.out("out"), &undisturbed, "after a signal");
}
