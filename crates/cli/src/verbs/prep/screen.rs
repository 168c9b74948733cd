//! What `prep` prints in the end: the table of one delivery, or the one screen of a batch. Writes no file.

use std::io::Write;
use std::path::Path;

use loadin_pipeline::output::folder::outputs_of;
use loadin_record::manifest::Manifest;
use loadin_record::summary::{DeliverySummary, Summary};
use loadin_report::closing::NOTE;
use loadin_report::open::asked_of_client;

use crate::Failure;
use crate::look::Tone;
use crate::phrases::{loudness_caution, say_songs, shell_word};
use crate::plain::{count, printable};
use crate::progress::Note;
use crate::screen::{print_closing, print_stems};
use crate::table::{Cell, Table};

/// Lines about one delivery in the screen of a batch, and lines about all of them: the rest is in the summary.
const LINES_EACH: usize = 3;
const LINES_ALL: usize = 20;

/// One delivery: its stems, and how it ends.
pub(super) fn print_one(
    manifest: &Manifest,
    summary: &Summary,
    notes: &[Note],
    out: &mut dyn Write,
) -> Result<(), Failure> {
    for note in notes {
        writeln!(out, "{}", printable(&note.text))?;
    }
    let Some(entry) = summary.deliveries.first() else { return Ok(()) };
    say_songs(&manifest.findings, Path::new(&entry.delivery), None, out)?;
    print_stems(manifest, "what is its own", &|_| false, out)?;
    let outputs = outputs_of(Path::new(&entry.out));
    let place = |name: &str| outputs.join(name).display().to_string();
    let states = [
        (entry.prepared, "prepared"),
        (entry.unchanged, "unchanged"),
        (entry.set_aside, "set aside"),
        (entry.failed, "failed"),
    ];
    let states: Vec<String> = states.iter().map(|(n, state)| format!("{n} {state}")).collect();
    writeln!(out, "{}: {}", printable(&manifest.delivery.name), states.join(", "))?;
    writeln!(out, "{}", work(entry.source_bytes, entry.output_bytes, entry.seconds, entry.reused))?;
    writeln!(
        out,
        "the page is {}, the record {}\n",
        printable(&place("report.html")),
        printable(&place("manifest.json"))
    )?;
    print_closing(manifest, Some(&place(NOTE)), &next(entry, manifest), out)
}

/// The one next command.
fn next(entry: &DeliverySummary, manifest: &Manifest) -> String {
    let again = entry.failed > 0 || asked_of_client(manifest) > 0;
    let (delivery, to) = (shell_word(&entry.delivery), shell_word(&entry.out));
    if again {
        format!("when the client has answered: loadin prep {delivery} --out {to}")
    } else {
        format!("loadin verify {to} --delivery {delivery}")
    }
}

/// The screen of a batch.
pub(super) fn print_batch(
    summary: &Summary,
    notes: &[String],
    stored: Option<&Path>,
    page: Option<&Path>,
    out: &mut dyn Write,
) -> Result<(), Failure> {
    let mut table = Table::new(&[
        "delivery",
        "state",
        "prepared",
        "unchanged",
        "set aside",
        "failed",
        "MB",
        "seconds",
        "MB/s",
    ]);
    for entry in &summary.deliveries {
        let megabytes = entry.source_bytes as f64 / 1e6;
        let counts = [entry.prepared, entry.unchanged, entry.set_aside, entry.failed].map(|n| n.to_string());
        let speed = if entry.seconds > 0.0 { megabytes / entry.seconds } else { 0.0 };
        let work = [format!("{megabytes:.1}"), format!("{:.1}", entry.seconds), format!("{speed:.0}")];
        let ended = Cell::toned(entry.ended.as_str(), Tone::of_end(entry.ended));
        let figures = counts.into_iter().chain(work).map(Cell::from);
        table.row([name(entry).into(), ended].into_iter().chain(figures));
    }
    table.print(out)?;
    for note in notes.iter().take(LINES_ALL) {
        writeln!(out, "{}", printable(note))?;
    }
    if notes.len() > LINES_ALL {
        writeln!(out, "and {} of this kind", count(notes.len() - LINES_ALL, "more line", "more lines"))?;
    }
    print_attention(summary, out)?;
    print_missing(summary, out)?;
    print_next(summary, out)?;
    let sum = |part: fn(&DeliverySummary) -> u64| summary.deliveries.iter().map(part).sum::<u64>();
    let (read, written, reused) = (sum(|d| d.source_bytes), sum(|d| d.output_bytes), sum(|d| d.reused));
    let complete = summary.deliveries.iter().filter(|entry| entry.is_complete()).count();
    writeln!(
        out,
        "\n{complete} of {} complete",
        count(summary.deliveries.len(), "delivery is", "deliveries are")
    )?;
    writeln!(out, "{}", work(read, written, summary.seconds, reused))?;
    if let Some(path) = stored {
        writeln!(out, "the summary is {}", printable(&path.display().to_string()))?;
    }
    if let Some(path) = page {
        writeln!(out, "the page of all is {}", printable(&path.display().to_string()))?;
    }
    caution(summary, out)
}

/// What was noted of a delivery's folder and is otherwise than at the last visit.
pub(super) fn news(entry: &DeliverySummary, notes: &[Note]) -> Vec<String> {
    notes.iter().filter(|note| note.news).map(|note| format!("{}: {}", name(entry), note.text)).collect()
}

/// The folder's own name is enough where all lie side by side.
fn name(entry: &DeliverySummary) -> &str {
    Path::new(&entry.out).file_name().and_then(|name| name.to_str()).unwrap_or(&entry.out)
}

fn print_attention(summary: &Summary, out: &mut dyn Write) -> Result<(), Failure> {
    let mut lines = Vec::new();
    for entry in &summary.deliveries {
        let reasons = entry.error.iter().map(|error| format!("{}: {error}", name(entry)));
        let findings = entry.attention.iter().map(|found| {
            let path = if found.path.is_empty() { String::new() } else { format!("{}: ", found.path) };
            format!("{}: {path}{}: {}", name(entry), found.id, found.text)
        });
        let all: Vec<String> = reasons.chain(findings).collect();
        let more = all.len().saturating_sub(LINES_EACH);
        lines.extend(all.into_iter().take(LINES_EACH));
        if more > 0 {
            lines.push(format!("{}: and {more} more in its manifest.json", name(entry)));
        }
    }
    if lines.is_empty() {
        return Ok(());
    }
    writeln!(out, "\nwhat needs a person:")?;
    for line in lines.iter().take(LINES_ALL) {
        writeln!(out, "  {}", printable(line))?;
    }
    if lines.len() > LINES_ALL {
        writeln!(out, "  and {} in the summary", count(lines.len() - LINES_ALL, "more line", "more lines"))?;
    }
    Ok(())
}

/// Whether stems are missing, as far as that was checked; deliveries of which the same is known share a line.
fn print_missing(summary: &Summary, out: &mut dyn Write) -> Result<(), Failure> {
    let known =
        summary.deliveries.iter().filter_map(|entry| Some((entry.missing_stems.as_deref()?, name(entry))));
    let lines = shared(known);
    for (text, names) in lines.iter().take(LINES_ALL) {
        writeln!(out, "missing stems, {}: {}", printable(&names.join(", ")), printable(text))?;
    }
    if lines.len() > LINES_ALL {
        let more = count(lines.len() - LINES_ALL, "more line", "more lines");
        writeln!(out, "missing stems: {more} in the summary")?;
    }
    Ok(())
}

/// Texts in the order of their first delivery, each with the names of all of which it is said.
fn shared<'a>(said: impl Iterator<Item = (&'a str, &'a str)>) -> Vec<(&'a str, Vec<&'a str>)> {
    let mut texts: Vec<(&str, Vec<&str>)> = Vec::new();
    for (text, name) in said {
        match texts.iter_mut().find(|(known, _)| *known == text) {
            Some((_, names)) => names.push(name),
            None => texts.push((text, vec![name])),
        }
    }
    texts
}

/// What to do next; complete deliveries share one line.
fn print_next(summary: &Summary, out: &mut dyn Write) -> Result<(), Failure> {
    writeln!(out, "\nnext:")?;
    let (complete, open): (Vec<_>, Vec<_>) = summary.deliveries.iter().partition(|entry| entry.is_complete());
    if let Some(one) = complete.first() {
        let folder = Path::new(&one.out).parent().unwrap_or(Path::new("."));
        writeln!(out, "  loadin verify {}", printable(&folder.join("*/").display().to_string()))?;
    }
    for (wish, names) in shared(open.into_iter().map(|entry| (entry.next.as_str(), name(entry)))) {
        writeln!(out, "  {}: {}", printable(&names.join(", ")), printable(wish))?;
    }
    Ok(())
}

fn work(read: u64, written: u64, seconds: f64, reused: u64) -> String {
    let (read, written) = (read as f64 / 1e6, written as f64 / 1e6);
    let speed = if seconds > 0.0 { format!(" ({:.0} MB/s)", read / seconds) } else { String::new() };
    let before = if reused > 0 {
        format!("; {} done before", count(reused as usize, "step was", "steps were"))
    } else {
        String::new()
    };
    format!("{read:.1} MB of stems, {written:.1} MB of outputs, in {seconds:.1} s{speed}{before}")
}

fn caution(summary: &Summary, out: &mut dyn Write) -> Result<(), Failure> {
    loudness_caution(summary.deliveries.iter().filter_map(|entry| entry.louder_db).reduce(f64::max), out)
}
