//! The RIFF family: RIFF, RF64, BW64, RIFX and Wave64. Our own walker, since many files in the wild have wrong sizes, and
//! since what stands beside the samples must not be lost.
//!
//! Sources: Multimedia Programming Interface and Data Specifications 1.0 (1991), EBU Tech 3306, ITU-R BS.2088.

mod data;
mod fmt;
mod justified;
mod open;
mod walk;
pub(super) mod wave64;

pub(super) use self::open::{Sound, open};
