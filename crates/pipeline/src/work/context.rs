//! What all work on stems shares: memory for sound, the wish to stop, patience, and who listens. It is cheap to clone, since
//! every stem is worked on by a thread of its own. It knows no delivery.

use std::sync::Arc;

use crate::work::event::{Event, Listener};
use crate::work::sound_cache::SoundCache;
use crate::work::stop::Stop;
use crate::work::watchdog::Patience;

/// What work on stems is done with.
#[derive(Clone)]
pub struct Context {
    /// Where sound is kept between survey and render.
    pub sound_cache: SoundCache,
    /// Whether to stop.
    pub stop: Stop,
    /// How long to wait for a stem that does not move.
    pub patience: Patience,
    /// Who listens.
    pub listener: Arc<Listener<'static>>,
}

impl Context {
    /// A work that keeps nothing and waits as long as usual.
    pub fn new(stop: Stop, listener: Arc<Listener<'static>>) -> Self {
        Self { sound_cache: SoundCache::default(), stop, patience: Patience::default(), listener }
    }

    pub(crate) fn tell(&self, event: Event<'_>) {
        (self.listener)(event);
    }
}
