//! Sound in memory: blocks, units, meters, resampler, dither, test signals.
//!
//! *Invariant:* nothing here reads a file, a clock or the environment, and nothing here is serialised.

mod block;
mod units;

pub use block::Block;
pub use units::{Decibels, rescale_frames};
