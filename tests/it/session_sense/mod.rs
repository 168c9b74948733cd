//! What the program makes of a delivery's names and notes: facts of the music, `session.mid`, roles.

mod facts;
mod midi;
mod roles;
