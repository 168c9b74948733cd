//! What a delivery states of the music: names, notes, MIDI files and markers, as facts and their contradictions.
//!
//! It reads no file, and knows no estimate.

mod answered;
mod markers;
mod session_name;
mod stated;

pub use self::answered::{answer_facts, name_sections};
pub use self::markers::markers_in;
pub use self::stated::Music;
