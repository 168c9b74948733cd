//! Files that are whole or absent, keyed records, locks, and paths as text.
//!
//! *Invariant:* it knows no stem, no plan and no recipe: what is in a file is the business of whoever writes it.
//! *Invariant:* a file appears whole under its final name or not at all.

mod read_back;
mod sha256_pair;

pub mod disk;
pub mod folder_disk;
pub mod inside;
pub mod lock;
pub mod pieces;
pub mod plain_file;
pub mod records;
pub mod store;
pub mod written_path;
