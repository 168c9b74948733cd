//! `loadin audit`: what came, and what is wrong with it.

use std::io::Write;
use std::path::Path;
use std::sync::Arc;

use loadin_pipeline::run::{Study, planned_manifest};
use loadin_plan::shape::Fate;
use loadin_record::finding::{Finding, Severity};
use loadin_record::manifest::Manifest;
use loadin_record::rough_mix::missing_stems;
use loadin_record::survey::Survey;
use loadin_record::verdict::Verdict;
use loadin_session::is_read;
use serde_json::{Value, json};

use crate::args::{Audit, Format};
use crate::look::{Look, Tone};
use crate::pages;
use crate::phrases::{finding_line, loudness_caution};
use crate::plain::{count, printable, printable_json, wrapped};
use crate::progress::Reporter;
use crate::recipe_file::load_terms;
use crate::screen::print_wrapped;
use crate::table::{Cell, Table};
use crate::work::study;
use crate::{Exit, Failure};

/// Columns below which a table leaves out what stands elsewhere as well.
const NARROW: usize = 80;

pub(crate) fn run(args: &Audit, progress: &Arc<Reporter>, out: &mut dyn Write) -> Result<Exit, Failure> {
    let recipe = load_terms(&args.work, args.deliveries.len())?;
    let mut exit = Exit::Done;
    let mut pages = Vec::new();
    let mut places = pages::audit_places(args)?;
    for delivery in &args.deliveries {
        let study = study(delivery, &args.work, &recipe, None, progress)?;
        progress.close();
        if study.plan.stems.iter().any(|stem| matches!(stem.fate, Fate::Fail { .. })) {
            exit = Exit::SomeStems;
        }
        let expected = planned_manifest(&recipe, &study);
        if let Some(places) = &mut places {
            places.write(delivery, expected.clone(), &study.surveys)?;
        }
        match args.format {
            Format::Json => pages.push(page(&study)),
            Format::Table => print(delivery, &study, &expected, out)?,
        }
    }
    let written = places.map(pages::AuditPlaces::finish).transpose()?;
    if args.format == Format::Json {
        let text =
            serde_json::to_string_pretty(&pages).map_err(|error| Failure::new(Exit::CannotWrite, error))?;
        writeln!(out, "{}", printable_json(&text))?;
    } else if let Some(path) = written {
        writeln!(out, "the page is {}", printable(&path.display().to_string()))?;
    }
    Ok(exit)
}

fn page(study: &Study) -> Value {
    let stems: Vec<Value> = study
        .plan
        .stems
        .iter()
        .map(|stem| {
            let formats: Vec<_> = stem
                .sources
                .iter()
                .filter_map(|source| study.surveys.iter().find(|survey| survey.path == source.path))
                .map(|survey| json!({ "path": survey.path, "bytes": survey.bytes, "sha256": survey.sha256, "format": survey.format }))
                .collect();
            json!({ "sources": formats, "role": stem.role, "group": stem.group, "fate": stem.fate, "findings": stem.findings })
        })
        .collect();
    json!({
        "delivery": study.inventory.name,
        "stems": stems,
        "findings": study.plan.findings,
        "ignored": study.inventory.ignored,
    })
}

fn print(delivery: &Path, study: &Study, expected: &Manifest, out: &mut dyn Write) -> Result<(), Failure> {
    let files = count(study.inventory.files.len(), "audio file", "audio files");
    writeln!(out, "{}: {files}", printable(&delivery.display().to_string()))?;
    // A narrow terminal has no room for what the extension and the papers say as well.
    let narrow = Look::of_stdout().width.is_some_and(|width| width < NARROW);
    let heading = ["file", "format", "length", "peak", "group"];
    let mut table = Table::new(&heading[..heading.len() - usize::from(narrow)]).keeping(&[1, 2, 3]);
    for survey in &study.surveys {
        let group =
            study.plan.stems.iter().find(|s| s.sources.iter().any(|source| source.path == survey.path));
        let [format, length, peak] = columns(survey, narrow);
        let group = group.map(|stem| stem.group.clone()).unwrap_or_default();
        let last = (!narrow).then(|| group.into());
        table.row([survey.path.as_str().into(), format, length, peak].into_iter().chain(last));
    }
    table.print(out)?;
    writeln!(out)?;
    for severity in [Severity::Problem, Severity::Attention, Severity::Note] {
        let of_delivery = study.plan.findings.iter().map(|finding| (String::new(), finding));
        let of_stems = study.plan.stems.iter().flat_map(|stem| {
            stem.findings.iter().map(|finding| (format!("{}: ", printable(stem.path())), finding))
        });
        let wanted = |entry: &(String, &Finding)| entry.1.severity == severity;
        for (path, finding) in of_delivery.chain(of_stems).filter(wanted) {
            for line in wrapped(&format!("{path}{}", finding_line(finding)), Look::of_stdout().width, 2) {
                writeln!(out, "{line}")?;
            }
        }
    }
    for ignored in &study.inventory.ignored {
        let done = if is_read(&ignored.path) { "read" } else { "ignored" };
        writeln!(out, "{}: {done}: {}", printable(&ignored.path), printable(&ignored.why))?;
    }
    let missing = missing_stems(study.evidence.rough_mix.as_ref()).text;
    print_wrapped(&format!("verdict: {}", Verdict::of(expected)), 4, Tone::Plain, out)?;
    print_wrapped(&format!("missing stems: {missing}"), 4, Tone::Plain, out)?;
    loudness_caution(expected.louder_db(), out)
}

/// Format, length and peak.
fn columns(survey: &Survey, narrow: bool) -> [Cell; 3] {
    let Some(format) = &survey.format else {
        return [Cell::toned("unreadable", Tone::Problem), "".into(), "".into()];
    };
    let depth =
        if format.float { format!("{}-bit float", format.bits) } else { format!("{}-bit", format.bits) };
    let depth = if format.lossy { "lossy".to_owned() } else { depth };
    let rate_khz = f64::from(format.rate_hz) / 1000.0;
    let container = if narrow { String::new() } else { format!("{} ", format.container) };
    let words = format!("{container}{rate_khz} kHz {depth} {} ch", format.channels);
    let Ok(measures) = &survey.measures else { return [words.into(), "".into(), "".into()] };
    let seconds = measures.source_frames as f64 / f64::from(format.rate_hz);
    let peak = measures.source_peak;
    let level = if peak > 0.0 {
        format!("{:.2} dBFS", loadin_audio::Decibels::from_ratio(peak).0).into()
    } else {
        Cell::absent("silent", Tone::Attention)
    };
    [words.into(), format!("{seconds:.3} s").into(), level]
}
