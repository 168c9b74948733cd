//! Black-box and reference tests of the whole program. One folder a subject.
#![expect(clippy::unwrap_used, reason = "a test that cannot go on shall stop")]

mod answers;
mod demo;
mod estimate;
mod files;
mod house;
mod job;
mod metadata;
mod mutations;
mod overnight;
mod papers;
mod recipes;
mod reference_audio;
pub(crate) mod reference_codec;
mod reference_session;
mod report;
mod session_file;
mod session_sense;
mod terminal;
mod trust;
mod units;
mod visits;
