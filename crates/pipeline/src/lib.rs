//! Recipe, survey, plan, stages, render, run, manifest, storage.
//!
//! *Invariants:* a delivery is only read; the plan is a pure function of recipe and surveys; nothing here prints,
//! reads an argument or a variable of the environment.

mod audio_folder;
mod bag;
mod bench;
mod content;
mod ensemble;
mod hands;
mod hashed;
mod journal;
mod key;
mod notes;
mod out_folder;
mod pin;
mod record;
mod sketch;
mod sums;
mod turns;
mod watch;

pub mod carried;
pub mod estimates;
pub mod event;
pub mod heard;
pub mod hint;
pub mod late;
pub mod manifest_file;
pub mod music;
pub mod papers;
pub mod places;
pub mod plan;
pub mod recipe;
pub mod render;
pub mod replay;
pub mod restore;
pub mod rough;
pub mod run;
pub mod scan;
pub mod shelf;
pub mod siblings;
pub mod stages;
pub mod stop;
pub mod survey;
pub mod units;
pub mod verify;

pub use bench::Bench;
pub use out_folder::{OutFolderError, Packaging, outputs_of};
pub use watch::Patience;
