//! `loadin unit`: one step of a run, for workflow engines.

use std::io::Write;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use loadin_pipeline::source::scan;
use loadin_pipeline::units::{self, DeliveryState, Estimate, Scanned, UnitContext, UnitError};
use loadin_pipeline::work::context::Context;
use loadin_pipeline::work::watchdog::Patience;

use crate::args::{Step, UnitWork};
use crate::clock;
use crate::folders::refuse_shared_folders;
use crate::plain::printable;
use crate::progress::Reporter;
use crate::recipe_file::load_terms;
use crate::signals::stop_on_signals;
use crate::work::{context, on_threads};
use crate::{Exit, Failure};

/// What is done with one delivery: the line to print and how that ends.
type Done = Result<(String, Exit), UnitError>;

pub(crate) fn run(step: &Step, progress: &Arc<Reporter>, out: &mut dyn Write) -> Result<Exit, Failure> {
    let (Step::Scan(args) | Step::Survey(args) | Step::Plan(args) | Step::Render(args) | Step::Seal(args)) =
        step;
    let recipe = load_terms(&args.work, args.deliveries.len())?;
    if args.deliveries.len() > 1 && !args.batch {
        return Err(Failure::bad(
            "several deliveries need --batch, so that each gets its own folder in --out",
        ));
    }
    refuse_shared_folders(&args.deliveries, &args.out)?;
    stop_on_signals()?;
    let shared = Context { patience: Patience::seconds(args.work.patience), ..context(progress) };
    let mut exit = Exit::Done;
    for (number, delivery) in args.deliveries.iter().enumerate() {
        if deals_deliveries(step) && args.shard.is_some_and(|shard| !shard.has(number)) {
            continue;
        }
        let folder = out_of(args, delivery);
        let done = on_threads(&args.work.threads, || {
            let recipe = &units::holding(&folder, &recipe)?;
            let unit = UnitContext { delivery, out: &folder, recipe, work: &shared };
            work(step, args, &unit, number)
        })?;
        progress.close();
        // The engine tries again while anything may pass; what needs a person is said again then.
        exit = exit.max(told(done, delivery, out)?);
        if exit == Exit::Interrupted {
            break;
        }
    }
    Ok(exit)
}

fn deals_deliveries(step: &Step) -> bool {
    !matches!(step, Step::Survey(_) | Step::Render(_))
}

fn out_of(args: &UnitWork, delivery: &Path) -> PathBuf {
    if args.batch { args.out.join(scan::name_of(delivery)) } else { args.out.clone() }
}

/// Prints what became of a delivery: one that fails stops no other.
fn told(done: Done, delivery: &Path, out: &mut dyn Write) -> Result<Exit, Failure> {
    match done {
        Ok((line, exit)) => {
            writeln!(out, "{line}")?;
            Ok(exit)
        }
        Err(error) => {
            let waits = error.may_pass();
            let failure = Failure::from(error);
            let exit = if waits { Exit::Later } else { failure.exit };
            let hint = if waits { "; the same command may succeed later" } else { "" };
            // Nobody is left to tell when stderr itself is gone.
            let _ = writeln!(
                std::io::stderr().lock(),
                "loadin: {}: {:#}{hint}",
                delivery.display(),
                failure.error
            );
            Ok(exit)
        }
    }
}

fn work(step: &Step, args: &UnitWork, unit: &UnitContext<'_>, number: usize) -> Done {
    // A large stem of one delivery meets a small one of the next in every share.
    let mine = |path: &str, rank: usize| match (&args.stem, args.shard) {
        (Some(stem), _) => stem == path,
        (None, Some(shard)) => shard.has(number + rank),
        (None, None) => true,
    };
    match step {
        Step::Scan(_) => Ok((scanned(&units::scan(unit)?, unit.delivery), Exit::Done)),
        Step::Survey(_) => {
            let stems = units::survey(unit, &mine)?;
            named(args, stems, unit, "surveyed", &[])
        }
        Step::Plan(_) => {
            units::plan(unit)?;
            Ok((format!("{}: planned", unit.delivery.display()), Exit::Done))
        }
        Step::Render(_) => {
            let (stems, failed) = units::render(unit, &mine)?;
            named(args, stems, unit, "rendered", &failed)
        }
        Step::Seal(_) => sealed(unit),
    }
}

/// A stem that fails is recorded, and the seal says so: until then the others go on.
fn named(
    args: &UnitWork,
    stems: usize,
    unit: &UnitContext<'_>,
    word: &str,
    failed: &[(String, String)],
) -> Done {
    if let Some(path) = args.stem.as_ref().filter(|_| stems == 0) {
        return Err(UnitError::NoSuchStem { path: path.clone(), delivery: unit.delivery.to_owned() });
    }
    let failed: String = failed
        .iter()
        .map(|(path, why)| format!("\n  failed: {}: {}", printable(path), printable(why)))
        .collect();
    Ok((format!("{}: {stems} stems {word}{failed}", unit.delivery.display()), Exit::Done))
}

fn scanned(scanned: &Scanned, delivery: &Path) -> String {
    let standing = match scanned.state {
        DeliveryState::Open => "open",
        DeliveryState::Sealed => "sealed",
        DeliveryState::Failed(_) => "failed",
    };
    let estimates = || scanned.stems.iter().map(|(_, estimate)| estimate);
    let megabytes = |estimate: &Estimate| estimate.memory_bytes.div_ceil(1 << 20);
    let memory = estimates().map(megabytes).max().unwrap_or(0);
    let longest = estimates().map(|estimate| estimate.seconds).max().unwrap_or(0);
    let all: u64 = estimates().map(|estimate| estimate.seconds).sum();
    let (stems, plan_memory, plan) = (scanned.stems.len(), megabytes(&scanned.plan), scanned.plan.seconds);
    format!("{standing}\t{stems}\t{memory}\t{longest}\t{all}\t{plan_memory}\t{plan}\t{}", delivery.display())
}

fn sealed(unit: &UnitContext<'_>) -> Done {
    let manifest = units::seal(unit, &loadin_report::papers, clock::unix_seconds())?;
    let left = manifest.stems.iter().filter(|stem| stem.is_missed());
    let lines: Vec<String> = left
        .map(|stem| {
            let why = stem.error.as_deref().unwrap_or_default();
            format!("\n  {}: {}: {}", stem.state.as_str(), printable(&stem.source.path), printable(why))
        })
        .collect();
    let exit = if lines.is_empty() { Exit::Done } else { Exit::SomeStems };
    Ok((format!("{}: sealed{}", unit.delivery.display(), lines.concat()), exit))
}

impl From<UnitError> for Failure {
    fn from(error: UnitError) -> Self {
        match error {
            UnitError::Run(error) => error.into(),
            UnitError::Io { .. } => Self::new(Exit::CannotWrite, error),
            _ => Self::new(Exit::BadArguments, error),
        }
    }
}
