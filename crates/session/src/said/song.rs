//! What answers say of the song.

use std::collections::BTreeMap;

use crate::facts::{At, Key, Meter};

/// What answers say of the song; all of it may be empty. Times are in seconds after the start of the delivery.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Song {
    /// The title.
    pub title: Option<String>,
    /// Tempi in quarter notes a minute, the first at 0; one where it never changes.
    pub tempi: Vec<At<f64>>,
    /// The meter.
    pub meter: Option<Meter>,
    /// The key.
    pub key: Option<Key>,
    /// Where the first downbeat is.
    pub downbeat_seconds: Option<f64>,
    /// Sections with their places, in order.
    pub sections: Vec<At<String>>,
    /// Names for estimated sections, by their letters.
    pub names: BTreeMap<String, String>,
}

impl Song {
    /// The tempo where it never changes.
    pub fn steady_bpm(&self) -> Option<f64> {
        if let [tempo] = &self.tempi[..] { Some(tempo.what) } else { None }
    }

    /// The keys of the file that say something, as they stand in it.
    pub fn said(&self) -> Vec<&'static str> {
        let said = [
            ("title", self.title.is_some()),
            ("tempo", !self.tempi.is_empty()),
            ("meter", self.meter.is_some()),
            ("key", self.key.is_some()),
            ("first-downbeat", self.downbeat_seconds.is_some()),
            ("section", !self.sections.is_empty()),
            ("section-names", !self.names.is_empty()),
        ];
        said.into_iter().filter(|(_, said)| *said).map(|(key, _)| key).collect()
    }
}
