//! Reading: a file becomes blocks of sound, whatever its container. Nothing here knows how files are written.

mod aiff;
mod caf;
mod compressed;
mod decoder;
mod extent;
mod flac_frame;
mod flac_head;
mod flac_way;
mod mp4;
mod overlay;
mod pcm;
mod probe;
mod riff;
mod sniff;
mod stream;
mod stream_digest;
mod symphonia_names;

pub use self::decoder::{Decoder, open};
pub use self::stream::{Damage, Repair};
pub use self::stream_digest::StreamDigest;
