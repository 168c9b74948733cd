//! Recipe, survey, plan, stages, render, run, manifest, storage.
//!
//! *Invariants:* a delivery is only read; the plan is a pure function of recipe and surveys; nothing here prints,
//! reads an argument or a variable of the environment.

mod audio_folder;
mod bag;
mod bench;
mod content;
mod hands;
mod hashed;
mod journal;
mod out_folder;
mod pin;
mod record;
mod sums;
mod turns;
mod watch;

pub mod carried;
pub mod event;
pub mod late;
pub mod manifest_file;
pub mod papers;
pub mod render;
pub mod replay;
pub mod restore;
pub mod run;
pub mod scan;
pub mod shelf;
pub mod stated;
pub mod stop;
pub mod survey;
pub mod units;
pub mod verify;

pub use bench::Bench;
pub use out_folder::{OutFolderError, Packaging, outputs_of};
pub use watch::Patience;
