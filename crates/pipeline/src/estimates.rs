//! What the sound of all stems together says of the music, as facts beside the stated ones. An estimate never replaces a
//! statement and changes no audio: whatever is decided rests on stated facts alone.

use serde::{Deserialize, Serialize};
use serde_json::Value;

use loadin_session::estimate::{KeyRelation, is_same_pulse, key_relation};
use loadin_session::facts::key_of;

use crate::findings::{Finding, Id};
use crate::music::{Confidence, Fact, Facts, words};

/// Facts of their own names (`…_estimate`), and the questions that they raise.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct Estimates {
    /// The facts, for the manifest. What is `Estimated` is sure enough to work with, what is `Unsure` is not.
    pub facts: Facts,
    /// Where a sure estimate contradicts a statement.
    pub findings: Vec<Finding>,
}

impl Estimates {
    /// Puts a fact down; `source` says what was measured on which stems, and how sure it is.
    pub(crate) fn put(&mut self, name: &str, value: impl Into<Value>, sure: bool, source: String) {
        let confidence = if sure { Confidence::Estimated } else { Confidence::Unsure };
        let fact = Fact { value: value.into(), source, confidence, statements: Vec::new() };
        self.facts.insert(name.to_owned(), fact);
    }

    /// Asks about a stated tempo that is not the one that is heard. Twice or half of it is one pulse, counted otherwise.
    pub(crate) fn compare_tempo(&mut self, stated: &Facts) {
        let sure = |fact: &&Fact| fact.confidence == Confidence::Estimated;
        let heard = self.facts.get("tempo_bpm_estimate").filter(sure).and_then(|fact| fact.value.as_f64());
        let (Some(heard), Some(fact)) = (heard, stated.get("tempo_bpm")) else { return };
        let Some(said) = fact.value.as_f64().filter(|said| !is_same_pulse(*said, heard)) else { return };
        let (said, heard) = (words("tempo_bpm", &said.into()), words("tempo_bpm", &heard.into()));
        let text =
            format!("the tempo is stated as {said} ({}), but the stems sound like {heard}", fact.source);
        self.findings.push(Finding::new(Id::TempoDoubt, text).with("said", said).with("heard", heard));
    }
}

impl Estimates {
    /// Asks about a stated key that is not the one that is heard. Fifth, relative and parallel keys share most of their
    /// notes, so an estimate is no evidence between them.
    pub(crate) fn compare_key(&mut self, stated: &Facts) {
        let sure = |fact: &&Fact| fact.confidence == Confidence::Estimated;
        let key = |fact: &Fact| key_of(fact.value.as_str()?);
        let heard = self.facts.get("key_estimate").filter(sure).and_then(key);
        let (Some(heard), Some(fact)) = (heard, stated.get("key")) else { return };
        let Some(said) = key(fact).filter(|said| key_relation(*said, heard) == KeyRelation::Other) else {
            return;
        };
        let text = format!("the key is stated as {said} ({}), but the stems sound like {heard}", fact.source);
        let finding = Finding::new(Id::KeyDoubt, text).with("said", said.to_string());
        self.findings.push(finding.with("heard", heard.to_string()));
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn findings(said: f64, heard: f64, sure: bool) -> usize {
        let mut stated = Estimates::default();
        stated.put("tempo_bpm", said, true, "a note".to_owned());
        let mut estimates = Estimates::default();
        estimates.put("tempo_bpm_estimate", heard, sure, String::new());
        estimates.compare_tempo(&stated.facts);
        estimates.findings.len()
    }

    #[test]
    fn only_a_sure_estimate_of_a_key_far_away_is_a_question() {
        let findings = |said: &str, heard: &str, sure: bool| {
            let mut stated = Estimates::default();
            stated.put("key", said, true, "a note".to_owned());
            let mut estimates = Estimates::default();
            estimates.put("key_estimate", heard, sure, String::new());
            estimates.compare_key(&stated.facts);
            estimates.findings.len()
        };
        assert_eq!(findings("D minor", "F# major", true), 1);
        assert_eq!(findings("D minor", "F# major", false), 0);
        for near in ["D minor", "F major", "D major", "A minor", "G minor"] {
            assert_eq!(findings("D minor", near, true), 0, "{near}");
        }
    }

    #[test]
    fn only_a_sure_estimate_of_another_pulse_is_a_question() {
        assert_eq!(findings(120.0, 126.0, true), 1);
        assert_eq!(findings(120.0, 126.0, false), 0);
        assert_eq!(findings(120.0, 120.02, true), 0);
        assert_eq!(findings(140.0, 70.0, true), 0);
    }
}
