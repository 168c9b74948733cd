//! What `prep` and `plan` print of one delivery: its stems with what is their own, and how it ends. Writes no file.

use std::io::Write;

use loadin_record::manifest::{Manifest, State, StemRecord};
use loadin_report::closing::{NOTE, closing};
use loadin_report::common::Common;

use crate::Failure;
use crate::look::{Look, Tone};
use crate::plain::{printable, wrapped};
use crate::table::{Cell, Table};

/// The stems: what all share in one line, then a row each.
pub(crate) fn print_stems(
    manifest: &Manifest,
    what: &str,
    stays: &dyn Fn(&StemRecord) -> bool,
    out: &mut dyn Write,
) -> Result<(), Failure> {
    let common = Common::of(manifest);
    if let Some(sentence) = common.sentence() {
        print_wrapped(&format!("all: {sentence}"), 5, Tone::Plain, out)?;
        writeln!(out)?;
    }
    let mut table = Table::new(&["output", "source", what]);
    for stem in &manifest.stems {
        let output = stem.output.as_ref();
        let label = output.map_or_else(Cell::dash, |output| output.path.trim_start_matches("audio/").into());
        let own = if stays(stem) { "nothing: it stays as it is".to_owned() } else { common.own(stem) };
        let tone = match stem.state {
            State::Failed | State::SetAside => Tone::of_state(stem.state),
            State::Prepared | State::Unchanged => Tone::Plain,
        };
        table.row([label, stem.source.path.as_str().into(), Cell::toned(own, tone)]);
    }
    table.print(out)?;
    Ok(writeln!(out)?)
}

/// How it ends, and the one next command. `note` is where the client's note lies, where it was written.
pub(crate) fn print_closing(
    manifest: &Manifest,
    note: Option<&str>,
    next: &str,
    out: &mut dyn Write,
) -> Result<(), Failure> {
    for said in closing(manifest) {
        let text = match (said.about, note) {
            // A plan writes no note yet.
            ("client", None) => said.text.replace(&format!(" in {NOTE}"), ", once it is prepared"),
            ("client", Some(path)) => said.text.replace(NOTE, path),
            _ => said.text,
        };
        let tone = said.severity.map_or(Tone::Plain, Tone::of_severity);
        let line =
            if said.about.is_empty() { format!("  {text}") } else { format!("{}: {text}", said.about) };
        print_wrapped(&line, 4, tone, out)?;
    }
    // A command is never broken: it is there to be copied.
    Ok(writeln!(out, "next: {}", printable(next))?)
}

/// A sentence, wrapped by words as the terminal has room.
pub(crate) fn print_wrapped(
    text: &str,
    indent: usize,
    tone: Tone,
    out: &mut dyn Write,
) -> Result<(), Failure> {
    let look = Look::of_stdout();
    for line in wrapped(&printable(text), look.width, indent) {
        writeln!(out, "{}", look.paint(&line, tone))?;
    }
    Ok(())
}
