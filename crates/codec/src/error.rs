//! What can be wrong with a file, with the numbers. Knows no path: whoever opened the file names it.

use std::{fmt, io};

/// Why a file cannot be read or written.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum Error {
    /// Reading or writing failed.
    #[error("reading or writing failed: {0}")]
    Io(#[from] io::Error),
    /// The first bytes are those of something else.
    #[error("it is not audio but {found}")]
    NotAudio {
        /// What they look like.
        found: String,
    },
    /// The file contradicts its format.
    #[error("it is malformed: {what} (at byte {at_byte})")]
    Malformed {
        /// What is wrong.
        what: String,
        /// At which byte of the file, as far as known; 0 where it is not.
        at_byte: u64,
    },
    /// The file may be sound, but there is no reader for it.
    #[error("it cannot be read here: {what}")]
    Unsupported {
        /// What there is no reader for.
        what: String,
    },
    /// A number is outside what is allowed.
    #[error("its header says {found} {what}, allowed is {allowed}")]
    Limit {
        /// What the number counts.
        what: String,
        /// What is allowed.
        allowed: String,
        /// What was found.
        found: String,
    },
    /// A sample is not a number, or infinite.
    #[error("a sample is not a finite number (channel {}, frame {frame}); ask for the file again", channel + 1)]
    NotFinite {
        /// Channel, from 0.
        channel: usize,
        /// Frame, from 0.
        frame: u64,
    },
    /// There is a header and no sound.
    #[error("there is no audio in it, only a header; ask for the file again")]
    NoAudio,
    /// A writer was given another number of frames than it was promised.
    #[error("{found} frames were written, {promised} were promised")]
    FrameCount {
        /// Frames that were promised.
        promised: u64,
        /// Frames that were written.
        found: u64,
    },
}

impl Error {
    pub(crate) fn malformed(what: impl Into<String>, at_byte: u64) -> Self {
        Self::Malformed { what: what.into(), at_byte }
    }

    pub(crate) fn unsupported(what: impl Into<String>) -> Self {
        Self::Unsupported { what: what.into() }
    }

    pub(crate) fn limit(what: &str, allowed: impl fmt::Display, found: impl fmt::Display) -> Self {
        Self::Limit { what: what.to_owned(), allowed: allowed.to_string(), found: found.to_string() }
    }
}
