//! Sentences that several verbs print. Knows no verb.

use std::io::Write;
use std::path::Path;

use loadin_record::finding::{Finding, Id};
use loadin_record::link::{LinkGain, Linked};
use loadin_record::manifest::Change;
use serde_json::Value;

use crate::Failure;
use crate::look::{Look, Tone};
use crate::table::printable;

/// Changes in a few words; the name stands beside them anyway.
pub(crate) fn words<'a>(changes: impl IntoIterator<Item = &'a Change>) -> String {
    let words: Vec<String> =
        changes.into_iter().filter(|change| change.stage != "label").map(ToString::to_string).collect();
    if words.is_empty() { "nothing but its name".to_owned() } else { words.join("; ") }
}

/// A finding in one line.
pub(crate) fn finding_line(finding: &Finding) -> String {
    let word = if finding.answer.is_some() { "answered" } else { finding.severity.as_str() };
    let (look, tone) = (Look::of_stdout(), Tone::of_severity(finding.severity));
    format!("{} ({}): {}", finding.id.as_str(), look.paint(word, tone), printable(&finding.text))
}

/// A gain that stems share, and the stem that decides it.
pub(crate) fn gain_line(gain: &LinkGain) -> String {
    let loudest =
        |path: &String| format!(", by \"{path}\", which peaks at {:.2} dB of full scale", gain.loudest_db);
    let by = gain.decided_by.as_ref().filter(|_| !matches!(gain.scope, Linked::Stem(_))).map(loudest);
    printable(&format!("gain of the {}: {:+.2} dB{}", gain.scope, gain.gain_db, by.unwrap_or_default()))
}

/// Says by how much playback can be louder than the delivered files.
pub(crate) fn loudness_caution(louder_db: Option<f64>, out: &mut dyn Write) -> Result<(), Failure> {
    if let Some(louder) = louder_db {
        writeln!(
            out,
            "Caution: playback of prepared stems can be up to {louder:.1} dB louder than the delivered files. Turn the monitors down first."
        )?;
    }
    Ok(())
}

/// Says first that a delivery holds several songs, and the command that prepares them apart; `out` is where to.
pub(crate) fn say_songs(
    findings: &[Finding],
    delivery: &Path,
    out: Option<&Path>,
    to: &mut dyn Write,
) -> Result<(), Failure> {
    let Some(songs) = findings.iter().find(|finding| finding.id == Id::SeveralSongs) else { return Ok(()) };
    let names: Vec<&str> =
        songs.evidence["songs"].as_array().into_iter().flatten().filter_map(Value::as_str).collect();
    let out = out.map_or_else(|| "DIR".to_owned(), |out| format!("\"{}\"", out.display()));
    let text = format!(
        "{} songs in one delivery: {}\nprepare them apart: loadin prep \"{}\" --out {out} --split\n",
        names.len(),
        names.join(", "),
        delivery.display()
    );
    Ok(writeln!(to, "{}", text.lines().map(printable).collect::<Vec<_>>().join("\n") + "\n")?)
}
