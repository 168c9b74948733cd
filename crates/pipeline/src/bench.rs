//! What all work on stems shares. It is cheap to clone, since every stem is worked on by a thread of its own.

use std::sync::Arc;

use crate::event::{Event, Listener};
use crate::shelf::Shelf;
use crate::stop::Stop;
use crate::watch::Patience;

/// What work on stems is done with.
#[derive(Clone)]
pub struct Bench {
    /// Where sound is kept between survey and render.
    pub shelf: Shelf,
    /// Whether to stop.
    pub stop: Stop,
    /// How long to wait for a stem that does not move.
    pub patience: Patience,
    /// Who listens.
    pub listener: Arc<Listener<'static>>,
}

impl Bench {
    /// A bench that keeps nothing and waits as long as usual.
    pub fn new(stop: Stop, listener: Arc<Listener<'static>>) -> Self {
        Self { shelf: Shelf::default(), stop, patience: Patience::default(), listener }
    }

    pub(crate) fn tell(&self, event: Event<'_>) {
        (self.listener)(event);
    }
}
