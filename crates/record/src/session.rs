//! A session as a value: what a workstation would hold when it is opened, and the file that says it in an output folder.
//!
//! `session.mid` and the session file (`DAWproject`) are written from one [`Session`], so that they cannot contradict each
//! other. It does not know how either of them is written.

use loadin_session::facts::{At, Key, Meter};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// What the session file's name ends with.
pub const ENDING: &str = ".dawproject";

/// Longest name of the session file in characters, less its ending: common practice, no source.
const MOST_CHARS: usize = 80;

/// The file that opens the prepared stems as a session.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct SessionFile {
    /// Its name inside the output folder, given at the first preparation: what becomes known later changes its contents.
    pub name: String,
    /// The groups in the recipe's order.
    pub groups: Vec<String>,
    /// Why there is none; null where there is one.
    pub left_out: Option<String>,
}

impl SessionFile {
    /// The name for a session of that title; "session" where nothing is known.
    pub fn name_for(title: &str) -> String {
        let title = loadin_session::safe_file_name(title, MOST_CHARS);
        format!("{}{ENDING}", title.as_deref().unwrap_or("session"))
    }

    /// Its name where there is such a file and the name is one that this program gives: never a path.
    pub fn written(&self) -> Option<&str> {
        Some(self.name.as_str()).filter(|_| self.left_out.is_none() && self.is_named_well())
    }

    /// Whether the name could have been given here.
    pub fn is_named_well(&self) -> bool {
        let title = self.name.strip_suffix(ENDING);
        title.is_some_and(|title| loadin_session::safe_file_name(title, MOST_CHARS).as_deref() == Some(title))
    }
}

/// Whether workstations can link the output at this path: WAV and AIFF are what all of them read (common practice, no source).
pub fn is_linkable(path: &str) -> bool {
    path.rsplit_once('.').is_some_and(|(_, ending)| matches!(ending, "wav" | "aif"))
}

/// A session. Times are seconds from its zero, which is the first frame of the prepared stems.
#[derive(Debug, Clone, PartialEq)]
pub struct Session {
    /// Its title.
    pub title: String,
    /// What has to be said of it, a sentence each.
    pub notes: Vec<String>,
    /// The rate that most of its files have, in Hz.
    pub rate_hz: u32,
    /// Time stamp of its zero, in frames since midnight at that rate.
    pub first_timestamp_frames: u64,
    /// Its length in seconds.
    pub seconds: f64,
    /// The outermost groups, in order.
    pub groups: Vec<SessionGroup>,
    /// The rough mix and other references: outside of the groups, and muted.
    pub references: Vec<SessionTrack>,
    /// Tempi in microseconds a quarter note, the first one at zero; empty where none is stated or sure.
    pub tempi: Vec<At<u32>>,
    /// Meters; each begins a bar.
    pub meters: Vec<At<Meter>>,
    /// The key.
    pub key: Option<Key>,
    /// The client's markers.
    pub markers: Vec<At<String>>,
    /// Sections, in whose places there are markers where the client has none.
    pub sections: Vec<At<String>>,
    /// Prepared files that are not in it, by path, and why.
    pub left_out: Vec<(String, String)>,
}

/// A group of tracks, which a submix plays together.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct SessionGroup {
    /// Its name.
    pub name: String,
    /// Its colour as `#rrggbb`; groups that tell nothing have none.
    pub colour: Option<String>,
    /// The tracks that are right in it, in order.
    pub tracks: Vec<SessionTrack>,
    /// The groups inside it, in order.
    pub groups: Vec<SessionGroup>,
}

/// A track with the one file that it plays.
#[derive(Debug, Clone, PartialEq)]
pub struct SessionTrack {
    /// Its name: the label of the file.
    pub name: String,
    /// Where it comes from, and whether it came late.
    pub comment: String,
    /// Its colour as `#rrggbb`.
    pub colour: Option<String>,
    /// Path of the file inside the output folder, `/` between its parts.
    pub path: String,
    /// Rate of the file in Hz.
    pub rate_hz: u32,
    /// Channels.
    pub channels: u16,
    /// Frames.
    pub frames: u64,
    /// Where its first frame stands, in seconds; 0 or more.
    pub start_seconds: f64,
}

impl Session {
    /// What stands on the marker track: the client's markers, or else the sections; in order, nothing before zero.
    pub fn places(&self) -> Vec<&At<String>> {
        let list = if self.markers.is_empty() { &self.sections } else { &self.markers };
        let mut places: Vec<&At<String>> = list.iter().filter(|at| at.seconds >= 0.0).collect();
        places.sort_by(|a, b| a.seconds.total_cmp(&b.seconds));
        places
    }
}

impl SessionTrack {
    /// Its length in seconds.
    pub fn seconds(&self) -> f64 {
        self.frames as f64 / f64::from(self.rate_hz.max(1))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn file(name: &str) -> SessionFile {
        SessionFile { name: name.to_owned(), groups: Vec::new(), left_out: None }
    }

    /// A manifest may come from anywhere; what it names is written by `report`.
    #[test]
    fn only_a_name_that_was_given_here_is_written() {
        for title in ["Paper Lantern 97.3bpm C#m", "", "Con", "../up", "a/b\\c", &"long ".repeat(60)] {
            let name = SessionFile::name_for(title);
            assert_eq!(file(&name).written(), Some(name.as_str()), "{title:?}");
        }
        assert_eq!(SessionFile::name_for(" . "), "session.dawproject");
        for name in
            ["../x.dawproject", "/x.dawproject", "a\\b.dawproject", ".dawproject", "manifest.json", "x", ""]
        {
            assert_eq!(file(name).written(), None, "{name:?}");
        }
        assert_eq!(SessionFile { left_out: Some("why".to_owned()), ..file("x.dawproject") }.written(), None);
    }

    #[test]
    fn wav_and_aiff_are_linked() {
        for (path, wanted) in [
            ("audio/a.wav", true),
            ("audio/a.b/c.aif", true),
            ("audio/a.flac", false),
            ("audio/a.caf", false),
            ("wav", false),
        ] {
            assert_eq!(is_linkable(path), wanted, "{path}");
        }
    }
}
