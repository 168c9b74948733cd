//! Digests and texts as records have them: SHA-256 in lower-case hex, JSON with one final newline.
//!
//! It knows no record; what is digested here is in memory already.

use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};

/// A finished file.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Stored {
    /// Size in bytes.
    pub bytes: u64,
    /// SHA-256 in hex.
    pub sha256: String,
}

/// Lower-case hex.
pub fn hex(bytes: &[u8]) -> String {
    use std::fmt::Write as _;
    bytes.iter().fold(String::with_capacity(bytes.len() * 2), |mut text, byte| {
        // Writing to a string cannot fail.
        let _ = write!(text, "{byte:02x}");
        text
    })
}

/// SHA-256 of a text, in hex.
pub fn text_digest(text: &str) -> String {
    digest(text.as_bytes())
}

/// SHA-256 of bytes, in hex.
pub fn digest(bytes: &[u8]) -> String {
    hex(&Sha256::digest(bytes))
}

/// A value as indented JSON with one final newline.
pub fn json_text(value: &impl Serialize) -> String {
    serde_json::to_string_pretty(value).expect("a record holds nothing that JSON cannot") + "\n"
}
