//! Everything that is written down: surveys, findings, evidence, facts, the manifest and the summary of a batch.
//!
//! *Invariant:* values only. No path is opened here, no thread is started, nothing is decided; a record may be made from
//! another record, and says what it is in words.

pub mod codec;
pub mod digest;
pub mod evidence;
pub mod finding;
pub mod identity;
pub mod late;
pub mod layout;
pub mod link;
pub mod manifest;
mod manifest_error;
pub mod music;
pub mod path_below;
pub mod polarity;
pub mod role;
pub mod rough_mix;
mod run;
pub mod session;
pub mod source;
pub mod summary;
pub mod survey;
pub mod verdict;
pub mod written;
