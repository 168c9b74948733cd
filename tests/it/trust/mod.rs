//! Trust: what was prepared can be checked, made again, undone and packed.

#[cfg(target_os = "linux")]
mod attacks;
mod bag;
#[cfg(target_os = "linux")]
mod limits;
#[cfg(target_os = "linux")]
mod mutants;
#[cfg(unix)]
mod races;
mod replay;
mod restore;
#[cfg(target_os = "linux")]
mod users;

use std::path::{Path, PathBuf};

use loadin_audio::signal;
use loadin_tests::Delivery;

/// Thirty stems of two rates and three depths, some of them with a fault that a stage mends.
fn thirty() -> Delivery {
    let delivery = Delivery::new("thirty");
    for stem in 0..30u64 {
        let rate = if stem % 5 == 4 { 44_100 } else { 48_000 };
        let frames = 40_000 + 3_001 * stem as usize;
        let name = format!("Stem {stem:02}.wav");
        let mut left = signal::noise(stem, 0.11, frames);
        let right = signal::noise(1_000 + stem, 0.09, frames);
        if stem % 6 == 5 {
            for sample in &mut left {
                *sample += 0.01;
            }
        }
        match stem % 4 {
            0 => delivery.wav(&name, rate, 16, &[left]),
            1 => delivery.wav(&name, rate, 24, &[left.clone(), left]),
            2 => delivery.wav(&name, rate, 24, &[left, right]),
            _ => delivery.float_wav(&name, rate, &[left, right]),
        };
    }
    delivery
}

fn demo() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../demo/delivery")
}
