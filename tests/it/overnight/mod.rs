//! The overnight run: it loses nothing, goes on where it was, and leaves no half-truth.

mod batch;
pub(crate) mod faults;
mod isolation;
mod kill;
mod late;
mod resume;

use std::path::{Path, PathBuf};

use loadin_audio::signal;
use loadin_tests::Delivery;

use crate::job::{Files, assert_same_files, comparable, prep};

/// A delivery of stems of one second and more, of two rates.
fn delivery(stems: u64) -> Delivery {
    delivery_of(stems, 48_000)
}

fn delivery_of(stems: u64, least_frames: usize) -> Delivery {
    let delivery = Delivery::new("night");
    for stem in 0..stems {
        let rate = if stem % 4 == 3 { 44_100 } else { 48_000 };
        let frames = least_frames + 7_001 * stem as usize;
        let sound =
            [signal::noise(stem, 0.1, frames), signal::sine(110.0 * (stem + 1) as f64, 0.2, rate, frames)];
        delivery.wav(&format!("Stem {stem:02}.wav"), rate, 24, &sound);
    }
    delivery
}

/// Everything that an output folder holds for its user.
fn outputs(out: &Path) -> Files {
    let mut files = comparable(out);
    files.retain(|name, _| !name.starts_with(".loadin"));
    files
}

/// A delivery that has been prepared into `out`, and what came out.
fn prepared(stems: u64) -> (Delivery, PathBuf, Files) {
    let delivery = delivery(stems);
    let out = delivery.out("out");
    prep(&delivery.path(), &out, &[]);
    let undisturbed = outputs(&out);
    (delivery, out, undisturbed)
}

/// Whatever lies under a final name is whole: it is what the undisturbed run has written.
fn assert_whole(out: &Path, undisturbed: &Files, when: &str) {
    for (name, bytes) in outputs(out) {
        if !name.ends_with(".unfinished") {
            assert!(undisturbed.get(&name) == Some(&bytes), "{name} is not whole {when}");
        }
    }
}

fn assert_same(out: &Path, undisturbed: &Files, when: &str) {
    assert_same_files(&outputs(out), undisturbed, when);
}
