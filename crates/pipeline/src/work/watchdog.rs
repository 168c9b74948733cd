//! Work that may never come back: a decoder in a loop, a share that is gone. It is done on a thread of its own, and left
//! behind when it does not move, so that it costs its own stem and not the night.

use std::panic::{AssertUnwindSafe, catch_unwind};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::sync::mpsc::{Receiver, RecvTimeoutError, sync_channel};
use std::thread;
use std::time::{Duration, Instant};

/// How long to wait for a stem.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Patience(Duration);

impl Default for Patience {
    fn default() -> Self {
        Self(Duration::from_secs(60))
    }
}

impl Patience {
    /// A stem may stand still for so many seconds, and take so many seconds and its own duration in all.
    pub fn seconds(seconds: u64) -> Self {
        Self(Duration::from_secs(seconds))
    }

    /// All the time that so much sound may take.
    fn budget(self, audio_seconds: f64) -> Duration {
        let own = Duration::try_from_secs_f64(audio_seconds.max(0.0)).unwrap_or(Duration::ZERO);
        self.0.saturating_add(own)
    }
}

/// What watched work shows of itself.
#[derive(Debug, Default)]
pub(crate) struct Heartbeat {
    beats: AtomicU64,
    left: AtomicBool,
}

impl Heartbeat {
    /// Says that the work goes on. False when nobody waits for it any more: then it shall end.
    pub(crate) fn beat(&self) -> bool {
        self.beats.fetch_add(1, Ordering::Relaxed);
        !self.left.load(Ordering::Relaxed)
    }
}

/// Why watched work has no result.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub(crate) enum WatchdogError {
    /// It panicked.
    #[error("the decoder gave up on its contents")]
    GaveUp,
    /// It does not move.
    #[error(
        "nothing has moved for {0} s: its decoder hangs, or its disk does not answer; --patience waits longer"
    )]
    Stuck(u64),
    /// It moves, but so slowly that it would take the night.
    #[error("it takes more than {0} s longer than it sounds; --patience waits longer")]
    Slow(u64),
}

/// How often the work is looked at.
const LOOK: Duration = Duration::from_millis(250);

/// Does work on a thread of its own and waits for it, as long as it moves and keeps its budget. Where the system has no thread
/// to give, it is done here, and nobody watches it.
pub(crate) fn watched<T: Send + 'static>(
    patience: Patience,
    audio_seconds: f64,
    work: impl FnOnce(&Heartbeat) -> T + Send + 'static,
) -> Result<T, WatchdogError> {
    watched_on(thread::Builder::new().name("stem".to_owned()), patience, audio_seconds, work)
}

fn watched_on<T: Send + 'static>(
    thread: thread::Builder,
    patience: Patience,
    audio_seconds: f64,
    work: impl FnOnce(&Heartbeat) -> T + Send + 'static,
) -> Result<T, WatchdogError> {
    let heartbeat = Arc::new(Heartbeat::default());
    let (sender, receiver) = sync_channel(1);
    // A thread that could not be started would take the work with it, so the work comes after.
    let (give, given) = sync_channel(1);
    let own = Arc::clone(&heartbeat);
    let task = move || {
        let Ok(work) = given.recv() else { return };
        // Nobody may be waiting any more.
        let _ = sender.send(done(work, &own));
    };
    if thread.spawn(task).is_err() {
        return done(work, &heartbeat);
    }
    // It waits for nothing else.
    let _ = give.send(work);
    let result = wait(&receiver, &heartbeat, patience, patience.budget(audio_seconds));
    heartbeat.left.store(true, Ordering::Relaxed);
    result
}

fn done<T>(work: impl FnOnce(&Heartbeat) -> T, heartbeat: &Heartbeat) -> Result<T, WatchdogError> {
    catch_unwind(AssertUnwindSafe(|| work(heartbeat))).map_err(|_| WatchdogError::GaveUp)
}

fn wait<T>(
    receiver: &Receiver<Result<T, WatchdogError>>,
    heartbeat: &Heartbeat,
    patience: Patience,
    budget: Duration,
) -> Result<T, WatchdogError> {
    let begun = Instant::now();
    let (mut beats, mut moved) = (0, begun);
    loop {
        match receiver.recv_timeout(LOOK.min(patience.0)) {
            Ok(result) => return result,
            Err(RecvTimeoutError::Disconnected) => return Err(WatchdogError::GaveUp),
            Err(RecvTimeoutError::Timeout) => {}
        }
        let found = heartbeat.beats.load(Ordering::Relaxed);
        if found != beats {
            (beats, moved) = (found, Instant::now());
        }
        if moved.elapsed() > patience.0 {
            return Err(WatchdogError::Stuck(patience.0.as_secs()));
        }
        if begun.elapsed() > budget {
            return Err(WatchdogError::Slow(patience.0.as_secs()));
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn work_that_moves_is_waited_for() {
        let slow = |heartbeat: &Heartbeat| {
            for _ in 0..20 {
                thread::sleep(Duration::from_millis(100));
                assert!(heartbeat.beat());
            }
            7
        };
        assert_eq!(watched(Patience::seconds(1), 60.0, slow), Ok(7));
        assert_eq!(
            watched(Patience::seconds(1), 0.5, slow),
            Err(WatchdogError::Slow(1)),
            "its budget is 1.5 s"
        );
    }

    #[test]
    fn work_that_hangs_is_left_and_told_so() {
        let (sender, told) = sync_channel(1);
        let hangs = move |heartbeat: &Heartbeat| {
            thread::sleep(Duration::from_millis(1_800));
            sender.send(heartbeat.beat()).unwrap();
        };
        assert_eq!(watched(Patience::seconds(1), 60.0, hangs), Err(WatchdogError::Stuck(1)));
        assert_eq!(told.recv(), Ok(false), "whoever wakes up later learns that nobody waits");
    }

    /// No system has room for such a stack.
    #[test]
    fn without_a_thread_the_work_is_done_all_the_same() {
        let none = || thread::Builder::new().stack_size(1 << 60);
        assert_eq!(watched_on(none(), Patience::default(), 1.0, Heartbeat::beat), Ok(true));
        let fails = |_: &Heartbeat| -> u8 { panic!("on purpose") };
        assert_eq!(watched_on(none(), Patience::default(), 1.0, fails), Err(WatchdogError::GaveUp));
    }

    #[test]
    fn work_that_panics_says_so() {
        assert_eq!(
            watched(Patience::default(), 1.0, |_| -> u8 { panic!("on purpose") }),
            Err(WatchdogError::GaveUp)
        );
    }
}
