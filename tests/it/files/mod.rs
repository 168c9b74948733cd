//! Files as they come and as they go: every container that is read or written, through the whole program.

mod archives;
mod beside;
mod containers;
mod large;
#[cfg(unix)]
mod links;
#[cfg(unix)]
mod not_plain;
mod overwritten;
#[cfg(target_os = "linux")]
mod paths;
mod samples;
mod table;
mod unread;
