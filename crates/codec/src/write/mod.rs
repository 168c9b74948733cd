//! Writing: blocks of sound become a file, whose length is known beforehand. Nothing here knows how files are read.

mod aiff;
mod caf;
mod flac;
mod output;
mod packer;
mod spec;
mod wav;
mod writer;

pub use self::aiff::fits_aiff;
pub use self::flac::flac_refusal;
pub use self::output::Output;
pub use self::spec::WavSpec;
pub use self::wav::WavWriter;
pub use self::writer::SoundWriter;
