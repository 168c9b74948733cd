//! What all work on stems is done with: threads, events, the wish to stop, memory for sound. It knows no delivery.

pub(crate) mod handoff;
pub(crate) mod schedule;

pub mod context;
pub mod event;
pub mod sound_cache;
pub mod stop;
pub mod watchdog;
