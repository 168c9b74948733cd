//! A producer and a consumer of blocks, on one thread or on two. What comes out is the same, so two are used where there are
//! threads without a stem. It does not know what is in a block, nor what becomes of it.

use std::panic::resume_unwind;
use std::sync::mpsc::{channel, sync_channel};
use std::thread;

use loadin_audio::Block;

/// Samples that change threads at once, all channels together: to wake a thread takes as long as several blocks, and many
/// channels shall not need more memory than two.
const BATCH_SAMPLES: usize = 1 << 17;

/// Batches that may wait to be taken: enough that a short pause on either side stops nobody, and little memory.
const WAITING: usize = 4;

/// How many threads work on a stem.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Threads {
    /// One thread makes a block and takes it, then the next.
    One,
    /// One thread makes blocks while another takes them, and their digests are made on further ones.
    Two,
}

/// Where the producer puts its blocks. The block comes back with other contents, to be filled again. The producer ends with
/// an error of its own as `Some`; `None` says that the consumer has failed, which knows why.
pub(crate) type Push<'a, E> = dyn FnMut(&mut Block) -> Result<(), Option<E>> + 'a;

/// Lets `take`, the consumer, have every block that `make`, the producer, pushes, in order.
pub(crate) fn produce_consume<R: Send, E: Send>(
    threads: Threads,
    make: impl FnOnce(&mut Push<'_, E>) -> Result<R, Option<E>> + Send,
    take: impl FnMut(&mut Block) -> Result<(), E>,
) -> Result<R, E> {
    let (made, failed) = match threads {
        Threads::One => on_one_thread(make, take),
        Threads::Two => on_two_threads(thread::Builder::new().name("decode".to_owned()), make, take),
    };
    match (failed, made) {
        (Some(error), _) | (None, Err(Some(error))) => Err(error),
        (None, Ok(made)) => Ok(made),
        (None, Err(None)) => unreachable!("a push fails only after the taker did"),
    }
}

/// What was made, and why the taker gave up.
type Made<R, E> = (Result<R, Option<E>>, Option<E>);

fn on_one_thread<R, E>(
    make: impl FnOnce(&mut Push<'_, E>) -> Result<R, Option<E>>,
    mut take: impl FnMut(&mut Block) -> Result<(), E>,
) -> Made<R, E> {
    let mut failed = None;
    let mut push = |block: &mut Block| {
        take(block).map_err(|error| {
            failed = Some(error);
            None
        })
    };
    (make(&mut push), failed)
}

/// The maker is on a thread of its own, where the system has one to give.
fn on_two_threads<R: Send, E: Send, M: FnOnce(&mut Push<'_, E>) -> Result<R, Option<E>> + Send>(
    thread: thread::Builder,
    make: M,
    mut take: impl FnMut(&mut Block) -> Result<(), E>,
) -> Made<R, E> {
    thread::scope(|scope| {
        let (full, ready) = sync_channel::<Vec<Block>>(WAITING);
        let (back, empty) = channel();
        // A thread that could not be started would take the work with it, so the work comes after.
        let (give, given) = channel::<M>();
        let task = move || {
            let make = given.recv().ok()?;
            let (mut batch, mut spare, mut samples) = (Vec::new(), Vec::new(), 0);
            let made = make(&mut |block| {
                samples += block.frames() * block.channels();
                batch.push(std::mem::replace(block, spare.pop().unwrap_or_default()));
                if samples < BATCH_SAMPLES {
                    return Ok(());
                }
                samples = 0;
                spare = empty.try_recv().unwrap_or_default();
                full.send(std::mem::take(&mut batch)).map_err(|_| None)
            });
            // What was made before a failure is taken all the same; a taker that has gone said why.
            let _ = full.send(batch);
            Some(made)
        };
        let Ok(maker) = thread.spawn_scoped(scope, task) else { return on_one_thread(make, take) };
        // It waits for nothing else.
        let _ = give.send(make);
        // Ends when the maker does; a failure drops the receiver, which ends the maker.
        let failed = ready.into_iter().find_map(|mut batch| {
            let failed = batch.iter_mut().find_map(|block| take(block).err());
            // The maker may be done.
            let _ = back.send(batch);
            failed
        });
        let made = maker.join().unwrap_or_else(|panic| resume_unwind(panic));
        (made.expect("the work was given to it"), failed)
    })
}

#[cfg(test)]
mod tests {
    use std::sync::atomic::{AtomicUsize, Ordering};
    use std::time::Duration;

    use super::*;

    fn numbers(threads: Threads, count: usize, fails_at: usize) -> (Vec<f64>, Result<usize, String>) {
        let mut taken = Vec::new();
        let make = |push: &mut Push<'_, String>| {
            let mut block = Block::default();
            for number in 0..count {
                block.set_channels(1);
                block.clear();
                block.push_frame(&[number as f64]);
                // Long enough that there is more than one batch.
                block.resize(4096);
                push(&mut block)?;
            }
            if count == 77 { Err(Some("made no more".to_owned())) } else { Ok(count) }
        };
        let made = produce_consume(threads, make, |block| {
            taken.push(block.channel(0)[0]);
            if taken.len() > fails_at { Err("took no more".to_owned()) } else { Ok(()) }
        });
        (taken, made)
    }

    #[test]
    fn two_hands_do_what_one_does() {
        for (count, fails_at) in [(0, 9), (1000, 2000), (77, 2000), (1000, 3)] {
            assert_eq!(numbers(Threads::One, count, fails_at), numbers(Threads::Two, count, fails_at));
        }
        assert_eq!(numbers(Threads::Two, 77, 2000).1, Err("made no more".to_owned()));
        assert_eq!(
            numbers(Threads::Two, 1000, 3),
            (vec![0.0, 1.0, 2.0, 3.0], Err("took no more".to_owned()))
        );
    }

    /// No system has room for such a stack.
    #[test]
    fn without_a_second_thread_one_does_it_all() {
        let none = thread::Builder::new().stack_size(1 << 60);
        let mut taken = 0;
        let make = |push: &mut Push<'_, ()>| push(&mut Block::default()).map(|()| 7);
        let take = |_: &mut Block| -> Result<(), ()> {
            taken += 1;
            Ok(())
        };
        assert_eq!(on_two_threads(none, make, take), (Ok(7), None));
        assert_eq!(taken, 1);
    }

    /// Blocks of 64 channels are as large as a batch: one in the maker's hand, one in the taker's, the rest waits.
    #[test]
    fn many_channels_do_not_pile_up() {
        let made = AtomicUsize::new(0);
        let make = |push: &mut Push<'_, ()>| {
            let mut block = Block::default();
            for _ in 0..50 {
                block.set_channels(64);
                block.resize(2048);
                made.fetch_add(1, Ordering::Relaxed);
                push(&mut block)?;
            }
            Ok(())
        };
        let mut taken = 0;
        let take = |_: &mut Block| {
            // The maker would run ahead meanwhile.
            thread::sleep(Duration::from_millis(2));
            let ahead = made.load(Ordering::Relaxed) - taken;
            assert!(ahead <= WAITING + 2, "{ahead} blocks");
            taken += 1;
            Ok(())
        };
        assert_eq!(produce_consume(Threads::Two, make, take), Ok(()));
    }

    #[test]
    #[should_panic(expected = "on purpose")]
    fn a_panic_of_the_maker_is_the_callers() {
        let make = |_: &mut Push<'_, ()>| -> Result<(), Option<()>> { panic!("on purpose") };
        let _ = produce_consume(Threads::Two, make, |_| Ok(()));
    }
}
