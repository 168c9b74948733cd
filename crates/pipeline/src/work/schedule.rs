//! Items in parallel, the largest first, on the current rayon pool. It does not know what an item is.

use std::sync::atomic::{AtomicUsize, Ordering};

use rayon::prelude::*;

use crate::work::handoff::Threads;

/// Works on every item, the largest first so that no thread is left alone with it at the end; results keep the
/// order of the items.
pub(crate) fn in_parallel<T: Sync, R: Send>(
    items: &[T],
    size: impl Fn(&T) -> u64,
    work: impl Fn(&T) -> R + Sync,
) -> Vec<R> {
    in_parallel_shared(items, size, |item, _| work(item))
}

/// The same, where the work on an item can be shared out: it is when, as the item begins, fewer items are left than there
/// are threads.
pub(crate) fn in_parallel_shared<T: Sync, R: Send>(
    items: &[T],
    size: impl Fn(&T) -> u64,
    work: impl Fn(&T, Threads) -> R + Sync,
) -> Vec<R> {
    let left = AtomicUsize::new(items.len());
    let work = |item: &T| {
        let alone = left.load(Ordering::Relaxed) < rayon::current_num_threads();
        let result = work(item, if alone { Threads::Two } else { Threads::One });
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
