//! What a delivery states of the music: names, notes, MIDI files and markers, as facts and their contradictions.
//!
//! It reads no file, and of estimates it knows no more than that sure ones may name a session.

mod answered;
mod markers;
mod session_name;
mod stated;

pub use self::answered::{answer_facts, name_sections};
pub use self::markers::markers_in;
pub use self::session_name::session_title;
pub use self::stated::Music;
