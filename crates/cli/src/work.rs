//! How a verb starts work on stems: on how many threads, and whom it tells. Knows no verb.

use std::path::Path;
use std::sync::Arc;
use std::thread;

use loadin_pipeline::run::{self, Bound, Study};
use loadin_pipeline::work::context::Context;
use loadin_pipeline::work::event::Event;
use loadin_pipeline::work::watchdog::Patience;
use loadin_plan::recipe::Recipe;

use crate::args::{Threads, Work};
use crate::limits;
use crate::progress::Reporter;
use crate::signals::STOP;
use crate::{Exit, Failure};

/// How many threads a processor gets at most, where somebody asks for many: more only wait for each other.
const MOST_A_PROCESSOR: usize = 16;

/// As many threads as were asked for, or granted by an engine, which may speak of another machine; else one a processor.
fn threads(asked: &Threads) -> usize {
    let processors = thread::available_parallelism().map_or(1, usize::from);
    let granted = || crate::engine::granted_threads().map(|granted| granted.min(processors));
    let asked = asked.jobs.map(|jobs| usize::from(jobs).min(MOST_A_PROCESSOR * processors));
    asked.or_else(granted).unwrap_or(processors)
}

/// How much of `bytes` may be kept in memory beside the work.
pub(crate) fn bounded_memory(bytes: u64, asked: &Threads) -> u64 {
    limits::bounded(bytes, threads(asked))
}

/// Runs `work` on as many threads as were asked for, or granted.
pub(crate) fn on_threads<T: Send>(asked: &Threads, work: impl FnOnce() -> T + Send) -> Result<T, Failure> {
    let threads = threads(asked);
    limits::check(threads)?;
    let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build().map_err(|error| {
        let text = format!(
            "cannot start {threads} threads: {error}; use fewer --jobs, or raise the limit (ulimit -u)"
        );
        Failure::new(Exit::CannotWrite, anyhow::Error::msg(text))
    })?;
    Ok(pool.install(work))
}

/// What work on stems is done with, where nothing is kept for later.
pub(crate) fn context(progress: &Arc<Reporter>) -> Context {
    let progress = Arc::clone(progress);
    Context::new(STOP.clone(), Arc::new(move |event: Event<'_>| progress.show(&event)))
}

/// Surveys and plans a delivery, and writes nothing.
pub(crate) fn study(
    delivery: &Path,
    work: &Work,
    recipe: &Recipe,
    bound: Option<(&Bound, &Path)>,
    progress: &Arc<Reporter>,
) -> Result<Study, Failure> {
    let shared = Context { patience: Patience::seconds(work.patience), ..context(progress) };
    Ok(on_threads(&work.threads, || run::study(delivery, recipe, &shared, bound))??)
}
