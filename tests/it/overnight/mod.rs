//! The overnight run: it loses nothing, goes on where it was, and leaves no half-truth.

mod faults;
mod kill;
mod resume;

use std::collections::BTreeMap;
use std::path::Path;

use loadin_audio::signal;
use loadin_tests::Delivery;

use crate::job::tree;

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

/// Everything that an output folder holds for its user; the manifest without what is allowed to differ.
fn outputs(out: &Path) -> BTreeMap<String, Vec<u8>> {
    let mut files = tree(out);
    files.retain(|name, _| !name.starts_with(".loadin"));
    if let Some(bytes) = files.get_mut("manifest.json") {
        let mut manifest: serde_json::Value = serde_json::from_slice(bytes).expect("a whole manifest");
        manifest.as_object_mut().expect("an object").remove("run");
        *bytes = manifest.to_string().into_bytes();
    }
    files
}

/// Whatever lies under a final name is whole: it is what the undisturbed run has written.
fn assert_whole(out: &Path, undisturbed: &BTreeMap<String, Vec<u8>>, when: &str) {
    for (name, bytes) in outputs(out) {
        if !name.ends_with(".unfinished") {
            assert!(undisturbed.get(&name) == Some(&bytes), "{name} is not whole {when}");
        }
    }
}

fn assert_same(out: &Path, undisturbed: &BTreeMap<String, Vec<u8>>, when: &str) {
    let found = outputs(out);
    assert_eq!(found.keys().collect::<Vec<_>>(), undisturbed.keys().collect::<Vec<_>>(), "{when}");
    assert_whole(out, undisturbed, when);
}
