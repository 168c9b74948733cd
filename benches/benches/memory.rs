//! Peak memory of a whole run against the length of its one stem: 24-bit stereo of 10 and of 60 minutes.
//!
//! `cargo bench -p loadin-benches --bench memory` prints the figures; Linux only, where a process tells its own peak.
#![expect(clippy::print_stdout, reason = "a bench prints its figures")]

use std::fs;
use std::process::{Command, Stdio};
use std::thread::sleep;
use std::time::Duration;

use loadin_benches::{is_asked, write_stem};

/// The greatest resident memory of a run, in KiB, as the system counts it.
fn peak_kib(minutes: usize) -> Option<u64> {
    let folder = tempfile::tempdir().expect("a folder");
    let delivery = folder.path().join("delivery");
    fs::create_dir(&delivery).expect("a folder");
    write_stem(&delivery.join("Long.wav"), 1, 48_000, 60 * minutes).expect("a stem");
    let mut child = Command::new(env!("CARGO_BIN_EXE_loadin-under-bench"))
        .arg("prep")
        .arg(&delivery)
        .arg("--out")
        .arg(folder.path().join("out"))
        .args(["--progress", "none"])
        .stdout(Stdio::null())
        .spawn()
        .expect("the program runs");
    let mut peak = None;
    loop {
        // The peak can only grow, so the last reading before the end is it.
        let status = fs::read_to_string(format!("/proc/{}/status", child.id())).unwrap_or_default();
        let line = status.lines().find_map(|line| line.strip_prefix("VmHWM:"));
        peak = line.and_then(|text| text.trim().trim_end_matches(" kB").trim().parse().ok()).or(peak);
        if let Some(ended) = child.try_wait().expect("a child") {
            assert!(ended.success(), "{ended}");
            return peak;
        }
        sleep(Duration::from_millis(5));
    }
}

fn main() {
    if !is_asked() {
        return;
    }
    for minutes in [10, 60] {
        match peak_kib(minutes) {
            Some(kib) => {
                println!("{minutes} minutes: {:.1} MB peak resident memory", kib as f64 * 1024.0 / 1e6);
            }
            None => println!("{minutes} minutes: this system does not tell"),
        }
    }
}
