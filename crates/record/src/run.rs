//! What of a record depends on the host and the hour: its own digest, and no part of any comparison.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::digest::text_digest;

/// What depends on the host and the hour.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize, JsonSchema)]
pub struct Run {
    /// Start, in seconds since 1970-01-01 UTC.
    pub started_unix: u64,
    /// Duration in seconds.
    pub seconds: f64,
    /// Surveys and renders that an earlier run had finished and that were proved again instead of being made again.
    pub reused: u64,
    /// Threads.
    pub threads: usize,
    /// Operating system and processor family.
    pub host: String,
    /// SHA-256, in hex, of this object as compact JSON with an empty `digest`.
    pub digest: String,
}

impl Run {
    /// The object with its own digest.
    #[must_use]
    pub fn sealed(mut self) -> Self {
        self.digest = self.own_digest();
        self
    }

    /// The digest that it should carry.
    pub fn own_digest(&self) -> String {
        let bare = Self { digest: String::new(), ..self.clone() };
        let text = serde_json::to_string(&bare).expect("a run holds nothing that JSON cannot");
        text_digest(&text)
    }
}
