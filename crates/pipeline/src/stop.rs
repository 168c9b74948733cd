//! The wish to stop, which may come at any time and from any thread.

use std::sync::atomic::{AtomicBool, Ordering};

/// Whether a run shall stop: what is being written is taken back, what is finished stays.
#[derive(Debug, Default)]
pub struct Stop(AtomicBool);

impl Stop {
    /// Nobody wants to stop yet.
    pub const fn new() -> Self {
        Self(AtomicBool::new(false))
    }

    /// Asks to stop.
    pub fn ask(&self) {
        self.0.store(true, Ordering::Relaxed);
    }

    /// Whether somebody has asked.
    pub fn is_asked(&self) -> bool {
        self.0.load(Ordering::Relaxed)
    }
}
