//! An invented song, played by synthesis and delivered with every fault that a mix engineer meets.
//!
//! The delivery that this crate makes is committed beside it, in `delivery`. It depends on no clock, no random source
//! and no mathematics of the platform, so it is the same, byte for byte, on every machine; a test compares the two.
//! `delivery.rs` tells the scenario and seeds the faults; `song.rs` is the score; the rest makes sound and files of it.
//!
//! *Invariant:* what is faulty is faulty on purpose. Apart from the seeded faults the stems are sound.

mod band;
mod bits;
mod delivery;
mod files;
mod flac;
mod noise;
mod predict;
mod reverb;
mod song;
mod synth;
mod voice;

use std::io;
use std::path::PathBuf;

pub use band::{LOUDEST_DBFS, bells, riser_start};
pub use delivery::{BASE_STAMP, DemoFile, PAD_OFFSET, files, high_start, write};

/// Why the delivery could not be made.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum Error {
    /// A folder or file could not be written.
    #[error("cannot write \"{}\": {source}", path.display())]
    Write {
        /// Which.
        path: PathBuf,
        /// What the file system said.
        source: io::Error,
    },
    /// The Broadcast WAV writer refused.
    #[error("cannot make a Broadcast WAV file: {0}")]
    Wav(#[from] loadin_codec::Error),
    /// The plain WAV writer refused.
    #[error("cannot make a WAV file: {0}")]
    PlainWav(#[from] hound::Error),
    /// The AIFF writer refused.
    #[error("cannot make an AIFF file: {0:?}")]
    Aiff(aifc::AifcError),
}
