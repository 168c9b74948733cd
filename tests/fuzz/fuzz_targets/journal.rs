//! A record of the journal that somebody has made, with a digest that fits: whatever it says, nothing outside the folder is
//! touched, and a run that ends well leaves the output as it was.
//!
//! The first byte says which record it is; the rest is its line and what stands behind it.
#![no_main]

use std::fs;
use std::path::{Path, PathBuf};
use std::sync::LazyLock;

use loadin_fuzz::folder::{Prepared, STEM, seed};
use loadin_pipeline::after::papers::write_again;
use loadin_pipeline::output::folder::Packaging;
use loadin_storage::disk::RealDisk;
use loadin_storage::records::{Records, Version};
use twox_hash::XxHash3_128;

static PREPARED: LazyLock<Prepared> = LazyLock::new(|| Prepared::new(Packaging::Plain));

const STEPS: [&str; 7] = ["survey", "second-survey", "before", "unmeasured", "render", "failed", "written"];

fn journal() -> PathBuf {
    PREPARED.out().join(".loadin/journal")
}

fn seeds() {
    for (path, bytes) in PREPARED.files().iter().filter(|(path, _)| path.starts_with(".loadin/journal")) {
        let step = path.extension().and_then(|step| step.to_str()).unwrap_or_default();
        let Some(number) = STEPS.iter().position(|known| *known == step) else { continue };
        seed("journal", step, &[&[number as u8], &bytes[33..]].concat());
    }
    let written =
        br#"{"program":"0","results":7,"key":null,"value":{"path":"audio/01_Kick.wav","sha256":"00"}}"#;
    seed("journal", "written", &[&[6], &written[..], b"\n"].concat());
}

libfuzzer_sys::fuzz_target!(init: seeds(), |bytes: &[u8]| {
    loadin_fuzz::let_caught_panics_pass();
    let Some((number, body)) = bytes.split_first() else { return };
    PREPARED.reset();
    let version = Version { program: String::new(), results: 0 };
    let records = Records::open(&RealDisk, journal(), version);
    let place = records.place(STEPS[usize::from(*number) % STEPS.len()], STEM);
    let record = [format!("{:032x}\n", XxHash3_128::oneshot(body)).as_bytes(), body].concat();
    fs::write(place, record).expect("a record");
    // The papers come from the measurements of the journal; then the delivery is prepared again.
    let _ = write_again(&PREPARED.out(), None, &RealDisk, &loadin_report::papers);
    if PREPARED.prepare().is_ok() {
        let output = Path::new("audio/01_Kick.wav");
        let there = fs::read(PREPARED.out().join(output)).ok();
        assert!(there.as_ref() == PREPARED.files().get(output), "the output is not as it was");
    }
    PREPARED.reset();
});
