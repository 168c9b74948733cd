//! `loadin prep`: the main job.

use std::io::Write;
use std::path::{Path, PathBuf};
use std::time::{SystemTime, UNIX_EPOCH};

use loadin_pipeline::manifest::{Manifest, State, StemRecord};
use loadin_pipeline::recipe::Recipe;
use loadin_pipeline::run::{self, Job, RunError};
use loadin_pipeline::scan;
use loadin_pipeline::storage::RealDisk;

use super::{STOP, finding_line, load_recipe, on_threads, stop_on_signals, words};
use crate::args::Prep;
use crate::progress::Reporter;
use crate::table::{Table, printable};
use crate::{Exit, Failure};

pub(crate) fn run(args: &Prep, progress: &Reporter, out: &mut dyn Write) -> Result<Exit, Failure> {
    let recipe = load_recipe(&args.work.recipe)?;
    stop_on_signals()?;
    let mut exit = Exit::Done;
    let memory = args.memory.unwrap_or_else(crate::memory::default);
    for (delivery, folder) in places(args)? {
        // A delivery that cannot be prepared does not stop the next one.
        match on_threads(&args.work, || prepare(&delivery, &folder, &recipe, memory, progress))? {
            Ok(manifest) => {
                progress.close();
                print(&manifest, &folder, out)?;
                if !manifest.stems.iter().all(|stem| matches!(stem.state, State::Prepared | State::Unchanged))
                {
                    exit = exit.max(Exit::SomeStems);
                }
            }
            Err(error) if args.deliveries.len() == 1 || matches!(error, RunError::Stopped) => {
                return Err(error.into());
            }
            Err(error) => {
                progress.close();
                let failure = Failure::from(error);
                writeln!(out, "{}: {:#}", printable(&delivery.display().to_string()), failure.error)?;
                exit = exit.max(failure.exit);
            }
        }
    }
    Ok(exit)
}

/// Where each delivery goes; two of one name would share a folder and are refused.
fn places(args: &Prep) -> Result<Vec<(PathBuf, PathBuf)>, Failure> {
    if let [only] = &args.deliveries[..] {
        return Ok(vec![(only.clone(), args.out.clone())]);
    }
    let mut places: Vec<(PathBuf, PathBuf)> = Vec::new();
    for delivery in &args.deliveries {
        let folder = args.out.join(scan::name_of(delivery));
        if let Some((other, _)) = places.iter().find(|(_, known)| *known == folder) {
            return Err(Failure::bad(format!(
                "\"{}\" and \"{}\" have one name and would share \"{}\"; prepare them one by one, or rename one",
                other.display(),
                delivery.display(),
                folder.display()
            )));
        }
        places.push((delivery.clone(), folder));
    }
    Ok(places)
}

#[expect(
    clippy::disallowed_methods,
    reason = "the start of a run is part of its record, outside every comparison"
)]
fn prepare(
    delivery: &Path,
    out: &Path,
    recipe: &Recipe,
    memory: u64,
    progress: &Reporter,
) -> Result<Manifest, RunError> {
    let started_unix = SystemTime::now().duration_since(UNIX_EPOCH).map_or(0, |elapsed| elapsed.as_secs());
    run::prepare(&Job {
        delivery,
        out,
        recipe,
        disk: &RealDisk,
        memory,
        stop: &STOP,
        papers: &loadin_report::papers,
        listener: &|event| progress.show(&event),
        started_unix,
    })
}

fn print(manifest: &Manifest, folder: &Path, out: &mut dyn Write) -> Result<(), Failure> {
    let mut table = Table::new(&["output", "source", "state", "what was done"]);
    for stem in &manifest.stems {
        let label = stem.output.as_ref().map_or("-", |output| output.path.trim_start_matches("audio/"));
        table.row([label.to_owned(), stem.source.path.clone(), stem.state.as_str().to_owned(), what(stem)]);
    }
    table.print(out)?;
    writeln!(out)?;
    for finding in &manifest.findings {
        writeln!(out, "{}", finding_line(finding))?;
    }
    for gain in &manifest.link.gains {
        writeln!(out, "gain of the {}: {:+.2} dB", gain.scope, gain.gain_db)?;
    }
    let count = |state: State| manifest.stems.iter().filter(|stem| stem.state == state).count();
    writeln!(
        out,
        "{}: {} prepared, {} unchanged, {} set aside, {} failed; the record is {}",
        printable(&manifest.delivery.name),
        count(State::Prepared),
        count(State::Unchanged),
        count(State::SetAside),
        count(State::Failed),
        folder.join("manifest.json").display()
    )?;
    if let Some(louder) = manifest.louder_db() {
        writeln!(
            out,
            "Caution: playback can be up to {louder:.1} dB louder than the delivered files. Turn the monitors down first."
        )?;
    }
    Ok(())
}

fn what(stem: &StemRecord) -> String {
    stem.error.clone().unwrap_or_else(|| words(&stem.changes))
}
