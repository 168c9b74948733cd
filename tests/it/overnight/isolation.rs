//! One bad file costs one file: whatever it is, and whenever it goes bad.

use std::fs;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::sync::{Arc, Mutex};

use loadin_audio::signal;
use loadin_pipeline::output::folder::Packaging;
use loadin_pipeline::run::{self, Job};
use loadin_pipeline::work::context::Context;
use loadin_pipeline::work::event::{Event, Step};
use loadin_pipeline::work::stop::Stop;
use loadin_pipeline::work::watchdog::Patience;
use loadin_plan::recipe::{Recipe, find_shipped};
use loadin_record::manifest::{Manifest, State};
use loadin_storage::disk::RealDisk;
use loadin_tests::Delivery;

use super::delivery_of;
use crate::job::{loadin, prep, stem, tree};

/// Prepares a delivery; `mischief` is done once, when this step begins.
fn prepare_with(
    delivery: &Delivery,
    step: Step,
    mischief: impl FnOnce() + Send + 'static,
) -> Result<Manifest, run::RunError> {
    let recipe = Recipe::parse(find_shipped("mix-prep").unwrap().text).unwrap();
    let mischief = Mutex::new(Some(mischief));
    let listener = move |event: Event<'_>| {
        if matches!(event, Event::Step { step: begun, .. } if begun == step)
            && let Some(mischief) = mischief.lock().unwrap().take()
        {
            mischief();
        }
    };
    let context = Context::new(Stop::new(), Arc::new(listener));
    run::prepare(&Job {
        delivery: &delivery.path(),
        out: &delivery.out("out"),
        song: None,
        packaging: Packaging::Plain,
        recipe: &recipe,
        disk: Arc::new(RealDisk),
        relink: false,
        renew: &[],
        batch: false,
        work: Context { patience: Patience::seconds(1), ..context },
        papers: &|_, _| Vec::new(),
        started_unix: 0,
    })
}

/// The stem called `Stem 01.wav` has failed for a reason with these words; the others are prepared and no half file is left.
fn assert_only_one_failed(delivery: &Delivery, manifest: &Manifest, words: &str) {
    for stem in &manifest.stems {
        let bad = stem.source.path == "Stem 01.wav";
        assert_eq!(stem.state == State::Failed, bad, "{}: {:?}", stem.source.path, stem.error);
        assert_eq!(stem.error.as_ref().is_some_and(|error| error.contains(words)), bad, "{:?}", stem.error);
    }
    let left = tree(&delivery.out("out"));
    assert!(!left.keys().any(|name| name.ends_with(".unfinished")), "{:?}", left.keys());
    assert_eq!(left.keys().filter(|name| name.starts_with("audio/")).count(), manifest.stems.len() - 1);
}

fn bad_stem(delivery: &Delivery) -> PathBuf {
    delivery.path().join("Stem 01.wav")
}

#[test]
fn a_source_that_changes_during_the_run_fails_alone() {
    let delivery = delivery_of(4, 30_000);
    let path = bad_stem(&delivery);
    let mischief = move || {
        let mut bytes = fs::read(&path).unwrap();
        *bytes.last_mut().unwrap() ^= 1;
        fs::write(&path, bytes).unwrap();
    };
    let manifest = prepare_with(&delivery, Step::Render, mischief).unwrap();
    assert_only_one_failed(&delivery, &manifest, "has changed since it was surveyed");
    // Left in peace, the same command prepares it; the others need nothing.
    let (ran, again) = prep(&delivery.path(), &delivery.out("out"), &[]);
    assert_eq!((ran.code, &stem(&again, "Stem 01.wav")["state"]), (0, &"prepared".into()), "{}", ran.err);
}

#[test]
fn a_source_that_goes_during_the_run_fails_alone() {
    for step in [Step::Survey, Step::Render] {
        let delivery = delivery_of(4, 30_000);
        let path = bad_stem(&delivery);
        let manifest = prepare_with(&delivery, step, move || fs::remove_file(&path).unwrap()).unwrap();
        assert_only_one_failed(&delivery, &manifest, "cannot be read");
    }
}

/// Opening a pipe that nobody writes to hangs, as on a share that is gone.
#[cfg(unix)]
#[test]
fn a_source_that_becomes_a_pipe_fails_alone() {
    for step in [Step::Survey, Step::Render] {
        let delivery = delivery_of(4, 30_000);
        let path = bad_stem(&delivery);
        let mischief = move || {
            fs::remove_file(&path).unwrap();
            assert!(Command::new("mkfifo").arg(&path).status().unwrap().success());
        };
        let manifest = prepare_with(&delivery, step, mischief).unwrap();
        assert_only_one_failed(&delivery, &manifest, "no plain file but a pipe");
    }
}

#[cfg(unix)]
#[test]
fn a_delivery_may_be_read_only() {
    use std::os::unix::fs::PermissionsExt;
    let delivery = delivery_of(3, 10_000);
    let before = tree(&delivery.path());
    let permit = |mode: u32| {
        for entry in fs::read_dir(delivery.path()).unwrap().flatten() {
            fs::set_permissions(entry.path(), fs::Permissions::from_mode(mode & 0o666)).unwrap();
        }
        fs::set_permissions(delivery.path(), fs::Permissions::from_mode(mode)).unwrap();
    };
    permit(0o555);
    let (ran, _) = prep(&delivery.path(), &delivery.out("out"), &[]);
    permit(0o755);
    assert_eq!(ran.code, 0, "{}", ran.err);
    assert!(tree(&delivery.path()) == before);
}

/// Spoils a whole file in the way that has this number; what the reason must say.
fn poison(way: usize, path: &Path) -> &'static str {
    let mut bytes = fs::read(path).unwrap();
    let data = bytes.windows(4).position(|word| word == b"data").unwrap();
    let word = match way % 10 {
        0 => {
            bytes.clear();
            "empty"
        }
        1 => {
            bytes.truncate(bytes.len() / 2);
            "missing"
        }
        2 => {
            bytes = b"<html>404 Not Found</html>".to_vec();
            "not audio"
        }
        3 => {
            bytes[22..24].copy_from_slice(&0u16.to_le_bytes());
            "channel"
        }
        4 => {
            bytes[24..28].copy_from_slice(&0u32.to_le_bytes());
            "Hz"
        }
        5 => {
            bytes.truncate(data);
            "only a header"
        }
        6 => {
            bytes[20..22].copy_from_slice(&0x1234u16.to_le_bytes());
            "1234"
        }
        7 => {
            bytes.truncate(data + 8);
            "only a header"
        }
        8 => {
            bytes[22..24].copy_from_slice(&65_535u16.to_le_bytes());
            "channel"
        }
        _ => {
            bytes[34..36].copy_from_slice(&77u16.to_le_bytes());
            "bits"
        }
    };
    fs::write(path, bytes).unwrap();
    word
}

#[test]
fn twenty_poisoned_stems_of_two_hundred_are_named_and_the_rest_prepared() {
    let delivery = Delivery::new("crowd");
    let mut reasons = Vec::new();
    for number in 0..200usize {
        let name = format!("Stem {number:03}.wav");
        let path = delivery.wav(&name, 48_000, 24, &[signal::noise(number as u64, 0.1, 5_000 + number)]);
        if number % 10 == 3 {
            reasons.push((name, poison(number / 10, &path)));
        }
    }
    let (ran, manifest) = prep(&delivery.path(), &delivery.out("out"), &[]);
    assert_eq!(ran.code, 1, "{}", ran.err);
    assert!(ran.out.contains("180 prepared, 0 unchanged, 0 set aside, 20 failed"), "{}", ran.out);
    for (name, word) in reasons {
        let stem = stem(&manifest, &name);
        let error = stem["error"].as_str().unwrap_or_else(|| panic!("{name}: {stem}"));
        assert!(error.contains(word), "{name}: {word}: {error}");
        assert!(ran.out.contains(&name), "{name} is not named: {}", ran.out);
    }
    assert_eq!(loadin(&["verify", delivery.out("out").to_str().unwrap(), "--progress", "none"]).code, 0);
}
