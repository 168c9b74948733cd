//! Sentences that several verbs print. Knows no verb.

use std::io::Write;
use std::path::Path;

use loadin_record::finding::{Finding, Id};
use serde_json::Value;

use crate::Failure;
use crate::look::{Look, Tone};
use crate::plain::{printable, wrapped};

/// A finding in one line.
pub(crate) fn finding_line(finding: &Finding) -> String {
    let word = if finding.answer.is_some() { "answered" } else { finding.severity.as_str() };
    let (look, tone) = (Look::of_stdout(), Tone::of_severity(finding.severity));
    format!("{} ({}): {}", finding.id.as_str(), look.paint(word, tone), printable(&finding.text))
}

/// A path as a shell takes it in one piece: quoted only where it must be.
pub(crate) fn shell_word(path: &str) -> String {
    let is_plain = |c: char| c.is_alphanumeric() || "/._-+,=@%^".contains(c);
    match path.starts_with('-') {
        true => shell_word(&format!("./{path}")),
        false if !path.is_empty() && path.chars().all(is_plain) => path.to_owned(),
        false => format!("'{}'", path.replace('\'', "'\\''")),
    }
}

/// Says by how much playback can be louder than the delivered files.
pub(crate) fn loudness_caution(louder_db: Option<f64>, out: &mut dyn Write) -> Result<(), Failure> {
    let Some(louder) = louder_db else { return Ok(()) };
    let text = format!(
        "Caution: playback of prepared stems can be up to {louder:.1} dB louder than the delivered files. Turn the monitors down first."
    );
    for line in wrapped(&text, Look::of_stdout().width, 4) {
        writeln!(out, "{line}")?;
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
    let out = out.map_or_else(|| "DIR".to_owned(), |out| shell_word(&out.display().to_string()));
    let text = format!(
        "{} songs in one delivery: {}\nprepare them apart: loadin prep {} --out {out} --split\n",
        names.len(),
        names.join(", "),
        shell_word(&delivery.display().to_string())
    );
    Ok(writeln!(to, "{}", text.lines().map(printable).collect::<Vec<_>>().join("\n") + "\n")?)
}
