//! What is done with a prepared delivery: checked, made again, undone, its papers written anew.

mod other_reader;
mod session_file;
mod sound_read;
mod undo;

pub mod papers;
pub mod replay;
pub mod restore;
pub mod verify;
