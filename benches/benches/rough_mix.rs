//! What asking the rough mix costs of a plan: 40 stems of four minutes and their sum, once called a rough mix and once only a
//! reference, which is surveyed and not compared. On one thread; it writes 2.8 GB into a temporary folder, which go with it.
//! `cargo bench -p loadin-benches --bench rough_mix`.
#![expect(clippy::print_stdout, reason = "a bench prints its figures")]

use std::fs;
use std::path::Path;
use std::process::{Command, Stdio};
use std::time::Instant;

use loadin_benches::{is_asked, write_mixed};

const RATE_HZ: u32 = 48_000;
const STEMS: u64 = 40;
const SECONDS: usize = 240;
const TURNS: usize = 3;

/// Seconds that a plan takes.
fn plan(delivery: &Path) -> f64 {
    let start = Instant::now();
    let status = Command::new(env!("CARGO_BIN_EXE_loadin-under-bench"))
        .arg("plan")
        .arg(delivery)
        .args(["--jobs", "1", "--progress", "none"])
        .stdout(Stdio::null())
        .status()
        .expect("the program runs");
    assert!(status.success(), "{status}");
    start.elapsed().as_secs_f64()
}

fn main() {
    if !is_asked() {
        return;
    }
    let folder = tempfile::tempdir().expect("a folder");
    let delivery = folder.path().join("delivery");
    fs::create_dir(&delivery).expect("a folder");
    let (asked, not_asked) = (delivery.join("Rough Mix.wav"), delivery.join("Reference.wav"));
    write_mixed(&delivery, "Rough Mix.wav", STEMS, RATE_HZ, SECONDS).expect("stems and a mix");
    let mut shares: Vec<f64> = (0..TURNS)
        .map(|_| {
            let with = plan(&delivery);
            fs::rename(&asked, &not_asked).expect("another name");
            let without = plan(&delivery);
            fs::rename(&not_asked, &asked).expect("its own name");
            println!("{with:.1} s with a rough mix, {without:.1} s with the same file as a reference");
            1.0 - without / with
        })
        .collect();
    shares.sort_by(f64::total_cmp);
    println!(
        "{STEMS} stems of {SECONDS} s: asking the rough mix takes {:.3} of the plan ({:.3} to {:.3})",
        shares[TURNS / 2],
        shares[0],
        shares[TURNS - 1]
    );
}
