//! Answers as a value: what the engineer says of one delivery. It knows no recipe and no survey.

use std::collections::BTreeMap;

use loadin_record::digest::text_digest;
use loadin_record::finding::{Answer, Finding, Id};
use loadin_record::manifest::AnswersRecord;

use super::pattern::Pattern;
use loadin_session::said::{Song, StemAnswer};

/// The format version that this program reads.
pub const FORMAT_VERSION: i64 = 1;

/// What the engineer says of one delivery.
#[derive(Debug, Clone)]
pub struct Answers {
    /// How people call the file.
    pub file: String,
    /// The text, byte for byte.
    pub text: String,
    /// What it says of the song.
    pub song: Song,
    /// What it says of stems, in the order of the file.
    pub(super) stems: Vec<StemTable>,
    /// What it says of findings.
    pub(super) findings: Vec<FindingTable>,
    /// By which path it may speak of a stem that stands at another one now: what is said of a stem follows its file.
    pub(super) said_as: BTreeMap<String, String>,
}

/// Line and column of the text, from 1.
pub(super) type At = (usize, usize);

/// A `[[stem]]` table.
#[derive(Debug, Clone)]
pub(super) struct StemTable {
    pub(super) pattern: Pattern,
    pub(super) said: StemAnswer,
    /// Where its pattern stands, and the path of another stem, if there is one.
    pub(super) at: At,
    pub(super) other_at: Option<At>,
}

/// A `[[finding]]` table; without a stem it is about the delivery as a whole.
#[derive(Debug, Clone)]
pub(super) struct FindingTable {
    pub(super) id: Id,
    pub(super) stem: Option<Pattern>,
    /// Words of the finding's text, where there are several of its kind.
    pub(super) about: Option<String>,
    pub(super) answer: Answer,
    pub(super) at: At,
}

/// Whether a stem takes part, where the answers say it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Left {
    /// It does, whatever the recipe leaves out.
    In,
    /// It does not, for this reason.
    Out(String),
}

impl Answers {
    /// The answers as the manifest names them.
    pub fn record(&self) -> AnswersRecord {
        AnswersRecord { sha256: self.sha256() }
    }

    /// SHA-256 of the text, in hex.
    pub fn sha256(&self) -> String {
        text_digest(&self.text)
    }

    /// The same answers about a delivery whose files have moved: by the paths of now, the paths by which they may speak of
    /// them.
    #[must_use]
    pub fn following(&self, said_as: &BTreeMap<String, String>) -> Self {
        Self { said_as: said_as.clone(), ..self.clone() }
    }

    /// The path by which they speak of the stem at `path`, where that is one that it had before.
    pub fn said_as(&self, path: &str) -> Option<&str> {
        let speaks_of = |path: &str| {
            let named = self.findings.iter().filter_map(|table| table.stem.as_ref());
            let mut patterns = self.stems.iter().map(|table| &table.pattern).chain(named);
            patterns.any(|pattern| pattern.is(path)) || self.stems.iter().any(|table| table.said.names(path))
        };
        let before = self.said_as.get(path)?;
        (!speaks_of(path) && speaks_of(before)).then_some(before)
    }

    /// What is said of the stem at `path`: a path goes before a glob, and the last glob before the others. A path follows a
    /// file that has moved; a glob means the paths of now.
    pub fn of(&self, path: &str) -> StemAnswer {
        let said = self.said_as(path).unwrap_or(path);
        let mut all = StemAnswer::default();
        let tables = |exact: bool| self.stems.iter().filter(move |table| table.pattern.is(said) == exact);
        for table in tables(false).filter(|table| table.pattern.means(path)).chain(tables(true)) {
            all.lay_over(&table.said);
        }
        for other in [&mut all.newer_of, &mut all.pair_with].into_iter().flatten() {
            self.now(other).clone_into(other);
        }
        all
    }

    /// Where a stem is now that they speak of by this path.
    fn now(&self, said: &str) -> String {
        let now = self.said_as.keys().find(|now| self.said_as(now) == Some(said));
        now.map_or(said, String::as_str).to_owned()
    }

    /// Whether the stem at `path` takes part, where that is said.
    pub fn leaves_out(&self, path: &str) -> Option<Left> {
        match self.of(path).leave_out {
            Some(true) => return Some(Left::Out("the answers leave it out".to_owned())),
            Some(false) => return Some(Left::In),
            None => {}
        }
        let said = self.said_as(path).unwrap_or(path);
        let newer = self.stems.iter().find(|table| table.said.newer_of.as_deref() == Some(said))?;
        Some(Left::Out(format!("the answers say that \"{}\" is the newer one", newer.pattern.text)))
    }

    /// The answer to a finding about the stem at `path`, or about the delivery as a whole.
    pub fn to_finding(&self, finding: &Finding, path: Option<&str>) -> Option<&Answer> {
        let meant = |table: &&FindingTable| {
            let about = table.about.as_ref().is_none_or(|about| finding.text.contains(about.as_str()));
            about
                && table.id == finding.id
                && match (&table.stem, path) {
                    (Some(stem), Some(path)) => {
                        stem.means(path) || self.said_as(path).is_some_and(|said| stem.is(said))
                    }
                    (None, None) => true,
                    _ => false,
                }
        };
        self.findings.iter().rev().find(meant).map(|table| &table.answer)
    }
}
