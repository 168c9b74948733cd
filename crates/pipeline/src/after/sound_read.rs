//! What a reader has found in a prepared file, or why it has found nothing. It reads nothing itself.

use std::io;

/// What a reader found in an output.
#[derive(Debug, PartialEq)]
pub(super) struct SoundRead {
    pub(super) rate_hz: u32,
    pub(super) channels: u16,
    pub(super) bits: u16,
    pub(super) float: bool,
    pub(super) frames: u64,
    pub(super) peak: f64,
}

/// Why a reader found nothing in an output. Every cause stands in the text, and not behind it once more.
#[derive(Debug, thiserror::Error)]
pub(super) enum SoundReadError {
    /// The file system does not give it.
    #[error(transparent)]
    Disk(#[from] io::Error),
    /// Hound does not read it.
    #[error("an independent reader refuses it: {cause}")]
    RefusedByHound {
        /// What is wrong.
        cause: hound::Error,
    },
    /// Symphonia does not read it.
    #[error("an independent reader refuses it: {cause}")]
    RefusedBySymphonia {
        /// What is wrong.
        cause: symphonia::core::errors::Error,
    },
    /// There is no sound in it.
    #[error("an independent reader finds no sound in it")]
    NoSound,
    /// Its sound is not the one that was written.
    #[error("its sound does not match the digest that it carries")]
    OtherDigest,
    /// Our own reader, where no other one can, does not read it.
    #[error(transparent)]
    Codec(#[from] loadin_codec::Error),
}
