//! What stands beside the samples: kept in the words of RIFF whatever the container, so that it can be carried to a WAV
//! file; moved in time with the sound; and its texts, readable. Nothing here knows how samples are read or written.

pub(crate) mod aiff;
pub(crate) mod caf;
mod chunks;
mod cue;
mod fit_container;
pub(crate) mod flac;
mod id3;
mod info;
mod ixml;
mod list;
mod marks;
mod retime;
pub(crate) mod rifx;
mod sorted;
pub(crate) mod tags;
mod text;
mod texts;
mod time_change;

pub use self::chunks::Metadata;
pub use self::fit_container::fit_container;
pub use self::marks::{Marker, with_markers, without_markers};
pub use self::retime::carry;
pub use self::text::{decoded, readable};
pub use self::time_change::{Carried, Fate, TimeChange};
