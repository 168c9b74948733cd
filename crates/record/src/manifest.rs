//! The manifest: the record of a prepared delivery. Its JSON Schema is published as `tests/data/manifest.schema.json`.

use std::collections::BTreeMap;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use serde_json::{Map, Value};

use crate::digest::{json_text, text_digest};
use crate::evidence::{Proposal, Sibling};
use crate::finding::{Finding, rounded};
use crate::identity::Identity;
use crate::late::Late;
use crate::layout::AUDIO;
use crate::link::Link;
use crate::music::{Facts, NoteText};
use crate::path_below::PathBelow;
use crate::role::StemRole;
use crate::rough_mix::RoughMix;
use crate::session::SessionFile;
use crate::source::SourceRecord;
use crate::survey::{Ignored, SongPart};
use crate::written::MetadataRecord;

pub use crate::manifest_error::{FORMAT_VERSION, ManifestError};
pub use crate::run::Run;

/// The record of one delivery.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Manifest {
    /// Format version, 1.
    pub manifest: u32,
    /// What wrote it.
    pub tool: Tool,
    /// The recipe that was used; its text lies beside as `recipe.toml`.
    pub recipe: RecipeRecord,
    /// What the engineer says of the delivery; its text lies beside as `answers.toml`. Absent where nothing is said.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub answers: Option<AnswersRecord>,
    /// The delivery.
    pub delivery: DeliveryRecord,
    /// What is known of the music, each with source and confidence.
    pub facts: Facts,
    /// What the linked stems share.
    pub link: Link,
    /// Every stem: in the order of the outputs, then those without an output.
    pub stems: Vec<StemRecord>,
    /// Related stems, and how they stand to each other in time and polarity.
    #[serde(default)]
    pub siblings: Vec<Sibling>,
    /// What the rough mix shows; null where there is none.
    #[serde(default)]
    pub rough_mix: Option<RoughMix>,
    /// Findings about the delivery as a whole.
    pub findings: Vec<Finding>,
    /// Files that took no part.
    pub ignored: Vec<Ignored>,
    /// What the client's own text notes say, as text; absent where there are none.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub notes: Vec<NoteText>,
    /// The file that opens the prepared stems as a session; absent in manifests of earlier versions.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub session_file: Option<SessionFile>,
    /// What the last visit after the first preparation has changed, and what bound it; null for a first preparation.
    pub late: Option<Late>,
    /// SHA-256, in hex, of this manifest as compact JSON with an empty `digest` and without `run`.
    pub digest: String,
    /// What depends on the host: not part of any comparison.
    pub run: Run,
}

/// The program that wrote a manifest.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Tool {
    /// `loadin`.
    pub name: String,
    /// Its version.
    pub version: String,
}

impl Tool {
    /// This program.
    pub fn this() -> Self {
        Self { name: "loadin".to_owned(), version: env!("CARGO_PKG_VERSION").to_owned() }
    }
}

/// The recipe that was used.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct RecipeRecord {
    /// Its name.
    pub name: String,
    /// Its revision.
    pub revision: u32,
    /// SHA-256 of its text, in hex.
    pub sha256: String,
}

/// What the engineer says of a delivery.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct AnswersRecord {
    /// SHA-256 of the text, in hex.
    pub sha256: String,
}

/// The delivery.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct DeliveryRecord {
    /// Name of its folder.
    pub name: String,
    /// How many files were found, ignored ones included.
    pub files: usize,
    /// Which song of the delivery it is, where only that one was prepared.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub song: Option<SongPart>,
}

/// What became of a stem.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum State {
    /// It was prepared.
    Prepared,
    /// It was written with its sample data bit for bit.
    Unchanged,
    /// It was left out by decision.
    SetAside,
    /// It could not be prepared.
    Failed,
}

impl State {
    /// The word in papers.
    pub fn as_str(self) -> &'static str {
        match self {
            Self::Prepared => "prepared",
            Self::Unchanged => "unchanged",
            Self::SetAside => "set aside",
            Self::Failed => "failed",
        }
    }
}

/// One source file and what became of it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct StemRecord {
    /// The file as it was delivered.
    pub source: SourceRecord,
    /// `stem` or `reference`.
    #[schemars(with = "String")]
    pub role: StemRole,
    /// The group that it is sorted in.
    pub group: String,
    /// Who it is, as its name says it.
    #[serde(default)]
    pub identity: Identity,
    /// What the engineer has corrected by hand, by the keys of the answers, in words.
    #[serde(default, skip_serializing_if = "BTreeMap::is_empty")]
    pub corrected: BTreeMap<String, String>,
    /// The path by which the answers speak of it, where the file has moved since.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub said_as: Option<String>,
    /// What it sounds like, where its name says nothing: a proposal.
    #[serde(default)]
    pub proposal: Option<Proposal>,
    /// What became of it.
    pub state: State,
    /// The prepared file; the two halves of a joined pair share one.
    pub output: Option<OutputRecord>,
    /// Where an output frame comes from.
    pub time_map: Option<TimeMap>,
    /// What was changed, in order.
    pub changes: Vec<Change>,
    /// What was left as it is, and why; one entry a stage.
    pub left: Map<String, Value>,
    /// What became of every chunk of metadata.
    pub metadata: Vec<MetadataRecord>,
    /// What was noticed.
    pub findings: Vec<Finding>,
    /// Why it failed or was set aside.
    pub error: Option<String>,
    /// The version of the program that made the output, where it is not the one that wrote this manifest.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub made_by: Option<String>,
}

/// A prepared file.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct OutputRecord {
    /// Path inside the output folder.
    pub path: PathBelow,
    /// Size in bytes.
    pub bytes: u64,
    /// SHA-256 of the file, in hex.
    pub sha256: String,
    /// SHA-256 of the samples alone, as interleaved little-endian numbers, in hex; in a WAV file, of the contents of `data`.
    pub audio_sha256: String,
    /// Rate in Hz.
    pub rate_hz: u32,
    /// Channel count.
    pub channels: u16,
    /// Bits a sample.
    pub bits: u16,
    /// Whether the samples are floats.
    pub float: bool,
    /// Frames.
    pub frames: u64,
    /// Sample peak, measured on what was written; null for silence.
    pub peak_dbfs: Option<f64>,
    /// True peak, from the survey and the decisions; null for silence.
    pub true_peak_dbtp: Option<f64>,
    /// Time stamp in frames since midnight.
    pub timestamp_frames: u64,
}

/// Source frame = (output frame + `shift_frames` + `fraction_frames`) · `source_hz` / `output_hz`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct TimeMap {
    /// Rate of the source.
    pub source_hz: u32,
    /// Rate of the output.
    pub output_hz: u32,
    /// In output frames: positive where a head was cut, negative where silence was added.
    pub shift_frames: i64,
    /// By this fraction of an output frame its frames stand later, so that a stem of another rate stands where its stamp says.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub fraction_frames: Option<f64>,
    /// By how many output frames the stem stands later than its time stamp says, between −1 and 1; absent where it stands there.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub place_error_frames: Option<f64>,
}

/// What a stage did to a stem, measured after the act.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Change {
    /// The stage.
    pub stage: String,
    /// What was changed.
    pub what: String,
    /// Value before.
    pub from: Value,
    /// Value after.
    pub to: Value,
    /// Unit of both.
    pub unit: String,
    /// Why.
    pub why: String,
    /// Further numbers.
    #[serde(flatten)]
    pub more: Map<String, Value>,
}

impl Change {
    /// A change without further numbers.
    pub fn new(
        stage: &str,
        what: &str,
        from: impl Into<Value>,
        to: impl Into<Value>,
        unit: &str,
        why: &str,
    ) -> Self {
        Self {
            stage: stage.to_owned(),
            what: what.to_owned(),
            from: from.into(),
            to: to.into(),
            unit: unit.to_owned(),
            why: why.to_owned(),
            more: Map::new(),
        }
    }

    /// Adds a number.
    #[must_use]
    pub fn with(mut self, key: &str, value: impl Into<Value>) -> Self {
        self.more.insert(key.to_owned(), value.into());
        self
    }
}

impl std::fmt::Display for Change {
    /// The change in a few words: "rate 44100 → 48000 Hz", "gain +6 dB".
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let word = |value: &Value| match value {
            Value::String(text) => text.clone(),
            // Two decimals are enough to read; the manifest has them all.
            Value::Number(number) if number.is_f64() => {
                rounded(number.as_f64().unwrap_or(0.0), 2).to_string()
            }
            other => other.to_string(),
        };
        // "channels 2 → 1" says it all.
        let said = self.unit.is_empty() || self.unit == self.what;
        let unit = if said { String::new() } else { format!(" {}", self.unit) };
        match (&self.from, &self.to) {
            (from, Value::Null) => write!(f, "{} {}{unit} removed", self.what, word(from)),
            (from, to) if from.as_i64() == Some(0) => {
                let sign = if to.as_f64().is_some_and(|to| to >= 0.0) { "+" } else { "" };
                write!(f, "{} {sign}{}{unit}", self.what, word(to))
            }
            (from, to) => write!(f, "{} {} → {}{unit}", self.what, word(from), word(to)),
        }
    }
}

impl StemRecord {
    /// Whether nothing is prepared of it, and nobody has said that this is meant so.
    pub fn is_missed(&self) -> bool {
        let meant = self.corrected.contains_key("leave-out")
            || self.findings.iter().any(|f| f.answer.as_ref().is_some_and(|answer| answer.accepts));
        match self.state {
            State::Failed => true,
            State::SetAside => !meant,
            State::Prepared | State::Unchanged => false,
        }
    }
}

impl OutputRecord {
    /// The label: the name of the file without its extension.
    pub fn label(&self) -> Option<&str> {
        self.path.rsplit('/').next()?.rsplit_once('.').map(|(label, _)| label)
    }
}

impl Manifest {
    /// The outputs; that of a joined pair comes once for each half.
    pub fn outputs(&self) -> impl Iterator<Item = &OutputRecord> {
        self.stems.iter().filter_map(|stem| stem.output.as_ref())
    }

    /// The stems of which the answers speak by a path that they had before: that path, by the one of now.
    pub fn said_as(&self) -> BTreeMap<String, String> {
        let moved = self.stems.iter().filter_map(|stem| Some((&stem.source.path, stem.said_as.as_ref()?)));
        moved.map(|(now, said)| (now.clone(), said.clone())).collect()
    }

    /// The records that the output at this path is made of: one, or left and right.
    pub fn made_into<'m>(&'m self, output: &'m str) -> impl Iterator<Item = &'m StemRecord> {
        self.stems.iter().filter(move |stem| stem.output.as_ref().is_some_and(|o| o.path == *output))
    }

    /// By how many decibels playback can be louder than the delivered files: the greatest gain of a stem that has an output. A
    /// peak tells nothing of that, since a change of rate moves it. `None` where nothing became louder.
    pub fn louder_db(&self) -> Option<f64> {
        let prepared = self.stems.iter().filter(|stem| stem.output.is_some());
        let gain = |stem: &StemRecord| -> f64 {
            let gains = stem.changes.iter().filter(|change| change.stage == "gain-stage");
            gains.filter_map(|change| change.to.as_f64()).sum()
        };
        prepared.map(gain).reduce(f64::max).filter(|gain| *gain > 0.05)
    }

    /// The manifest with its own digest.
    #[must_use]
    pub fn sealed(mut self) -> Self {
        self.digest = self.own_digest();
        self
    }

    /// The digest that the manifest should carry.
    pub fn own_digest(&self) -> String {
        let mut bare = self.clone();
        bare.digest.clear();
        let mut value = serde_json::to_value(&bare).expect("a manifest holds nothing that JSON cannot");
        if let Some(object) = value.as_object_mut() {
            object.shift_remove("run");
        }
        text_digest(&value.to_string())
    }

    /// The manifest as it is stored: indented JSON, one final newline.
    pub fn to_json(&self) -> String {
        json_text(self)
    }

    /// Reads a manifest.
    ///
    /// # Errors
    /// When it is not JSON, has another format version, does not follow the schema, or names an output outside of `audio`.
    pub fn from_json(text: &str) -> Result<Self, ManifestError> {
        let value: Value = serde_json::from_str(text).map_err(ManifestError::NotJson)?;
        match value.get("manifest").and_then(Value::as_u64) {
            Some(version) if version == u64::from(FORMAT_VERSION) => {}
            Some(found) => return Err(ManifestError::OtherVersion { found }),
            None => return Err(ManifestError::NoVersion),
        }
        let manifest: Self = serde_json::from_value(value).map_err(ManifestError::OtherSchema)?;
        let is_in_audio = |path: &str| path.split_once('/').is_some_and(|(folder, _)| folder == AUDIO);
        let elsewhere =
            manifest.outputs().map(|output| &output.path).find(|path| !is_in_audio(path)).cloned();
        elsewhere.map_or(Ok(manifest), |path| Err(ManifestError::OutputElsewhere { path }))
    }

    /// The published JSON Schema.
    pub fn schema() -> Value {
        schemars::schema_for!(Self).to_value()
    }
}
