//! `loadin facts`: what a delivery states of the music, and where; and what can be heard of it.

use std::io::Write;
use std::sync::Arc;

use loadin_pipeline::run::RunError;
use loadin_pipeline::source::scan;
use loadin_pipeline::stated::read_music;
use loadin_pipeline::work::watchdog::Patience;
use loadin_plan::music::name_sections;
use loadin_plan::stated_starts;
use loadin_record::finding::Finding;
use loadin_record::music::{Fact, Facts, heading, words};
use serde_json::{Value, json};

use crate::args::{Facts as Args, Format};
use crate::phrases::finding_line;
use crate::plain::{printable, printable_json};
use crate::progress::Reporter;
use crate::recipe_file::load_terms;
use crate::table::Table;
use crate::work::study;
use crate::{Exit, Failure};

pub(crate) fn run(args: &Args, progress: &Arc<Reporter>, out: &mut dyn Write) -> Result<Exit, Failure> {
    let Known { name, facts, findings } = if args.stated { stated(args)? } else { heard(args, progress)? };
    progress.close();
    if args.format == Format::Json {
        let page = json!({ "delivery": name, "facts": facts, "findings": findings });
        let text =
            serde_json::to_string_pretty(&page).map_err(|error| Failure::new(Exit::CannotWrite, error))?;
        writeln!(out, "{}", printable_json(&text))?;
        return Ok(Exit::Done);
    }
    if facts.is_empty() {
        writeln!(out, "{} states nothing of the music", printable(&name))?;
    } else {
        let mut table = Table::new(&["fact", "value", "confidence", "source"]);
        for (name, fact) in &facts {
            rows(name, fact, &mut table);
        }
        table.print(out)?;
    }
    if !findings.is_empty() {
        writeln!(out)?;
    }
    for finding in &findings {
        writeln!(out, "{}", finding_line(finding))?;
    }
    Ok(Exit::Done)
}

/// What is known of a delivery.
struct Known {
    name: String,
    facts: Facts,
    findings: Vec<Finding>,
}

/// What names, notes and MIDI files state.
fn stated(args: &Args) -> Result<Known, Failure> {
    let patience = Patience::seconds(args.work.patience);
    let recipe = load_terms(&args.work, 1)?;
    let reads_outside = |path: &str| recipe.reads_outside(path);
    let inventory = scan::scan(&args.delivery, patience, &reads_outside).map_err(RunError::from)?;
    let starts = stated_starts(&recipe, &inventory.files);
    let music =
        read_music(&args.delivery, &inventory, patience).answered(recipe.song()).placed(starts.seconds());
    Ok(Known { name: inventory.name, facts: music.facts(), findings: music.findings() })
}

/// That, and what is heard.
fn heard(args: &Args, progress: &Arc<Reporter>) -> Result<Known, Failure> {
    let recipe = load_terms(&args.work, 1)?;
    let study = study(&args.delivery, &args.work, &recipe, None, progress)?;
    let (mut facts, mut findings) = (study.music.facts(), study.music.findings());
    facts.extend(study.evidence.music.facts);
    findings.extend(study.evidence.music.findings);
    if let Some(song) = recipe.song() {
        name_sections(&mut facts, song);
    }
    Ok(Known { name: study.inventory.name, facts, findings })
}

/// One row a fact, or a statement that is contradicted, or an entry of a list of times.
fn rows(name: &str, fact: &Fact, table: &mut Table) {
    let what = heading(name);
    let mut row = |value: &Value, source: &str| {
        let texts = match value {
            Value::Array(list) if list.iter().any(Value::is_object) => list.iter().map(timed).collect(),
            value => vec![words(name, value)],
        };
        for text in texts {
            table.row([what.as_str().into(), text.into(), fact.confidence.as_str().into(), source.into()]);
        }
    };
    match &fact.value {
        Value::Null => fact.statements.iter().for_each(|said| row(&said.value, &said.source)),
        value => row(value, &fact.source),
    }
}

/// An entry of a list of times: "12.500 s Verse".
fn timed(entry: &Value) -> String {
    let seconds = entry["seconds"].as_f64().unwrap_or(0.0);
    let bpm = entry["bpm"].as_f64().map(|bpm| format!("{bpm} BPM"));
    let text = ["name", "meter"].iter().find_map(|key| entry[*key].as_str().map(str::to_owned));
    format!("{seconds:.3} s {}", bpm.or(text).unwrap_or_default())
}
