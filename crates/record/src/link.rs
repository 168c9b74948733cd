//! What linked stems share: gains, cuts, start and length.
//!
//! It does not know how any of it is decided.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// What the linked stems share.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize, JsonSchema)]
pub struct Link {
    /// The gains, one a link.
    pub gains: Vec<LinkGain>,
    /// Frames cut from the common start.
    pub trim_head_frames: u64,
    /// Frames cut from the common end.
    pub trim_tail_frames: u64,
    /// Frames of every output; 0 where the recipe gives no common length.
    pub length_frames: u64,
    /// Time stamp of the common start, in frames since midnight at the output rate; where there is one start.
    pub timestamp_frames: Option<u64>,
    /// The rate in Hz that most stems have.
    pub majority_hz: u32,
    /// Whether the stems stand where their time stamps say.
    pub by_stamps: bool,
}

/// One gain and the stems that share it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct LinkGain {
    /// The link: the delivery, a group, or a stem.
    pub scope: String,
    /// The gain in dB; the factor is exactly that of this number.
    pub gain_db: f64,
    /// The loudest peak of the link before it, in dB of the target's unit.
    pub loudest_db: f64,
}
