//! Files as they come and as they go: every container that is read or written, through the whole program.

mod archives;
mod beside;
mod containers;
mod large;
mod samples;
mod table;
