//! What is computed from sound: relatives among the stems, places, the rough mix.
#![expect(clippy::print_stdout, reason = "the figures are what these tests are for")]

mod band;
mod boundaries;
mod converted;
mod hints;
mod keys;
mod missing;
mod mixes;
mod music;
mod papers;
mod places;
mod players;
mod rough_mix;
mod siblings;
mod songs;
mod tune;
