//! What linked stems share: gains, cuts, start and length.
//!
//! It does not know how any of it is decided.

use std::fmt;
use std::str::FromStr;

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

/// The stems that are bound to each other: they share a gain, or a window of the common time line.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(into = "String", try_from = "String")]
pub enum Linked {
    /// All of the delivery.
    Delivery,
    /// Those of the group with this name.
    Group(String),
    /// One alone, by the path of its first source.
    Stem(String),
}

/// A text names no stems that are bound to each other.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("found \"{found}\", allowed is \"delivery\", \"group\" and its name, or \"stem\" and its path")]
pub struct LinkedError {
    /// The text.
    pub found: String,
}

impl fmt::Display for Linked {
    /// The words of the record: "delivery", "group drums", "stem Kick.wav".
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Delivery => f.write_str("delivery"),
            Self::Group(name) => write!(f, "group {name}"),
            Self::Stem(path) => write!(f, "stem {path}"),
        }
    }
}

impl FromStr for Linked {
    type Err = LinkedError;

    fn from_str(text: &str) -> Result<Self, LinkedError> {
        match text.split_once(' ') {
            None if text == "delivery" => Ok(Self::Delivery),
            Some(("group", name)) => Ok(Self::Group(name.to_owned())),
            Some(("stem", path)) => Ok(Self::Stem(path.to_owned())),
            _ => Err(LinkedError { found: text.to_owned() }),
        }
    }
}

impl From<Linked> for String {
    fn from(linked: Linked) -> Self {
        linked.to_string()
    }
}

impl TryFrom<String> for Linked {
    type Error = LinkedError;

    fn try_from(text: String) -> Result<Self, LinkedError> {
        text.parse()
    }
}

/// One gain and the stems that share it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct LinkGain {
    /// The link: the delivery, a group, or a stem.
    #[schemars(with = "String")]
    pub scope: Linked,
    /// The gain in dB; the factor is exactly that of this number.
    pub gain_db: f64,
    /// The loudest peak of the link before it, in dB of the target's unit.
    pub loudest_db: f64,
    /// The stem with that peak, by the path of its first source; absent in manifests of earlier versions.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub decided_by: Option<String>,
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_linked_is_read_as_it_is_written() {
        for (linked, text) in [
            (Linked::Delivery, "delivery"),
            (Linked::Group("lead vocals".to_owned()), "group lead vocals"),
            (Linked::Stem("Set 1/Kick  in.wav".to_owned()), "stem Set 1/Kick  in.wav"),
        ] {
            assert_eq!(serde_json::to_value(&linked).unwrap(), text);
            assert_eq!(serde_json::from_value::<Linked>(text.into()).unwrap(), linked);
        }
        for wrong in ["", "deliveries", "delivery ", "group", "stems a.wav"] {
            assert_eq!(wrong.parse::<Linked>(), Err(LinkedError { found: wrong.to_owned() }));
        }
    }
}
