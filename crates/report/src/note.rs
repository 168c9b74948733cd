//! client-note.md: what the client is asked, in plain words. Only what blocks or is doubtful; nothing else.

use std::collections::BTreeMap;
use std::fmt::Write;
use std::sync::LazyLock;

use loadin_record::finding::{Finding, Id, Severity};
use loadin_record::manifest::{Manifest, StemRecord};
use loadin_record::role::StemRole;
use loadin_record::rough_mix::{Unchecked, missing_stems};
use serde::Deserialize;
use serde_json::Value;

use crate::text::{clock, code, visible};

/// All texts of one language.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct Language {
    title: String,
    greeting: String,
    opening: String,
    one: String,
    many: String,
    times: String,
    files: String,
    thanks: String,
    all_well: String,
    no_rough_mix: String,
    not_shown: String,
    partly: String,
    /// Headings of the two lists.
    again: String,
    confirm: String,
    why: String,
    whole: String,
    left: String,
    right: String,
    /// By the id of a finding: a finding without an entry is not asked of the client.
    ask: BTreeMap<String, Ask>,
}

/// What is said about one kind of finding.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct Ask {
    /// The list that it stands in.
    list: List,
    /// What was found.
    found: String,
    /// Why it matters, in one line.
    why: String,
    /// What to send or to answer.
    send: String,
    /// Whether an answer may be a file, where the list does not say so.
    #[serde(default)]
    files: bool,
}

/// What the client is asked to do.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Deserialize)]
#[serde(rename_all = "kebab-case")]
enum List {
    /// To send a file again.
    Send,
    /// To say that something is as it should be, or how it is.
    Confirm,
}

static ENGLISH: LazyLock<Language> =
    LazyLock::new(|| toml::from_str(include_str!("note/en.toml")).expect("a test reads the shipped texts"));

/// One thing that the client is asked.
#[derive(Debug)]
pub(crate) struct Question<'a> {
    /// Index of the stem; `None` for the delivery as a whole.
    pub(crate) stem: Option<usize>,
    /// What it rests on.
    pub(crate) finding: &'a Finding,
    /// What was found, in plain words.
    pub(crate) found: String,
    /// What its kind says beside that.
    ask: &'static Ask,
}

/// Whether a finding about a stem is asked of the client. A rough mix may be lossy and loud; it must only be there.
pub(crate) fn is_asked(finding: &Finding, stem: &StemRecord) -> bool {
    is_asked_of_delivery(finding)
        && (stem.role != StemRole::Reference || finding.severity == Severity::Problem)
}

/// Whether a finding about the delivery is asked of the client: what is as it should be is none of their business.
pub(crate) fn is_asked_of_delivery(finding: &Finding) -> bool {
    let is_usual = finding.evidence.get("usual").and_then(Value::as_bool) == Some(true);
    ENGLISH.ask.contains_key(finding.id.as_str()) && !is_usual
}

/// The open questions to the client: problems first, then in the order of the stems. `quote` sets off file names.
pub(crate) fn questions(manifest: &Manifest, quote: fn(&str) -> String) -> Vec<Question<'_>> {
    let open = |question: &Question<'_>| question.finding.answer.is_none();
    all_questions(manifest, quote).into_iter().filter(open).collect()
}

/// The questions with their numbers in the note: those that were to be sent again first. One that is answered keeps its number,
/// so that a reply to an earlier note is understood; what the recipe settles was never asked.
pub(crate) fn numbered(manifest: &Manifest) -> Vec<(usize, Question<'_>)> {
    let mut all = all_questions(manifest, code);
    all.retain(|question| question.finding.answer.as_ref().is_none_or(|answer| answer.source != "recipe"));
    all.sort_by_key(|question| question.ask.list);
    (1..).zip(all).collect()
}

/// Everything that the client is or was asked.
fn all_questions(manifest: &Manifest, quote: fn(&str) -> String) -> Vec<Question<'_>> {
    // What several songs state differently is no contradiction.
    let songs = manifest.findings.iter().any(|finding| finding.id == Id::SeveralSongs);
    let asked = |f: &&Finding| is_asked_of_delivery(f) && !(songs && f.id == Id::FactsDisagree);
    let of_delivery = manifest.findings.iter().filter(asked).map(|f| (None, f));
    let of_stems = manifest.stems.iter().enumerate().flat_map(|(index, stem)| {
        stem.findings.iter().filter(|finding| is_asked(finding, stem)).map(move |f| (Some(index), f))
    });
    let mut all: Vec<Question<'_>> = of_delivery
        .chain(of_stems)
        .map(|(stem, finding)| {
            let ask = &ENGLISH.ask[finding.id.as_str()];
            let rate_hz = stem.and_then(|index| manifest.stems[index].source.rate_hz);
            // A text that lacks its evidence would have a hole; the finding's own sentence has none.
            let found = fill(&ask.found, |key| known(key, finding, rate_hz, quote));
            Question { stem, finding, found: found.unwrap_or_else(|| visible(&finding.text)), ask }
        })
        .collect();
    all.sort_by_key(|question| std::cmp::Reverse(question.finding.severity));
    all
}

/// The value of a placeholder.
fn known(key: &str, finding: &Finding, rate_hz: Option<u32>, quote: fn(&str) -> String) -> Option<String> {
    let evidence = |name: &str| finding.evidence.get(name);
    let frames = |name: &str| evidence(name).and_then(Value::as_f64);
    let rate_hz = || rate_hz.map(|hz| f64::from(hz.max(1)));
    match key {
        "at" => Some(clock(frames("start_frame").or(frames("first_frame"))? / rate_hz()?, 3)),
        "seconds" => Some(format!("{:.3}", frames("frames")? / rate_hz()?)),
        "runs" => Some(evidence("runs")?.to_string()),
        "codec" => Some(visible(evidence("codec")?.as_str()?)),
        "said" | "what" | "heard" => Some(visible(evidence(key)?.as_str()?)),
        "stated" => Some(clock(frames("stated_frames")? / frames("rate_hz")?, 3)),
        "heard_at" => Some(clock(frames("start_frames")? / frames("rate_hz")?, 3)),
        "from" => Some(clock(evidence("from_seconds")?.as_f64()?, 0)),
        "to" => Some(clock(evidence("to_seconds")?.as_f64()?, 0)),
        "other" => evidence("same_as").or(evidence("right")).or(evidence("beside"))?.as_str().map(quote),
        "side" => Some(if frames("silent_channel")? < 1.5 { &ENGLISH.left } else { &ENGLISH.right }.clone()),
        _ => None,
    }
}

/// Fills the braces of a template; `None` where one of them has no value.
fn fill(template: &str, value: impl Fn(&str) -> Option<String>) -> Option<String> {
    let mut parts = template.split('{');
    let mut text = parts.next().unwrap_or_default().to_owned();
    for part in parts {
        let (key, rest) = part.split_once('}')?;
        text.push_str(&value(key)?);
        text.push_str(rest);
    }
    Some(text)
}

/// The note; `None` when nothing is asked. `is_more_open` is whether something needs the engineer beside the questions.
pub(crate) fn note(manifest: &Manifest, is_more_open: bool) -> Option<String> {
    let mut questions = numbered(manifest);
    questions.retain(|(_, question)| question.finding.answer.is_none());
    if questions.is_empty() {
        return None;
    }
    let words = &*ENGLISH;
    let count = questions.len().to_string();
    let points = if questions.len() == 1 { &words.one } else { &words.many };
    let points = fill(points, |_| Some(count.clone())).unwrap_or_default();
    let title = fill(&words.title, |_| Some(code(&manifest.delivery.name))).unwrap_or_default();
    let opening = fill(&words.opening, |_| Some(points.clone())).unwrap_or_default();
    let names_a_time = |(_, question): &(usize, Question<'_>)| {
        question.stem.is_some() && question.ask.found.contains("{at}")
    };
    let times = if questions.iter().any(names_a_time) { format!(" {}", words.times) } else { String::new() };
    let mut text = format!("# {title}\n\n{}\n\n{opening}{times}\n", words.greeting);
    for (list, heading) in [(List::Send, &words.again), (List::Confirm, &words.confirm)] {
        let mut listed = questions.iter().filter(|(_, question)| question.ask.list == list).peekable();
        if listed.peek().is_some() {
            // Writing to a string cannot fail.
            let _ = writeln!(text, "\n## {heading}");
        }
        for (number, question) in listed {
            text.push_str(&point(manifest, *number, question));
        }
    }
    let brings_a_file =
        |(_, question): &(usize, Question<'_>)| question.ask.files || question.ask.list == List::Send;
    let files = if questions.iter().any(brings_a_file) { format!("{} ", words.files) } else { String::new() };
    let _ = writeln!(text, "\n{}{files}{}", checked(manifest, is_more_open), words.thanks);
    Some(text)
}

/// What was checked beside the questions. That everything else is well is said only where everything was checked and nothing
/// else is open.
fn checked(manifest: &Manifest, is_more_open: bool) -> String {
    let words = &*ENGLISH;
    let missing = missing_stems(manifest.rough_mix.as_ref());
    let is_asked = manifest.findings.iter().any(|finding| finding.id == Id::MissingStem);
    let said = match missing.unchecked {
        Some(Unchecked::NoRoughMix) => &words.no_rough_mix,
        Some(Unchecked::NotShown) => &words.not_shown,
        None if missing.is_none_for_sure && is_more_open => return String::new(),
        None if missing.is_none_for_sure => &words.all_well,
        None if is_asked => return String::new(),
        None => &words.partly,
    };
    format!("{said} ")
}

/// One question of the note.
fn point(manifest: &Manifest, number: usize, question: &Question<'_>) -> String {
    let words = &*ENGLISH;
    let name = question.stem.map_or_else(|| words.whole.clone(), |i| code(&manifest.stems[i].source.path));
    let ask = question.ask;
    format!("\n### {number}. {name}\n\n{}\n{}: {}\n{}\n", question.found, words.why, ask.why, ask.send)
}

/// Every kind of question, with the template of what was found.
#[cfg(test)]
pub(crate) fn asked_kinds() -> Vec<(&'static str, &'static str)> {
    ENGLISH.ask.iter().map(|(id, ask)| (id.as_str(), ask.found.as_str())).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Every kind that the texts name is a kind of finding, and is more than a note.
    #[test]
    fn the_texts_are_whole_and_ask_only_what_matters() {
        for (name, ask) in &ENGLISH.ask {
            let id: Id = serde_json::from_value(name.as_str().into()).expect("a kind of finding");
            assert!(id.severity() >= Severity::Attention, "{name} asks about a mere note");
            for template in [&ask.found, &ask.why, &ask.send] {
                let filled = fill(template, |key| {
                    let keys = [
                        "at", "seconds", "runs", "codec", "other", "side", "from", "to", "what", "said",
                        "heard", "stated", "heard_at",
                    ];
                    keys.contains(&key).then(|| "x".to_owned())
                });
                assert!(filled.is_some_and(|text| text.ends_with('.')), "{name}: {template}");
            }
            let plain = |text: &str| !text.contains('{');
            assert!(plain(&ask.send) && plain(&ask.why), "{name}: only what was found is filled in");
            assert!(ask.list == List::Confirm || !ask.files, "{name}: the list says that a file may come");
        }
    }

    /// Opposite polarity is a question where it is no skin's.
    #[test]
    fn what_is_usual_is_not_asked() {
        let finding = |usual: bool| Finding::new(Id::SiblingPolarity, "").with("usual", usual);
        assert!(is_asked_of_delivery(&finding(false)) && !is_asked_of_delivery(&finding(true)));
        assert!(is_asked_of_delivery(&Finding::new(Id::SiblingPolarity, "")), "as older manifests have it");
    }

    #[test]
    fn a_template_without_its_evidence_is_refused() {
        assert_eq!(fill("from {at} on", |_| Some("0:01".into())).as_deref(), Some("from 0:01 on"));
        assert_eq!(fill("from {at} on", |_| None), None);
        assert_eq!(fill("from {at on", |_| Some(String::new())), None);
    }
}
