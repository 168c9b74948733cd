//! Every decision: the recipe, the answers, the draft of a delivery, the stages, and the plan that comes of them.
//!
//! *Invariant:* pure. The plan is a function of recipe, answers, surveys, evidence and, for late files, of what is pinned; no file is
//! opened here and no thread started, so that every rule can be tested without audio.
//! *Invariant:* doubt is a finding, never a change.

mod drafting;
mod look;
mod markers;
mod mistakes;
mod notice;
mod planning;
mod settled;
#[cfg(test)]
mod testing;

pub mod answers;
pub mod draft;
pub mod music;
pub mod placement;
pub mod plan;
pub mod recipe;
pub mod shape;
pub mod stages;
pub mod values;
pub mod visit;

pub use self::look::scopes;
pub use self::mistakes::{Mistake, Mistakes};
pub use self::planning::{Given, Planned, placed, plan, starts, stated_starts};
