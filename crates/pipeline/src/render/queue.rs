//! Renders stems in parallel, the largest first, and settles each while the next is rendered, so that nobody waits for the
//! disk while there is work. It does not know how a stem is rendered.

use std::collections::VecDeque;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

use loadin_plan::plan::StemPlan;
use loadin_record::digest::Stored;
use loadin_record::written::Measured;
use loadin_storage::records::Records;
use loadin_storage::store::Written;
use rayon::prelude::*;

use super::context::RenderContext;
use super::error::RenderError;
use super::render::{render, settle};
use crate::journal::Renders;
use crate::work::event::{Event, Step};
use crate::work::handoff::Threads;
use crate::work::schedule::in_parallel_shared;
use crate::work::stop::Stop;

/// A path and what became of its stem.
pub(crate) type Outcome = (String, Result<(Measured, Stored), RenderError>);

/// Renders every stem that is not finished yet. Stems are missing from the result when the run was asked to stop, or
/// when the disk refused one of them.
pub(crate) fn render_all(
    context: &Arc<RenderContext>,
    records: &Records<'_>,
    stems: &[&StemPlan],
) -> Vec<Outcome> {
    let queue = SettleQueue {
        context,
        renders: Renders(records),
        settling: Mutex::default(),
        disk_failed: Stop::new(),
    };
    let cost = |stem: &&StemPlan| stem.output.frames * stem.shape().source_channels() as u64;
    let outcomes = in_parallel_shared(stems, cost, |stem, threads| queue.render(stem, threads));
    let rest = std::mem::take(&mut *queue.lock());
    let rest: Vec<Outcome> = rest.into_par_iter().map(|written| queue.settle(written)).collect();
    outcomes.into_iter().flatten().chain(rest).collect()
}

/// While the disk takes one stem, the next is rendered: what is written settles when another has been rendered.
struct SettleQueue<'a> {
    context: &'a Arc<RenderContext>,
    renders: Renders<'a>,
    settling: Mutex<VecDeque<(&'a StemPlan, Written<Measured>)>>,
    /// A disk that refused one stem is not asked for another.
    disk_failed: Stop,
}

impl<'a> SettleQueue<'a> {
    fn lock(&self) -> MutexGuard<'_, VecDeque<(&'a StemPlan, Written<Measured>)>> {
        self.settling.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Renders a stem, and settles one that was rendered before; `None` when neither has ended.
    fn render(&self, stem: &'a StemPlan, threads: Threads) -> Option<Outcome> {
        if self.disk_failed.is_asked() || self.context.work.stop.is_asked() {
            return None;
        }
        if let Some(done) = self.renders.proved(&self.context.out, stem) {
            self.context.work.tell(Event::Reused { step: Step::Render, path: stem.path() });
            return Some((stem.path().to_owned(), Ok(done)));
        }
        match render(self.context, stem, threads) {
            Err(error) => Some((stem.path().to_owned(), Err(self.noticed(error)))),
            Ok(written) => self.next_settled(stem, written).map(|ready| self.settle(ready)),
        }
    }

    /// Puts a written stem into the queue, and takes the first out when every thread has one in it.
    fn next_settled(
        &self,
        stem: &'a StemPlan,
        written: Written<Measured>,
    ) -> Option<(&'a StemPlan, Written<Measured>)> {
        let mut settling = self.lock();
        settling.push_back((stem, written));
        if settling.len() > rayon::current_num_threads() { settling.pop_front() } else { None }
    }

    fn settle(&self, (stem, written): (&StemPlan, Written<Measured>)) -> Outcome {
        let result = settle(self.context, stem, written, self.renders);
        if let Ok((measured, stored)) = &result {
            self.renders.record(stem, measured, stored);
        }
        (stem.path().to_owned(), result.map_err(|error| self.noticed(error)))
    }

    fn noticed(&self, error: RenderError) -> RenderError {
        if matches!(error, RenderError::Store(_)) {
            self.disk_failed.ask();
        }
        error
    }
}
