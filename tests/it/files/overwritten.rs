//! A file that is written over while it is surveyed: what is prepared is one of the two files, whole, or nothing.

use std::fs::{self, OpenOptions};
use std::io::Write;
use std::thread;
use std::time::Duration;

use loadin_audio::signal;
use loadin_tests::Delivery;
use sha2::{Digest, Sha256};

use crate::job::{prep, stem};

/// Moments at which the writing begins; how long a survey takes nobody knows.
const TRIES: u64 = 12;

fn sha256(bytes: &[u8]) -> String {
    Sha256::digest(bytes).iter().map(|byte| format!("{byte:02x}")).collect()
}

#[test]
fn no_mixture_of_two_files_is_prepared() {
    let delivery = Delivery::new("song");
    let write = |seed: u64| {
        let channels = [signal::noise(seed, 0.2, 48_000 * 60), signal::noise(seed + 1, 0.2, 48_000 * 60)];
        fs::read(delivery.wav("Pad.wav", 48_000, 24, &channels)).unwrap()
    };
    let files = [write(1), write(11)];
    let known = files.each_ref().map(|bytes| sha256(bytes));
    let path = delivery.path().join("Pad.wav");
    for number in 0..TRIES {
        fs::write(&path, &files[0]).unwrap();
        let writing = thread::spawn({
            let (path, other) = (path.clone(), files[1].clone());
            move || {
                thread::sleep(Duration::from_millis(20 * number));
                let mut file = OpenOptions::new().write(true).open(path).unwrap();
                for half in other.chunks(other.len() / 2 + 1) {
                    file.write_all(half).unwrap();
                    thread::sleep(Duration::from_millis(60));
                }
            }
        });
        let (ran, manifest) = prep(&delivery.path(), &delivery.out(&format!("out {number}")), &[]);
        writing.join().unwrap();
        let found = stem(&manifest, "Pad.wav");
        if found["state"] == "failed" {
            assert_eq!(ran.code, 1, "{}{}", ran.out, ran.err);
            continue;
        }
        let digest = found["source"]["sha256"].as_str().unwrap().to_owned();
        assert!(
            known.contains(&digest),
            "try {number}: what was prepared is no file: {}{}",
            ran.out,
            ran.err
        );
    }
}
