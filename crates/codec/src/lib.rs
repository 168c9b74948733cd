//! Bytes to sound and back: RIFF family walker and writer, decoders.
//!
//! *Invariants:* everything works on `Read`, `Write` and `Seek`, never on paths; a file is known by its content,
//! never by its name; no size in a header is believed before it is compared with what is there; no input makes it
//! panic, loop, or slip in time.

mod aiff;
mod aiff_write;
mod bext;
mod caf;
mod caf_write;
mod compressed;
mod decoder;
mod described;
mod error;
mod flac_write;
mod format;
mod metadata;
mod mp4;
mod pack;
mod pcm;
mod riff;
mod stream_digest;
mod wav_write;
mod write;

pub use aiff::extended_rate;
pub use aiff_write::fits_aiff;
pub use bext::{BEXT_FIXED_BYTES, Bext, LOUDNESS_UNUSED, coding_history_row, loudness_field};
pub use decoder::{Damage, Decoder, Repair, open};
pub use error::Error;
pub use flac_write::flac_refusal;
pub use format::{Codec, Container, Format, SampleKind};
pub use metadata::{
    Carried, Fate, Marker, Metadata, TimeChange, carry, decoded, hold, readable, with_markers,
    without_markers,
};
pub use stream_digest::StreamDigest;
pub use wav_write::{Chunk, WavSpec, WavWriter};
pub use write::{Output, SoundWriter, Target};
