//! `loadin prep`: the main job, for one delivery or a batch of them.

mod batch;
mod finish;
mod screen;

use std::io::Write;
use std::sync::Arc;
use std::time::Instant;

use loadin_pipeline::output::folder::Packaging;
use loadin_pipeline::run::{self, Job};
use loadin_pipeline::work::context::Context;
use loadin_pipeline::work::sound_cache::SoundCache;
use loadin_pipeline::work::watchdog::Patience;
use loadin_plan::recipe::Recipe;
use loadin_record::manifest::Manifest;
use loadin_record::summary::{DeliverySummary, Ended, Summary};
use loadin_storage::folder_disk::FolderDisk;

use self::batch::Turn;
use crate::args::{Format, Prep};
use crate::clock::{self, Deadline};
use crate::pages::store_batch_index;
use crate::plain::printable_json;
use crate::progress::Reporter;
use crate::recipe_file::load_terms;
use crate::signals::{STOP, stop_on_signals};
use crate::work::{bounded_memory, context, on_threads};
use crate::{Exit, Failure};

pub(crate) fn run(args: &Prep, progress: &Arc<Reporter>, out: &mut dyn Write) -> Result<Exit, Failure> {
    let recipe = load_terms(&args.work, args.deliveries.len())?;
    let deadline = Deadline::next(args.until).map_err(|error| Failure::new(Exit::BadArguments, error))?;
    let turns = batch::turns(args, &recipe)?;
    if !args.renew.is_empty() && turns.len() > 1 {
        return Err(Failure::bad("--renew is about stems of one delivery; give that one alone"));
    }
    stop_on_signals()?;
    if let [only] = &turns[..]
        && !args.batch
        && !args.split
    {
        one(args, &recipe, only, progress, out)
    } else {
        several(args, &recipe, &turns, &deadline, progress, out)
    }
}

/// One delivery: its table, and what went wrong as the command's own failure.
fn one(
    args: &Prep,
    recipe: &Recipe,
    turn: &Turn,
    progress: &Arc<Reporter>,
    out: &mut dyn Write,
) -> Result<Exit, Failure> {
    let mut summary = Summary::new(recipe.record(), clock::unix_seconds());
    let (entry, result) = carry_out(args, turn, recipe, progress);
    let exit = settled(&mut summary, entry, exit_of(&result));
    let printed = match &result {
        Ok(_) if args.format == Format::Json => print_json(&summary, out),
        Ok(manifest) => screen::print_one(manifest, &summary, &progress.take_notes(), out),
        Err(_) => Ok(()),
    };
    // A folder that was refused may be somebody else's: nothing is written into it.
    let stored = result.map(|_| finish::store(&summary, &turn.out));
    let path = stored.as_ref().ok().and_then(|stored| stored.as_deref().ok());
    finish::run_command(args.on_finish.as_deref(), &summary, path);
    printed.and(stored?).map(|_| exit)
}

/// A batch: a delivery that cannot be prepared does not stop the next one, and one screen says in the end what happened.
fn several(
    args: &Prep,
    recipe: &Recipe,
    turns: &[Turn],
    deadline: &Deadline,
    progress: &Arc<Reporter>,
    out: &mut dyn Write,
) -> Result<Exit, Failure> {
    finish::check_place(&args.out)?;
    let begun = Instant::now();
    let mut summary = Summary::new(recipe.record(), clock::unix_seconds());
    let mut stored = Ok(args.out.clone());
    let mut exit = Exit::Done;
    let mut notes = Vec::new();
    for turn in turns {
        let (entry, ended) = if STOP.is_asked() || deadline.is_over() {
            (turn.without_manifest(Ended::Later, None), Exit::SomeStems)
        } else {
            let (entry, result) = carry_out(args, turn, recipe, progress);
            (entry, result.map_or_else(|failure| failure.exit_in_batch(), |_| Exit::Done))
        };
        notes.extend(screen::news(&entry, &progress.take_notes()));
        let worked = entry.ended != Ended::Later;
        exit = exit.max(settled(&mut summary, entry, ended));
        summary.seconds = begun.elapsed().as_secs_f64();
        summary.exit_code = exit.code();
        // Written after every delivery, so that a power cut leaves a summary of what was done.
        if worked || summary.deliveries.len() == turns.len() {
            stored = finish::store(&summary, &args.out);
        }
    }
    let page = store_batch_index(&summary, &args.out);
    match args.format {
        Format::Json => print_json(&summary, out)?,
        Format::Table => {
            screen::print_batch(&summary, &notes, stored.as_deref().ok(), page.as_deref().ok(), out)?;
        }
    }
    finish::run_command(args.on_finish.as_deref(), &summary, stored.as_deref().ok());
    stored.and(page).map(|_| exit)
}

fn print_json(summary: &Summary, out: &mut dyn Write) -> Result<(), Failure> {
    Ok(write!(out, "{}", printable_json(&summary.to_json()))?)
}

/// Adds what became of a delivery, and says how that counts.
fn settled(summary: &mut Summary, entry: DeliverySummary, exit: Exit) -> Exit {
    let exit = if exit == Exit::Done && !entry.is_complete() { Exit::SomeStems } else { exit };
    summary.seconds = entry.seconds;
    summary.exit_code = exit.code();
    summary.deliveries.push(entry);
    exit
}

/// Prepares one delivery, and says for the summary what became of it.
fn carry_out(
    args: &Prep,
    turn: &Turn,
    recipe: &Recipe,
    progress: &Arc<Reporter>,
) -> (DeliverySummary, Result<Manifest, Failure>) {
    let result = prepare(args, turn, recipe, progress);
    progress.close();
    let entry = match &result {
        Ok(manifest) => {
            let (delivery, out) = turn.names();
            DeliverySummary::finished(delivery, out, manifest)
        }
        Err(failure) => {
            let ended = if failure.exit == Exit::Interrupted { Ended::Interrupted } else { Ended::Refused };
            turn.without_manifest(ended, Some(format!("{:#}", failure.error)))
        }
    };
    (entry, result)
}

fn exit_of(result: &Result<Manifest, Failure>) -> Exit {
    result.as_ref().map_or_else(|failure| failure.exit, |_| Exit::Done)
}

fn prepare(args: &Prep, turn: &Turn, recipe: &Recipe, progress: &Arc<Reporter>) -> Result<Manifest, Failure> {
    let memory = args.memory.unwrap_or_else(crate::memory::default);
    let memory = bounded_memory(memory, &args.work.threads);
    let job = Job {
        delivery: &turn.delivery,
        out: &turn.out,
        song: turn.song.as_ref(),
        packaging: if args.bag { Packaging::Bag } else { Packaging::Plain },
        recipe,
        disk: Arc::new(FolderDisk::new(&turn.out)),
        relink: args.relink,
        renew: &args.renew,
        batch: args.batch || args.split || args.deliveries.len() > 1,
        work: Context {
            sound_cache: SoundCache::new(memory),
            patience: Patience::seconds(args.work.patience),
            ..context(progress)
        },
        papers: &loadin_report::papers,
        started_unix: clock::unix_seconds(),
    };
    Ok(on_threads(&args.work.threads, || run::prepare(&job))??)
}
