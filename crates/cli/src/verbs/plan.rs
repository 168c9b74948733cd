//! `loadin plan`: every decision, before anything is written.

use std::io::Write;
use std::sync::Arc;

use loadin_pipeline::run::{Bound, planned_manifest};
use loadin_plan::plan::{Plan, StemPlan};
use loadin_plan::shape::Fate;

use loadin_plan::visit::{Standing, Visit};

use crate::args::{Format, Plan as Args};
use crate::look::Tone;
use crate::phrases::{finding_line, gain_line, loudness_caution, say_songs, words};
use crate::progress::Reporter;
use crate::recipe_file::load_terms;
use crate::table::{Cell, Table, printable};
use crate::work::study;
use crate::{Exit, Failure};

pub(crate) fn run(args: &Args, progress: &Arc<Reporter>, out: &mut dyn Write) -> Result<Exit, Failure> {
    let recipe = load_terms(&args.work, 1)?;
    let bound = match args.out.as_deref() {
        Some(out) => Bound::look(out, &recipe)?.map(|bound| (bound, out)),
        None => None,
    };
    let bound = bound.as_ref().map(|(bound, out)| (bound, *out));
    let study = study(&args.delivery, &args.work, &recipe, bound, progress)?;
    progress.close();
    match args.format {
        Format::Json => {
            let text = to_json(&study.plan, study.visit.as_ref())
                .map_err(|error| Failure::new(Exit::CannotWrite, error))?;
            writeln!(out, "{text}")?;
        }
        Format::Table => {
            say_songs(&study.plan.findings, &args.delivery, args.out.as_deref(), out)?;
            if let Some(visit) = &study.visit {
                print_visit(visit, &study.plan, out)?;
            }
            print(&study.plan, study.visit.as_ref(), out)?;
            loudness_caution(planned_manifest(&recipe, &study).louder_db(), out)?;
        }
    }
    Ok(exit(&study.plan))
}

/// The plan as JSON, and beside it how what was prepared before stands; null for a first preparation.
fn to_json(plan: &Plan, visit: Option<&Visit>) -> serde_json::Result<String> {
    let mut value = serde_json::to_value(plan)?;
    value["visit"] = serde_json::to_value(visit)?;
    serde_json::to_string_pretty(&value)
}

/// What the visit finds: a sentence, and a line for whatever does not stay as it is or is not in the plan.
fn print_visit(visit: &Visit, plan: &Plan, out: &mut dyn Write) -> Result<(), Failure> {
    writeln!(out, "{}", visit.sentence(visit.added(plan)))?;
    for stem in visit.stems.iter().filter(|stem| stem.standing != Standing::Kept || stem.has_moved()) {
        let sources: Vec<String> = stem
            .sources
            .iter()
            .map(|source| match &source.now {
                Some(now) if *now != source.before => format!("{} (now {now})", source.before),
                _ => source.before.clone(),
            })
            .collect();
        let why = match &stem.standing {
            Standing::Unusable { why, .. } => format!(": {why}"),
            _ => String::new(),
        };
        let text = format!("  {}: {}: {}{why}", stem.output, sources.join(" + "), stem.standing.as_str());
        writeln!(out, "{}", printable(&text))?;
    }
    writeln!(out)?;
    Ok(())
}

/// As `prep` would end.
fn exit(plan: &Plan) -> Exit {
    if plan.stems.iter().any(StemPlan::is_missed) { Exit::SomeStems } else { Exit::Done }
}

fn print(plan: &Plan, visit: Option<&Visit>, out: &mut dyn Write) -> Result<(), Failure> {
    let mut table = Table::new(&["output", "source", "what will be done"]);
    let kept = |stem: &StemPlan| visit.is_some_and(|visit| visit.keeps(stem));
    for stem in &plan.stems {
        let (label, what) = match &stem.fate {
            Fate::Render if kept(stem) => (stem.output.name().into(), "nothing: it stays as it is".into()),
            Fate::Render => (stem.output.name().into(), done(stem).into()),
            Fate::SetAside { why } => {
                (Cell::dash(), Cell::toned(format!("set aside: {why}"), Tone::Attention))
            }
            Fate::Fail { why } => (Cell::dash(), Cell::toned(format!("fails: {why}"), Tone::Problem)),
        };
        let sources: Vec<&str> = stem.sources.iter().map(|source| source.path.as_str()).collect();
        table.row([label, sources.join(" + ").into(), what]);
    }
    table.print(out)?;
    writeln!(out)?;
    for finding in &plan.findings {
        writeln!(out, "{}", finding_line(finding))?;
    }
    for gain in &plan.link.gains {
        writeln!(out, "{}", gain_line(gain))?;
    }
    if plan.link.length_frames > 0 {
        writeln!(out, "every output has {} frames", plan.link.length_frames)?;
    }
    Ok(())
}

fn done(stem: &StemPlan) -> String {
    let expected = stem.expected();
    let changes = stem.changes(&expected);
    let like = stem.proposal.as_ref().map(|proposal| format!("; sounds like {}", proposal.sounds_like));
    words(&changes) + &like.unwrap_or_default()
}
