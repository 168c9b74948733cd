//! Bytes to sound and back: RIFF family walker and writer, decoders.
//!
//! *Invariants:* everything works on `Read`, `Write` and `Seek`, never on paths; a file is known by its content,
//! never by its name; no size in a header is believed before it is compared with what is there; no input makes it
//! panic, loop, or slip in time.

mod bext;
mod chunk;
mod error;
mod extended_float;
mod format;
mod metadata;
mod pack;
mod read;
mod write;

pub use bext::{BEXT_FIXED_BYTES, Bext, LOUDNESS_UNUSED, coding_history_row, loudness_field};
pub use chunk::Chunk;
pub use error::Error;
pub use extended_float::extended_rate;
pub use format::{Codec, Container, Format, SampleKind, Target};
pub use metadata::{
    Carried, Fate, Marker, Metadata, TimeChange, carry, decoded, fit_container, readable, with_markers,
    without_markers,
};
pub use read::{Damage, Decoder, Repair, StreamDigest, open};
pub use write::{Output, SoundWriter, WavSpec, WavWriter, fits_aiff, flac_refusal};
