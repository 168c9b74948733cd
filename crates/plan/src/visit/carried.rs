//! What stays of a prepared stem at a later visit: its record as it was, with what is noticed now.

use loadin_record::finding::{Finding, Id};
use loadin_record::manifest::{StemRecord, Tool};

use super::standing::{PromisedStem, Standing};
use crate::plan::StemPlan;
use crate::recipe::Recipe;
use crate::settled::settle_stem;

/// The record of a stem that stays. `edited` says that its output is not as it was prepared, `planned` is what would be
/// made of its sources now, and `version` is the program that wrote the record. `answered` is the recipe with the
/// engineer's answers, where these are others since: what they say of a stem stays with it until they are.
pub fn carried(
    record: &StemRecord,
    stem: &PromisedStem,
    (edited, answered): (bool, Option<&Recipe>),
    planned: Option<&StemPlan>,
    version: &str,
) -> StemRecord {
    let mut findings: Vec<Finding> = planned.map_or_else(
        || record.findings.iter().filter(|f| !f.id.is_of_a_visit()).cloned().collect(),
        |planned| noticed(&record.findings, &planned.findings),
    );
    match answered {
        None => keep_answers(&record.findings, &mut findings),
        Some(recipe) => {
            let sources = stem.sources.iter().map(|source| source.now.as_ref().unwrap_or(&source.before));
            settle_stem(recipe, &sources.cloned().collect::<Vec<_>>(), &mut findings);
        }
    }
    match &stem.standing {
        Standing::Gone => findings.push(Finding::new(
            Id::SourceGone,
            "its source is not in the delivery any more; the prepared file stays: leave it out by the recipe if that is meant, else ask for the file",
        )),
        Standing::Unusable { why, found } => {
            let text =
                format!("another file has its name now and cannot be used, so the prepared file stays: {why}");
            findings.push(Finding::new(Id::ReplacementUnusable, text).with("sha256", found.as_str()));
        }
        _ => {}
    }
    if edited {
        findings.push(Finding::new(
            Id::OutputEdited,
            "the prepared file was edited; it stays as it is, and verify says that it differs",
        ));
    }
    let made_by = record.made_by.clone().unwrap_or_else(|| version.to_owned());
    let made_by = Some(made_by).filter(|version| *version != Tool::this().version);
    let mut record = StemRecord { findings, made_by, ..record.clone() };
    if let Some(planned) = planned.filter(|_| answered.is_some()) {
        record.identity.clone_from(&planned.identity);
        record.corrected.clone_from(&planned.corrected);
    }
    record
}

/// An answer by path is lost where the file has another one now; nobody has taken it back.
fn keep_answers(then: &[Finding], now: &mut [Finding]) {
    for finding in now.iter_mut().filter(|finding| finding.answer.is_none()) {
        let before =
            then.iter().find(|before| before.id == finding.id && before.evidence == finding.evidence);
        finding.answer = before.and_then(|before| before.answer.clone());
    }
}

/// The findings of a stem that stays: what was decided about it then, and what is seen of it now.
fn noticed(then: &[Finding], now: &[Finding]) -> Vec<Finding> {
    let decided = then.iter().filter(|finding| finding.id.is_of_a_decision()).cloned();
    let seen = now.iter().filter(|finding| !finding.id.is_of_a_decision()).cloned();
    let all: Vec<Finding> = seen.chain(decided).collect();
    // Where nothing new is seen, the order stays what it was.
    let known: Vec<&Finding> = then.iter().filter(|finding| !finding.id.is_of_a_visit()).collect();
    let same = known.len() == all.len() && known.iter().all(|finding| all.contains(finding));
    if same { known.into_iter().cloned().collect() } else { all }
}
