//! The papers for people, through the whole program: the page, the note to the client, the index of a batch.
//!
//! The pages that need a browser to be judged are left in the tests' temporary folder; `tests/browser` opens them.

mod again;
mod hostile;
mod hundred;
mod note;
mod numbers;
mod waveform;

use std::fs;
use std::path::{Path, PathBuf};

use loadin_audio::signal;
use loadin_tests::Delivery;

/// Leaves a page for the browser.
fn leave_for_browser(name: &str, page: &str) {
    let folder = Path::new(env!("CARGO_TARGET_TMPDIR")).join("pages");
    fs::create_dir_all(&folder).unwrap();
    fs::write(folder.join(name), page).unwrap();
}

/// Leaves the prepared sound beside the pages.
fn leave_audio_for_browser(out: &Path) {
    let folder = Path::new(env!("CARGO_TARGET_TMPDIR")).join("pages/audio");
    fs::create_dir_all(&folder).unwrap();
    for entry in fs::read_dir(out.join("audio")).unwrap() {
        let path = entry.unwrap().path();
        fs::copy(&path, folder.join(path.file_name().unwrap())).unwrap();
    }
}

fn demo() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../demo/delivery")
}

fn read(path: &Path) -> String {
    fs::read_to_string(path).unwrap_or_else(|error| panic!("{}: {error}", path.display()))
}

/// A delivery in which there is nothing to ask.
fn clean() -> Delivery {
    let delivery = Delivery::new("Clean");
    for (name, seed) in [("Kick.wav", 1), ("Bass.wav", 2)] {
        delivery.wav(name, 48_000, 24, &[signal::noise(seed, 0.25, 96_000)]);
    }
    delivery
}
