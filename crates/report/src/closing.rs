//! How a run ends, in one order: the verdict, what the client is asked, what the engineer decides, what came late, whether
//! stems are missing, the gain and who decides it, the caution. Values and words; knows no terminal.

use loadin_record::finding::Severity;
use loadin_record::late::in_short;
use loadin_record::link::{LinkGain, Linked};
use loadin_record::manifest::Manifest;
use loadin_record::rough_mix::missing_stems;
use loadin_record::verdict::Verdict;

use crate::open::{asked_of_client, decisions};
use crate::text::{count, number};
use crate::words::label;

/// The client's note beside the manifest.
pub const NOTE: &str = "client-note.md";

/// One thing that is said.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Said {
    /// What it is about: "verdict", "client". Empty for an entry of the list that was opened before.
    pub about: &'static str,
    /// How much it matters; `None` where it is no finding.
    pub severity: Option<Severity>,
    /// One sentence.
    pub text: String,
}

impl Said {
    fn new(about: &'static str, text: impl Into<String>) -> Self {
        Self { about, severity: None, text: text.into() }
    }
}

/// Everything that is said in the end.
pub fn closing(manifest: &Manifest) -> Vec<Said> {
    let mut said = vec![Said::new("verdict", Verdict::of(manifest).to_string())];
    said.push(Said::new(
        "client",
        match asked_of_client(manifest) {
            0 => "nothing is asked".to_owned(),
            asked => format!("{} in {NOTE}", count(asked, "question", "questions")),
        },
    ));
    let decisions = decisions(manifest);
    said.push(Said::new(
        "you",
        match decisions.len() {
            0 => "nothing to decide".to_owned(),
            open => format!("{} to decide", count(open, "point", "points")),
        },
    ));
    said.extend(decisions.iter().map(|decision| {
        let stem = decision.stem.map_or("the whole delivery", |index| label(&manifest.stems[index]));
        Said { about: "", severity: Some(decision.severity), text: format!("{stem}: {}", decision.text) }
    }));
    if let Some(late) = &manifest.late
        && let Some(short) = in_short(&late.files)
    {
        said.push(Said::new("late", format!("{short}; see late-files.md, and --relink prepares all anew")));
        said.extend(
            late.files
                .iter()
                .map(|file| Said::new("", format!("{}: {}: {}", file.path, file.what.as_str(), file.text))),
        );
    }
    said.push(Said::new("missing stems", missing_stems(manifest.rough_mix.as_ref()).text));
    said.extend(manifest.link.gains.iter().map(|gain| Said::new("gain", gain_sentence(manifest, gain))));
    if let Some(db) = manifest.louder_db() {
        let text = format!(
            "playback can be up to {} dB louder than the delivered files. Turn the monitors down first.",
            number(db, 1, false)
        );
        said.push(Said::new("caution", text));
    }
    said
}

/// A gain that stems share, and the stem that decides it.
fn gain_sentence(manifest: &Manifest, gain: &LinkGain) -> String {
    let stem = gain.decided_by.as_deref().filter(|_| !matches!(gain.scope, Linked::Stem(_)));
    let name = |path: &str| {
        let of_path = manifest.stems.iter().find(|stem| stem.source.path == path);
        of_path.map_or(path, label).to_owned()
    };
    let by = stem.map(|path| {
        format!(
            "; {} decides it, which peaks at {} dB of full scale",
            name(path),
            number(gain.loudest_db, 2, false)
        )
    });
    format!("{} dB for the {}{}", number(gain.gain_db, 2, true), gain.scope, by.unwrap_or_default())
}
