//! `loadin plan`: every decision, before anything is written.

use std::io::Write;
use std::path::Path;
use std::sync::Arc;

use loadin_pipeline::run::{Bound, planned_manifest};
use loadin_plan::plan::{Plan, StemPlan};
use loadin_plan::recipe::DEFAULT;
use loadin_plan::shape::Fate;

use loadin_plan::visit::{Standing, Visit};

use loadin_record::manifest::StemRecord;

use crate::args::{Format, Plan as Args};
use crate::phrases::{say_songs, shell_word};
use crate::plain::{printable, printable_json};
use crate::progress::Reporter;
use crate::recipe_file::load_terms;
use crate::screen::{print_closing, print_stems};
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
            writeln!(out, "{}", printable_json(&text))?;
        }
        Format::Table => {
            say_songs(&study.plan.findings, &args.delivery, args.out.as_deref(), out)?;
            if let Some(visit) = &study.visit {
                print_visit(visit, &study.plan, out)?;
            }
            let stays = |stem: &StemRecord| is_kept(stem, &study.plan, study.visit.as_ref());
            let planned = planned_manifest(&recipe, &study);
            print_stems(&planned, "what will be its own", &stays, out)?;
            print_closing(&planned, None, &next(args), out)?;
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

/// Whether the visit leaves a stem as it is.
fn is_kept(stem: &StemRecord, plan: &Plan, visit: Option<&Visit>) -> bool {
    let has = |plan: &&StemPlan| plan.sources.iter().any(|source| source.path == stem.source.path);
    let planned = plan.stems.iter().find(has).filter(|planned| planned.fate == Fate::Render);
    planned.zip(visit).is_some_and(|(planned, visit)| visit.keeps(planned))
}

/// The command that carries the plan out.
fn next(args: &Args) -> String {
    let word = |path: &Path| shell_word(&path.display().to_string());
    let out = args.out.as_deref().map_or_else(|| "DIR".to_owned(), word);
    let recipe = Some(&args.work.recipe).filter(|recipe| *recipe != DEFAULT);
    let recipe = recipe.map_or(String::new(), |recipe| format!(" --recipe {}", shell_word(recipe)));
    let answers =
        args.work.answers.as_deref().map_or(String::new(), |path| format!(" --answers {}", word(path)));
    format!("loadin prep {} --out {out}{recipe}{answers}", word(&args.delivery))
}
