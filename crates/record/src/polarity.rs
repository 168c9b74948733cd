//! How two sounds stand to each other in polarity. A value only.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// How two stems stand in polarity.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Polarity {
    /// They add up.
    Same,
    /// They cancel.
    Inverted,
}

impl Polarity {
    /// The word in papers.
    pub fn as_str(self) -> &'static str {
        match self {
            Self::Same => "same",
            Self::Inverted => "inverted",
        }
    }
}
