//! The morning summary: what became of every delivery of a batch, in one small file and on one screen.
//!
//! It is about a run and not about its outputs: clock, speed and paths as they were typed may stand in it. Its JSON
//! Schema is published as `tests/data/summary.schema.json`.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use serde_json::Value;

use crate::digest::json_text;
use crate::finding::{Finding, Id, Severity};
use crate::manifest::{Manifest, RecipeRecord, State, StemRecord, Tool};
use crate::rough_mix::missing_stems;

/// Version of the summary's format.
pub const FORMAT_VERSION: u32 = 1;

/// What became of a batch.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Summary {
    /// Format version, 1.
    pub summary: u32,
    /// What wrote it.
    pub tool: Tool,
    /// The recipe that was used.
    pub recipe: RecipeRecord,
    /// Start, in seconds since 1970-01-01 UTC.
    pub started_unix: u64,
    /// Duration in seconds.
    pub seconds: f64,
    /// The exit code of the run.
    pub exit_code: u8,
    /// Every delivery, in the order of the work.
    pub deliveries: Vec<DeliverySummary>,
}

/// How the work on a delivery ended.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Ended {
    /// There is a manifest.
    Finished,
    /// It could not be prepared at all.
    Refused,
    /// The run was asked to stop while it was at it.
    Interrupted,
    /// It was not begun: the time was up, or the run was asked to stop before.
    Later,
}

impl Ended {
    /// The word for people.
    pub fn as_str(self) -> &'static str {
        match self {
            Self::Finished => "finished",
            Self::Refused => "refused",
            Self::Interrupted => "interrupted",
            Self::Later => "not begun",
        }
    }
}

/// What became of one delivery.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct DeliverySummary {
    /// The folder of the delivery, as it was typed.
    pub delivery: String,
    /// The folder of its outputs, as it was typed.
    pub out: String,
    /// How the work ended.
    pub ended: Ended,
    /// Why it did not finish.
    pub error: Option<String>,
    /// Stems that were prepared.
    pub prepared: usize,
    /// Stems that were written with their samples bit for bit.
    pub unchanged: usize,
    /// Stems that were left out by decision.
    pub set_aside: usize,
    /// Stems that were left out by decision, of which the engineer says that it is meant so.
    #[serde(default)]
    pub meant: usize,
    /// Stems that could not be prepared.
    pub failed: usize,
    /// Bytes of the sources.
    pub source_bytes: u64,
    /// Bytes of the outputs.
    pub output_bytes: u64,
    /// Duration in seconds.
    pub seconds: f64,
    /// Surveys and renders that were proved to be done already.
    pub reused: u64,
    /// By how many decibels playback can be louder than the delivered files.
    pub louder_db: Option<f64>,
    /// Whether stems are missing, as far as that was checked; null where there is no manifest.
    #[serde(default)]
    pub missing_stems: Option<String>,
    /// What needs a person.
    pub attention: Vec<Attention>,
    /// What to do next.
    pub next: String,
}

/// Something that needs a person.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct Attention {
    /// The source, inside the delivery; empty where it is about the delivery as a whole.
    pub path: String,
    /// The finding's id, or the state of the stem.
    pub id: String,
    /// One sentence.
    pub text: String,
}

impl Attention {
    fn of_finding(path: &str, finding: &Finding) -> Self {
        Self { path: path.to_owned(), id: finding.id.as_str().to_owned(), text: finding.text.clone() }
    }
}

impl Summary {
    /// An empty summary.
    pub fn new(recipe: RecipeRecord, started_unix: u64) -> Self {
        Self {
            summary: FORMAT_VERSION,
            tool: Tool::this(),
            recipe,
            started_unix,
            seconds: 0.0,
            exit_code: 0,
            deliveries: Vec::new(),
        }
    }

    /// Indented JSON with one final newline.
    pub fn to_json(&self) -> String {
        json_text(self)
    }

    /// The published JSON Schema.
    pub fn schema() -> Value {
        schemars::schema_for!(Self).to_value()
    }
}

impl DeliverySummary {
    /// A delivery without a manifest.
    pub fn without_manifest(delivery: String, out: String, ended: Ended, error: Option<String>) -> Self {
        let next = match ended {
            Ended::Interrupted | Ended::Later => "give the same command again; it goes on from there",
            Ended::Refused | Ended::Finished => "mend the cause and give the same command again",
        };
        Self {
            delivery,
            out,
            ended,
            error,
            prepared: 0,
            unchanged: 0,
            set_aside: 0,
            meant: 0,
            failed: 0,
            source_bytes: 0,
            output_bytes: 0,
            seconds: 0.0,
            reused: 0,
            louder_db: None,
            missing_stems: None,
            attention: Vec::new(),
            next: next.to_owned(),
        }
    }

    /// A delivery that was finished.
    pub fn finished(delivery: String, out: String, manifest: &Manifest) -> Self {
        let count = |state: State| manifest.stems.iter().filter(|stem| stem.state == state).count();
        let outputs: std::collections::BTreeMap<&str, u64> = manifest
            .stems
            .iter()
            .filter_map(|stem| stem.output.as_ref().map(|output| (output.path.as_str(), output.bytes)))
            .collect();
        // A new file that cannot be used is missing, although the old output stays.
        let unusable = |stem: &&StemRecord| stem.findings.iter().any(|f| f.id == Id::ReplacementUnusable);
        let failed = count(State::Failed) + manifest.stems.iter().filter(unusable).count();
        let meant = |stem: &&StemRecord| stem.state == State::SetAside && !stem.is_missed();
        let next = if failed > 0 {
            format!(
                "ask for the failed files again ({failed}), put them into the delivery, and give the same command again"
            )
        } else {
            format!("loadin verify \"{out}\" --delivery \"{delivery}\"")
        };
        Self {
            ended: Ended::Finished,
            error: None,
            prepared: count(State::Prepared),
            unchanged: count(State::Unchanged),
            set_aside: count(State::SetAside),
            meant: manifest.stems.iter().filter(meant).count(),
            failed,
            source_bytes: manifest.stems.iter().map(|stem| stem.source.bytes).sum(),
            output_bytes: outputs.values().sum(),
            seconds: manifest.run.seconds,
            reused: manifest.run.reused,
            louder_db: manifest.louder_db(),
            missing_stems: Some(missing_stems(manifest.rough_mix.as_ref()).text),
            attention: attention(manifest),
            next,
            delivery,
            out,
        }
    }

    /// Whether every stem is there as it should be.
    pub fn is_complete(&self) -> bool {
        self.ended == Ended::Finished && self.set_aside == self.meant && self.failed == 0
    }
}

/// Stems that are missing, then findings of weight, the heavier first.
fn attention(manifest: &Manifest) -> Vec<Attention> {
    let missing = manifest.stems.iter().filter(|stem| stem.is_missed()).filter_map(|stem| {
        let text = stem.error.clone()?;
        Some(Attention { path: stem.source.path.clone(), id: stem.state.as_str().to_owned(), text })
    });
    let mut all: Vec<Attention> = missing.collect();
    for severity in [Severity::Problem, Severity::Attention] {
        let of_delivery = manifest.findings.iter().map(|finding| ("", finding));
        // What a missing stem has is said by its reason.
        let there = manifest.stems.iter().filter(|stem| stem.error.is_none());
        let of_stems =
            there.flat_map(|stem| stem.findings.iter().map(|finding| (stem.source.path.as_str(), finding)));
        let wanted = of_delivery
            .chain(of_stems)
            .filter(|(_, finding)| finding.severity == severity && finding.answer.is_none());
        all.extend(wanted.map(|(path, finding)| Attention::of_finding(path, finding)));
    }
    all
}
