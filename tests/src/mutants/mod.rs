//! Structure-aware mutants of sound files: fields, sizes, order, missing and doubled chunks, padding, cut ends, check sums.
//! The same number makes the same mutant on every machine. It knows nothing of who reads them.

mod changes;
mod fields;
mod flac;
mod layout;
mod seeds;

pub use seeds::{Seed, head, seeds};

use crate::Random;
use layout::Parts;

/// A changed file.
#[derive(Debug, Clone)]
pub struct Mutant {
    /// The file.
    pub bytes: Vec<u8>,
    /// What was changed, for people.
    pub changes: Vec<String>,
    /// Whether bytes of the samples were changed or are gone.
    pub touched: bool,
    /// Whether the head says, without contradicting itself, that the samples are something else: nobody can know better.
    pub speaks_otherwise: bool,
}

/// The mutant of this number.
///
/// # Panics
/// When a seed is not what it is said to be.
pub fn mutant(seed: &Seed, number: u64) -> Mutant {
    let mut draw = Random::new(number);
    // Most have one change, so that what is found has one cause.
    let times = [1, 1, 1, 2, 2, 3][draw.below(6)];
    let Some(family) = seed.family else { return flac::mutant(&seed.bytes, times, &mut draw) };
    let whole = Parts::of(family, &seed.bytes);
    assert!(whole.to_bytes() == seed.bytes, "{} is not written as it was read", seed.name);
    let (mut parts, mut changes, mut touched) = (whole.clone(), Vec::new(), false);
    for _ in 0..times {
        let change = changes::change(&mut parts, &mut draw);
        touched |= change.touched;
        changes.push(change.text);
    }
    let speaks_otherwise = fields::speak_otherwise(&whole, &parts);
    // What is inserted moves the samples behind the place where the file ends.
    touched |= parts.sound_is_cut();
    Mutant { bytes: parts.to_bytes(), changes, touched, speaks_otherwise }
}
