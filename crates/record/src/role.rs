//! Whether a file is one of the stems or a reference. It does not know how that is decided.

use serde::{Deserialize, Serialize};

/// What a file is for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum StemRole {
    /// It is mixed: what the stems share binds it.
    Stem,
    /// It is listened to beside the mix, such as a rough mix: it follows the stems and has no say in what they share.
    Reference,
}

impl StemRole {
    /// The word in the record and in papers.
    pub fn as_str(self) -> &'static str {
        match self {
            Self::Stem => "stem",
            Self::Reference => "reference",
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_record_and_the_papers_use_one_word() {
        for role in [StemRole::Stem, StemRole::Reference] {
            assert_eq!(serde_json::to_value(role).unwrap(), role.as_str());
            assert_eq!(serde_json::from_value::<StemRole>(role.as_str().into()).unwrap(), role);
        }
    }
}
