//! Reading: a file becomes blocks of sound, whatever its container. Nothing here knows how files are written.

mod aiff;
pub(crate) mod caf;
mod compressed;
mod decoder;
mod described;
mod mp4;
mod pcm;
mod riff;
mod stream_digest;

pub use self::aiff::extended_rate;
pub use self::decoder::{Damage, Decoder, Repair, open};
pub use self::stream_digest::StreamDigest;
