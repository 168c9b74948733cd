//! Bytes to sound and back: RIFF family walker and writer, decoders.
//!
//! *Invariants:* everything works on `Read`, `Write` and `Seek`, never on paths; a file is known by its content,
//! never by its name; no size in a header is believed before it is compared with what is there; no input makes it
//! panic, loop, or slip in time.

mod bext;
mod error;
mod format;
mod metadata;
mod read;
mod write;

pub use bext::{BEXT_FIXED_BYTES, Bext, LOUDNESS_UNUSED, coding_history_row, loudness_field};
pub use error::Error;
pub use format::{Codec, Container, Format, SampleKind};
pub use metadata::{
    Carried, Fate, Marker, Metadata, TimeChange, carry, decoded, hold, readable, with_markers,
    without_markers,
};
pub use read::{Damage, Decoder, Repair, StreamDigest, extended_rate, open};
pub use write::{Chunk, Output, SoundWriter, Target, WavSpec, WavWriter, fits_aiff, flac_refusal};
