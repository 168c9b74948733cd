//! What the client states of the music: tempo, meter, key, title, markers, from names, notes and MIDI files.
//!
//! Nothing is estimated here, and nothing is decided where statements contradict each other.

mod key;
mod markers;
mod meter;
mod midi;
mod midi_write;
mod song;
mod stated;
mod statements;
mod tempo;
mod words;

pub use key::Key;
pub use markers::{Clash, is_one_marker, merged_markers, same_markers};
pub use meter::Meter;
pub use midi::{At, Midi, bpm_of, read_midi};
pub use midi_write::{SessionMap, micros_of};
pub use stated::Stated;
pub use statements::{Material, Statements, agreed, key_of, statements};
pub use tempo::Tempo;
