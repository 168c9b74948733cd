//! What is open: what the client is asked, and what the engineer decides. Knows no paper.

use loadin_record::finding::{Finding, Severity};
use loadin_record::manifest::Manifest;

use crate::note;

/// Something that the engineer must look at, hear or decide.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Decision<'a> {
    /// Index of the stem in the manifest; `None` for the delivery as a whole.
    pub stem: Option<usize>,
    /// How much it matters.
    pub severity: Severity,
    /// One sentence.
    pub text: &'a str,
}

/// How many open questions go to the client in `client-note.md`.
pub fn asked_of_client(manifest: &Manifest) -> usize {
    note::questions(manifest, str::to_owned).len()
}

/// Findings that need a person and are not asked of the client, and stems that are lost without such a finding.
pub fn decisions(manifest: &Manifest) -> Vec<Decision<'_>> {
    let matters = |finding: &&Finding| finding.severity >= Severity::Attention && finding.answer.is_none();
    let of_delivery = manifest.findings.iter().filter(|f| !note::is_asked_of_delivery(f)).filter(matters);
    let mut found: Vec<Decision<'_>> =
        of_delivery.map(|f| Decision { stem: None, severity: f.severity, text: &f.text }).collect();
    for (index, stem) in manifest.stems.iter().enumerate() {
        let index = Some(index);
        let open = stem.findings.iter().filter(|finding| !note::is_asked(finding, stem)).filter(matters);
        found.extend(open.map(|f| Decision { stem: index, severity: f.severity, text: &f.text }));
        let missed = stem.error.as_ref().filter(|_| stem.is_missed());
        if let Some(error) = missed.filter(|_| !stem.findings.iter().any(|f| matters(&f))) {
            found.push(Decision { stem: index, severity: Severity::Problem, text: error });
        }
    }
    found
}
