//! What measured sound says about a delivery, beside what names say. Estimates come with their numbers, and where they
//! are not sure they say so; nothing here changes a sound or overrules a statement.

mod kin;
mod rate_label;
mod siblings;

pub use kin::{Kin, kin};
pub use rate_label::{RateDoubt, TimedStem, rate_doubts};
pub use siblings::{SiblingDoubt, SiblingFit, sibling_doubts};
