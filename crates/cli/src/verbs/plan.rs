//! `loadin plan`: every decision, before anything is written.

use std::io::Write;
use std::sync::Arc;

use loadin_pipeline::output::folder::outputs_of;
use loadin_pipeline::output::manifest_file::read_manifest;
use loadin_pipeline::run::planned_manifest;
use loadin_plan::plan::{Plan, StemPlan};
use loadin_plan::shape::Fate;

use crate::args::{Format, Plan as Args};
use crate::look::Tone;
use crate::phrases::{finding_line, gain_line, loudness_caution, words};
use crate::progress::Reporter;
use crate::recipe_file::load_recipe;
use crate::table::{Cell, Table};
use crate::work::study;
use crate::{Exit, Failure};

pub(crate) fn run(args: &Args, progress: &Arc<Reporter>, out: &mut dyn Write) -> Result<Exit, Failure> {
    let recipe = load_recipe(&args.work.recipe)?;
    let earlier = args.out.as_deref().and_then(|out| read_manifest(&outputs_of(out)).ok());
    let study = study(&args.delivery, &args.work, &recipe, earlier.as_ref(), progress)?;
    progress.close();
    match args.format {
        Format::Json => {
            let text = serde_json::to_string_pretty(&study.plan)
                .map_err(|error| Failure::new(Exit::CannotWrite, error))?;
            writeln!(out, "{text}")?;
        }
        Format::Table => {
            print(&study.plan, out)?;
            loudness_caution(planned_manifest(&recipe, &study).louder_db(), out)?;
        }
    }
    Ok(exit(&study.plan))
}

/// As `prep` would end.
fn exit(plan: &Plan) -> Exit {
    if plan.stems.iter().all(StemPlan::is_rendered) { Exit::Done } else { Exit::SomeStems }
}

fn print(plan: &Plan, out: &mut dyn Write) -> Result<(), Failure> {
    let mut table = Table::new(&["output", "source", "what will be done"]);
    for stem in &plan.stems {
        let (label, what) = match &stem.fate {
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
