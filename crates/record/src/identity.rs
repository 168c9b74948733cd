//! Who a stem is, as its name says it.

use loadin_session::{Details, Role};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// Who a stem is. What the name does not say is empty.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize, Deserialize, JsonSchema)]
pub struct Identity {
    /// What it is: "kick", "lead vocal"; "unsorted" where nothing says it.
    pub role: String,
    /// How sure that is: "clear", "weak" (a folder or a word of several meanings says it), "none".
    pub confidence: String,
    /// Section of the song, place or number: "chorus 2 high".
    pub part: Option<String>,
    /// The section of the song alone: "chorus 2".
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub section: Option<String>,
    /// "left", "centre" or "right".
    pub side: Option<String>,
    /// Number of the take.
    pub take: Option<u16>,
    /// "dry", "wet", "DI", "amp", "tuned", "untuned".
    pub treatments: Vec<String>,
    /// Whether it doubles another stem.
    pub double: bool,
}

impl From<&Role> for Identity {
    fn from(role: &Role) -> Self {
        let details: &Details = &role.details;
        let words = |text: String| Some(text).filter(|text| !text.is_empty());
        Self {
            role: role.family.as_str().to_owned(),
            confidence: role.confidence.as_str().to_owned(),
            part: words(details.part()),
            section: details.section_words(),
            side: details.side.map(|side| side.as_str().to_owned()),
            take: details.take,
            treatments: details.treatments.iter().map(|t| t.as_str().to_owned()).collect(),
            double: details.double,
        }
    }
}
