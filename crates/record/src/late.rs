//! What came, was replaced or went after a delivery was prepared, and what binds it.
//!
//! It knows no plan: what is fixed comes out of a manifest.

use std::collections::BTreeMap;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::link::{Link, LinkGain, Linked};
use crate::music::Facts;
use crate::path_below::{folder_or_none, known_name};
use crate::role::StemRole;
use crate::source::SourceRecord;
use crate::survey::Survey;

/// What the last visit that changed something has found, and what bound it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Late {
    /// What was promised before that visit, by the paths that the sources have now.
    pub pin: Pin,
    /// What came, was replaced or went, by path; empty where only the recipe or a file's path has changed.
    pub files: Vec<LateFile>,
}

/// What happened to a file.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
#[schemars(rename = "What")]
pub enum ChangeKind {
    /// It was not there before.
    Added,
    /// Another file has its name now.
    Replaced,
    /// It is not there any more; its output stays.
    Removed,
}

impl ChangeKind {
    /// The word in papers.
    pub fn as_str(self) -> &'static str {
        match self {
            Self::Added => "added",
            Self::Replaced => "replaced",
            Self::Removed => "removed",
        }
    }
}

/// One file that changed.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct LateFile {
    /// Path inside the delivery.
    pub path: String,
    /// What happened to it.
    pub what: ChangeKind,
    /// What it was; null for an added one.
    pub before: Option<FileSummary>,
    /// What it is; null for a removed one.
    pub after: Option<FileSummary>,
    /// How old and new compare; null where there is only one, or where the record of the old one is gone.
    pub comparison: Option<Comparison>,
    /// All of it in a sentence or two.
    pub text: String,
}

/// What one file is.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[schemars(rename = "Facts")]
pub struct FileSummary {
    /// SHA-256 of the file, in hex; null when it could not be read.
    pub sha256: Option<String>,
    /// Rate in Hz.
    pub rate_hz: Option<u32>,
    /// Channel count.
    pub channels: Option<u16>,
    /// Frames.
    pub frames: Option<u64>,
    /// Sample peak.
    pub peak_dbfs: Option<f64>,
}

impl FileSummary {
    /// What the record says of a delivered file.
    pub fn of(source: &SourceRecord) -> Self {
        Self {
            sha256: source.sha256.clone(),
            rate_hz: source.rate_hz,
            channels: source.channels,
            frames: source.frames,
            peak_dbfs: source.peak_dbfs,
        }
    }
}

/// Differences below what rounds to 10 ms are said in frames.
const SHORT_SECONDS: f64 = 0.009_5;

impl FileSummary {
    /// How much longer or shorter the file is than another: "0.4 s longer", "3 frames shorter"; `None` where no
    /// difference is known. Files of two rates are as long as each other when less than a frame lies between them.
    pub fn length_against(&self, other: &Self) -> Option<String> {
        let seconds =
            |file: &Self| Some(file.frames? as f64 / f64::from(file.rate_hz.filter(|rate| *rate > 0)?));
        let difference = seconds(self)? - seconds(other)?;
        let (rate_hz, other_hz) = (self.rate_hz?, other.rate_hz?);
        let same = if rate_hz == other_hz {
            self.frames == other.frames
        } else {
            difference.abs() * f64::from(rate_hz.min(other_hz)) < 1.0
        };
        let word = if difference > 0.0 { "longer" } else { "shorter" };
        let length = if difference.abs() < SHORT_SECONDS {
            let frames = (difference.abs() * f64::from(rate_hz)).round();
            format!("{frames:.0} {}", if frames == 1.0 { "frame" } else { "frames" })
        } else {
            let text = format!("{:.3}", difference.abs());
            format!("{} s", text.trim_end_matches('0').trim_end_matches('.'))
        };
        if same { None } else { Some(format!("{length} {word}")) }
    }
}

/// How many files came, were replaced and went: "3 files added, 1 replaced, 1 gone"; `None` for no file.
pub fn in_short(files: &[LateFile]) -> Option<String> {
    let mut parts: Vec<String> = Vec::new();
    for (kind, word) in
        [(ChangeKind::Added, "added"), (ChangeKind::Replaced, "replaced"), (ChangeKind::Removed, "gone")]
    {
        let files = match files.iter().filter(|file| file.what == kind).count() {
            0 => continue,
            1 if parts.is_empty() => "1 file".to_owned(),
            many if parts.is_empty() => format!("{many} files"),
            more => more.to_string(),
        };
        parts.push(format!("{files} {word}"));
    }
    if parts.is_empty() { None } else { Some(parts.join(", ")) }
}

/// How the sound of two files compares.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Comparison {
    /// Whether the samples are the same: only what stands around them has changed.
    pub same_samples: bool,
    /// How much later the same sound stands in the new file, in seconds, to 10 ms.
    pub later_seconds: f64,
    /// Level of the new against the old where both sound; null where they have nothing in common.
    pub level_db: Option<f64>,
    /// How alike the courses of the levels are, 0 to 1.
    pub likeness: f64,
    /// Where the new file differs, once place and level are allowed for: spans in seconds of the new file.
    pub differs: Vec<(f64, f64)>,
}

/// What is promised: whatever changes around it, a later visit keeps it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Pin {
    /// What the linked stems share.
    pub link: Link,
    /// Every stem that ever got a label, by its source's path, also one whose source or output is gone: a label and its
    /// number belong to one stem for ever. The halves of a joined pair stand apart and share a label.
    pub stems: BTreeMap<String, PinnedStem>,
    /// Where stems without a time stamp start, in frames since midnight at the output rate; where there is one start.
    #[serde(default)]
    pub origin_frames: Option<i64>,
    /// What was known of the music when the first stems were prepared: a note that comes later moves no marker of theirs.
    #[serde(default)]
    pub facts: Facts,
    /// Labels that no stem has, and that files of somebody's own below `audio/` would be mistaken for.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub taken: Vec<String>,
}

/// What is promised of one stem.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct PinnedStem {
    /// SHA-256 of the source, in hex.
    pub sha256: String,
    /// Name of the output without extension.
    #[serde(default, deserialize_with = "known_name")]
    pub label: Option<String>,
    /// Folder of the output below `audio/`; empty where it lies in there itself.
    #[serde(default, deserialize_with = "folder_or_none")]
    pub folder: String,
    /// Where the source's first frame stands, in frames since midnight at the output rate; where there is one start.
    pub start_frames: Option<i64>,
    /// Whether it is one of the stems or a reference; null where an earlier form did not say it.
    #[serde(default)]
    #[schemars(with = "Option<String>")]
    pub role: Option<StemRole>,
    /// The group that it is sorted in; empty where an earlier form did not say it.
    #[serde(default)]
    pub group: String,
    /// Whether it was made anew at this visit: what answers say of it goes before what it was.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub renewed: bool,
    /// Whether its label is another one since; the number stays.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub renamed: bool,
}

impl Pin {
    /// What is promised of the stem whose source has this path.
    pub fn stem(&self, path: &str) -> Option<&PinnedStem> {
        self.stems.get(path)
    }

    /// Whether the file is the very one that was there before.
    pub fn is_same(&self, survey: &Survey) -> bool {
        self.stem(&survey.path).is_some_and(|stem| stem.sha256 == survey.sha256)
    }

    /// Whether two files were one stem: left and right.
    pub fn are_joined(&self, left: &str, right: &str) -> bool {
        let name = |path: &str| self.stem(path).and_then(PinnedStem::name);
        name(left).is_some() && name(left) == name(right)
    }

    /// The gain of a link of several stems; a stem that is a link of its own gets its own.
    pub fn gain(&self, scope: &Linked) -> Option<&LinkGain> {
        self.link.gains.iter().find(|gain| gain.scope == *scope && !matches!(scope, Linked::Stem(_)))
    }

    /// What linked stems share, with the gains of links that have come since: a gain once given stays.
    pub fn link_with(&self, since: Vec<LinkGain>) -> Link {
        let mut link = self.link.clone();
        for gain in since {
            match link.gains.iter_mut().find(|known| known.scope == gain.scope) {
                // A stem that is a link of its own has its own gain: a replaced one gets another.
                Some(known) if matches!(gain.scope, Linked::Stem(_)) => *known = gain,
                Some(_) => {}
                None => link.gains.push(gain),
            }
        }
        link
    }
}

impl PinnedStem {
    /// Folder and label, which no other stem has.
    pub fn name(&self) -> Option<(&str, &str)> {
        Some((&self.folder, self.label.as_deref()?))
    }
}

impl Comparison {
    /// The comparison in words.
    pub fn sentence(&self) -> String {
        if self.same_samples {
            return "the samples are the same, only what stands around them has changed".to_owned();
        }
        let Some(level_db) = self.level_db else {
            return "the sound has nothing in common with that of the old file".to_owned();
        };
        let mut parts = Vec::new();
        if self.later_seconds != 0.0 {
            let word = if self.later_seconds > 0.0 { "later" } else { "earlier" };
            parts.push(format!("the same sound comes {:.2} s {word}", self.later_seconds.abs()));
        }
        if level_db.abs() >= 0.1 {
            let word = if level_db > 0.0 { "louder" } else { "quieter" };
            parts.push(format!("{:.1} dB {word}", level_db.abs()));
        }
        match &self.differs[..] {
            [] => parts.push("the course of its level is the same".to_owned()),
            [(from, to)] if span(*from, *to).contains(" to ") => {
                parts.push(format!("it differs from {}", span(*from, *to)));
            }
            [(from, to)] => parts.push(format!("it differs at {}", span(*from, *to))),
            [(from, _), .., (_, to)] => parts.push(format!(
                "it differs in {} places between {from:.2} s and {to:.2} s",
                self.differs.len()
            )),
        }
        parts.join(", ")
    }

    /// Where the new file differs, in words: "6.50 s to 10.00 s".
    pub fn spans(&self) -> Vec<String> {
        self.differs.iter().map(|&(from, to)| span(from, to)).collect()
    }
}

/// A span in words; one time where its ends would read alike.
fn span(from: f64, to: f64) -> String {
    let (from, to) = (format!("{from:.2} s"), format!("{to:.2} s"));
    if from == to { from } else { format!("{from} to {to}") }
}

#[cfg(test)]
mod tests {
    use super::ChangeKind::{Added, Removed, Replaced};
    use super::*;

    fn summary(frames: u64, rate_hz: u32) -> FileSummary {
        FileSummary {
            sha256: None,
            rate_hz: Some(rate_hz),
            channels: Some(2),
            frames: Some(frames),
            peak_dbfs: None,
        }
    }

    /// A group that nobody is in any more keeps its gain for whoever comes into it; a stem that is a link of its own does not.
    #[test]
    fn a_gain_once_given_to_several_stays() {
        let gain = |scope: &str, gain_db: f64| LinkGain {
            scope: scope.parse().unwrap(),
            gain_db,
            loudest_db: 0.0,
            decided_by: None,
        };
        let given = vec![gain("group drums", 3.0), gain("group bass", 4.0), gain("stem a.wav", 5.0)];
        let pin = Pin {
            link: Link { gains: given, length_frames: 9, ..Link::default() },
            stems: BTreeMap::new(),
            origin_frames: None,
            facts: Facts::new(),
            taken: Vec::new(),
        };
        let since = vec![gain("group bass", 1.0), gain("stem a.wav", 1.0), gain("group keys", 1.0)];
        let link = pin.link_with(since);
        let wanted = [
            gain("group drums", 3.0),
            gain("group bass", 4.0),
            gain("stem a.wav", 1.0),
            gain("group keys", 1.0),
        ];
        assert_eq!((link.gains, link.length_frames), (wanted.to_vec(), 9));
    }

    #[test]
    fn lengths_are_told_apart_by_what_can_be_seen() {
        for (before, after, wanted) in [
            ((288_000, 48_000), (307_200, 48_000), Some("0.4 s longer")),
            ((288_000, 48_000), (288_003, 48_000), Some("3 frames longer")),
            ((288_000, 48_000), (287_999, 48_000), Some("1 frame shorter")),
            ((288_000, 48_000), (288_480, 48_000), Some("0.01 s longer")),
            ((288_000, 48_000), (48_000, 48_000), Some("5 s shorter")),
            ((691_200_000, 96_000), (691_200_001, 96_000), Some("1 frame longer")),
            ((288_000, 48_000), (288_000, 48_000), None),
            // The same six seconds at another rate, to the frame; then two frames more; then a second less.
            ((288_000, 48_000), (264_600, 44_100), None),
            ((288_001, 48_000), (264_601, 44_100), None),
            ((288_000, 48_000), (264_602, 44_100), Some("2 frames longer")),
            ((288_000, 48_000), (220_500, 44_100), Some("1 s shorter")),
            ((288_000, 0), (288_001, 48_000), None),
        ] {
            let found = summary(after.0, after.1).length_against(&summary(before.0, before.1));
            assert_eq!(found.as_deref(), wanted, "{before:?} {after:?}");
        }
        let unknown = FileSummary { frames: None, ..summary(0, 48_000) };
        assert_eq!(summary(7, 48_000).length_against(&unknown), None);
    }

    #[test]
    fn a_span_never_ends_where_it_begins() {
        let compared = |differs: &[(f64, f64)]| Comparison {
            same_samples: false,
            later_seconds: -0.5,
            level_db: Some(-6.04),
            likeness: 0.9,
            differs: differs.to_vec(),
        };
        assert_eq!(
            compared(&[(6.5, 10.0)]).sentence(),
            "the same sound comes 0.50 s earlier, 6.0 dB quieter, it differs from 6.50 s to 10.00 s"
        );
        let short = compared(&[(6.5, 6.504)]);
        assert!(short.sentence().ends_with("it differs at 6.50 s"), "{}", short.sentence());
        assert_eq!(short.spans(), ["6.50 s"]);
        let two = compared(&[(1.0, 2.0), (6.5, 10.0)]).sentence();
        assert!(two.ends_with("it differs in 2 places between 1.00 s and 10.00 s"), "{two}");
    }

    #[test]
    fn what_came_late_is_counted() {
        let file = |what| LateFile {
            path: "a.wav".to_owned(),
            what,
            before: None,
            after: None,
            comparison: None,
            text: String::new(),
        };
        let all = |kinds: &[ChangeKind]| in_short(&kinds.iter().map(|kind| file(*kind)).collect::<Vec<_>>());
        assert_eq!(
            all(&[Added, Removed, Added, Replaced, Added]).unwrap(),
            "3 files added, 1 replaced, 1 gone"
        );
        assert_eq!(all(&[Replaced]).unwrap(), "1 file replaced");
        assert_eq!(all(&[Removed, Removed]).unwrap(), "2 files gone");
        assert_eq!(all(&[]), None);
    }
}
