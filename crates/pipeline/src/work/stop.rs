//! The wish to stop, which may come at any time and from any thread.

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

/// Whether a run shall stop: what is being written is taken back, what is finished stays. Clones are one wish.
#[derive(Debug, Clone, Default)]
pub struct Stop(Arc<AtomicBool>);

impl Stop {
    /// Nobody wants to stop yet.
    pub fn new() -> Self {
        Self::default()
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
