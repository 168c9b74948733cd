//! What is computed from sound: relatives among the stems, places, the rough mix.
#![expect(clippy::print_stdout, reason = "the figures are what these tests are for")]

mod band;
mod hints;
mod keys;
mod places;
mod players;
mod rough_mix;
mod siblings;
mod tune;
