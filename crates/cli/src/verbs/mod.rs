//! One file a verb.

pub(crate) mod audit;
pub(crate) mod facts;
pub(crate) mod manual;
pub(crate) mod pages;
pub(crate) mod plan;
pub(crate) mod prep;
pub(crate) mod recipe;
pub(crate) mod report;
pub(crate) mod restore;
pub(crate) mod unit;
pub(crate) mod verify;

use std::collections::BTreeMap;
use std::io::Write;
use std::path::{Path, PathBuf};
use std::sync::{Arc, LazyLock};

use loadin_pipeline::event::Event;
use loadin_pipeline::run::{self, RunError, Study};
use loadin_pipeline::stop::Stop;
use loadin_pipeline::{Bench, OutFolderError, Patience, scan};
use loadin_plan::recipe::{Recipe, find_shipped};
use loadin_record::finding::Finding;
use loadin_record::manifest::{Change, Manifest};

use crate::args::{Threads, Work};
use crate::look::{Look, Tone};
use crate::progress::Reporter;
use crate::table::printable;
use crate::{Exit, Failure};

/// Reads the recipe that was asked for: a file where there is one, else a shipped recipe.
fn load_recipe(asked: &str) -> Result<Recipe, Failure> {
    let path = Path::new(asked);
    let text = if path.is_file() {
        std::fs::read_to_string(path)
            .map_err(|error| Failure::bad(format!("cannot read the recipe \"{asked}\": {error}")))?
    } else if let Some(shipped) = find_shipped(asked) {
        shipped.text.to_owned()
    } else {
        return Err(Failure::bad(format!(
            "there is no recipe file \"{asked}\", and no shipped recipe of that name; `loadin recipe list` shows them"
        )));
    };
    Recipe::parse(&text).map_err(|errors| Failure::bad(recipe_errors(asked, &errors)))
}

/// Every mistake of a recipe, one a line, in the form that editors can jump to.
fn recipe_errors(file: &str, errors: &loadin_plan::recipe::RecipeErrors) -> String {
    let lines: Vec<String> = errors
        .iter()
        .map(|error| format!("{file}:{}:{}: {}", error.line, error.column, error.text))
        .collect();
    format!("the recipe cannot be used:\n{}", lines.join("\n"))
}

/// Whether somebody pressed Ctrl-C, or the machine is shutting down.
static STOP: LazyLock<Stop> = LazyLock::new(Stop::new);

/// From here on the first Ctrl-C or SIGTERM ends the run in good order, and a second one at once. Neither leaves half a
/// file under a final name.
#[expect(clippy::exit, reason = "a second signal wants an end at once, whatever is open")]
fn stop_on_signals() -> Result<(), Failure> {
    let stop = || {
        if STOP.is_asked() {
            std::process::exit(i32::from(Exit::Interrupted.code()));
        }
        STOP.ask();
    };
    ctrlc::set_handler(stop).map_err(|error| Failure::bad(format!("cannot listen for Ctrl-C: {error}")))
}

/// Deliveries of one name would share a folder in `out`.
fn refuse_shared_folders(deliveries: &[PathBuf], out: &Path) -> Result<(), Failure> {
    let mut taken: BTreeMap<String, &Path> = BTreeMap::new();
    for delivery in deliveries {
        let name = scan::name_of(delivery);
        let folder = out.join(&name);
        if let Some(other) = taken.insert(name, delivery) {
            return Err(Failure::bad(format!(
                "\"{}\" and \"{}\" have one name and would share \"{}\"; do them one by one, or rename one",
                other.display(),
                delivery.display(),
                folder.display()
            )));
        }
    }
    Ok(())
}

/// Runs `work` on as many threads as were asked for, or granted.
fn on_threads<T: Send>(asked: &Threads, work: impl FnOnce() -> T + Send) -> Result<T, Failure> {
    let threads = asked.jobs.map(usize::from).or_else(crate::engine::granted_threads).unwrap_or(0);
    let pool = rayon::ThreadPoolBuilder::new()
        .num_threads(threads)
        .build()
        .map_err(|error| Failure::bad(format!("cannot start {threads} threads: {error}")))?;
    Ok(pool.install(work))
}

/// What work on stems is done with, where nothing is kept for later.
fn bench(progress: &Arc<Reporter>) -> Bench {
    let progress = Arc::clone(progress);
    Bench::new(STOP.clone(), Arc::new(move |event: Event<'_>| progress.show(&event)))
}

/// Surveys and plans a delivery, and writes nothing.
fn study(
    delivery: &Path,
    work: &Work,
    recipe: &Recipe,
    earlier: Option<&Manifest>,
    progress: &Arc<Reporter>,
) -> Result<Study, Failure> {
    let bench = Bench { patience: Patience::seconds(work.patience), ..bench(progress) };
    Ok(on_threads(&work.threads, || run::study(delivery, recipe, &bench, earlier))??)
}

impl From<RunError> for Failure {
    fn from(error: RunError) -> Self {
        let exit = match &error {
            RunError::Scan(_) | RunError::Empty { .. } | RunError::Out(OutFolderError::Overlaps { .. }) => {
                Exit::BadArguments
            }
            RunError::Stopped => Exit::Interrupted,
            _ => Exit::CannotWrite,
        };
        Self::new(exit, error)
    }
}

/// Changes in a few words; the name stands beside them anyway.
fn words<'a>(changes: impl IntoIterator<Item = &'a Change>) -> String {
    let words: Vec<String> =
        changes.into_iter().filter(|change| change.stage != "label").map(ToString::to_string).collect();
    if words.is_empty() { "nothing but its name".to_owned() } else { words.join("; ") }
}

/// A finding in one line.
fn finding_line(finding: &Finding) -> String {
    let word = finding.severity.as_str();
    let (look, tone) = (Look::of_stdout(), Tone::of_word(word));
    format!("{} ({}): {}", finding.id.as_str(), look.paint(word, tone), printable(&finding.text))
}

/// Says by how much playback can be louder than the delivered files.
fn loudness_caution(louder_db: Option<f64>, out: &mut dyn Write) -> Result<(), Failure> {
    if let Some(louder) = louder_db {
        writeln!(
            out,
            "Caution: playback of prepared stems can be up to {louder:.1} dB louder than the delivered files. Turn the monitors down first."
        )?;
    }
    Ok(())
}
