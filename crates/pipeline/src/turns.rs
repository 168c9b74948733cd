//! Who works on what, when: stems in parallel, the largest first, and the disk never waited for while there is work.

use std::collections::VecDeque;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

use loadin_plan::plan::StemPlan;
use loadin_record::digest::Stored;
use loadin_record::written::Measured;
use loadin_storage::records::Records;
use loadin_storage::store::Written;
use rayon::prelude::*;

use crate::event::{Event, Step};
use crate::hands::Hands;
use crate::journal::Renders;
use crate::render::{self, RenderError, Shop};
use crate::stop::Stop;

/// Works on every item, the largest first so that no thread is left alone with it at the end; results keep the
/// order of the items.
pub(crate) fn in_parallel<T: Sync, R: Send>(
    items: &[T],
    size: impl Fn(&T) -> u64,
    work: impl Fn(&T) -> R + Sync,
) -> Vec<R> {
    with_hands(items, size, |item, _| work(item))
}

/// The same, where the work on an item can be shared out: it is when, as the item begins, fewer items are left than there
/// are threads.
pub(crate) fn with_hands<T: Sync, R: Send>(
    items: &[T],
    size: impl Fn(&T) -> u64,
    work: impl Fn(&T, Hands) -> R + Sync,
) -> Vec<R> {
    let left = AtomicUsize::new(items.len());
    let work = |item: &T| {
        let alone = left.load(Ordering::Relaxed) < rayon::current_num_threads();
        let result = work(item, if alone { Hands::Two } else { Hands::One });
        left.fetch_sub(1, Ordering::Relaxed);
        result
    };
    let mut order: Vec<usize> = (0..items.len()).collect();
    order.sort_by_key(|&index| std::cmp::Reverse(size(&items[index])));
    let mut done: Vec<(usize, R)> =
        order.into_par_iter().with_max_len(1).map(|index| (index, work(&items[index]))).collect();
    done.sort_by_key(|(index, _)| *index);
    done.into_iter().map(|(_, result)| result).collect()
}

/// A path and what became of its stem.
pub(crate) type Turn = (String, Result<(Measured, Stored), RenderError>);

/// Renders every stem that is not finished yet. Stems are missing from the result when the run was asked to stop, or
/// when the disk refused one of them.
pub(crate) fn render_all(shop: &Arc<Shop>, records: &Records<'_>, stems: &[&StemPlan]) -> Vec<Turn> {
    let line = Line { shop, renders: Renders(records), settling: Mutex::default(), disk_failed: Stop::new() };
    let cost = |stem: &&StemPlan| stem.output.frames * stem.shape().source_channels() as u64;
    let turns = with_hands(stems, cost, |stem, hands| line.render(stem, hands));
    let rest = std::mem::take(&mut *line.lock());
    let rest: Vec<Turn> = rest.into_par_iter().map(|written| line.settle(written)).collect();
    turns.into_iter().flatten().chain(rest).collect()
}

/// While the disk takes one stem, the next is rendered: what is written settles one turn later.
struct Line<'a> {
    shop: &'a Arc<Shop>,
    renders: Renders<'a>,
    settling: Mutex<VecDeque<(&'a StemPlan, Written<Measured>)>>,
    /// A disk that refused one stem is not asked for another.
    disk_failed: Stop,
}

impl<'a> Line<'a> {
    fn lock(&self) -> MutexGuard<'_, VecDeque<(&'a StemPlan, Written<Measured>)>> {
        self.settling.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Renders a stem, and settles one that was rendered before; `None` when neither has ended.
    fn render(&self, stem: &'a StemPlan, hands: Hands) -> Option<Turn> {
        if self.disk_failed.is_asked() || self.shop.bench.stop.is_asked() {
            return None;
        }
        if let Some(done) = self.renders.proved(&self.shop.out, stem) {
            self.shop.bench.tell(Event::Reused { step: Step::Render, path: stem.path() });
            return Some((stem.path().to_owned(), Ok(done)));
        }
        match render::render(self.shop, stem, hands) {
            Err(error) => Some((stem.path().to_owned(), Err(self.noticed(error)))),
            Ok(written) => self.next_settled(stem, written).map(|ready| self.settle(ready)),
        }
    }

    /// Puts a written stem into the line, and takes the first out when every thread has one in it.
    fn next_settled(
        &self,
        stem: &'a StemPlan,
        written: Written<Measured>,
    ) -> Option<(&'a StemPlan, Written<Measured>)> {
        let mut settling = self.lock();
        settling.push_back((stem, written));
        if settling.len() > rayon::current_num_threads() { settling.pop_front() } else { None }
    }

    fn settle(&self, (stem, written): (&StemPlan, Written<Measured>)) -> Turn {
        let result = render::settle(self.shop, stem, written);
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
