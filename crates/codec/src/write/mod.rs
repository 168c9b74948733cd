//! Writing: blocks of sound become a file, whose length is known beforehand. Nothing here knows how files are read.

mod aiff;
mod caf;
mod flac;
pub(crate) mod packer;
pub(crate) mod wav;
mod writer;

pub use self::aiff::fits_aiff;
pub use self::flac::flac_refusal;
pub use self::wav::{Chunk, WavSpec, WavWriter};
pub use self::writer::{Output, SoundWriter, Target};
