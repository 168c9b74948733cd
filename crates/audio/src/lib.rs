//! Sound in memory: blocks, units, meters, resampler, dither, test signals.
//!
//! *Invariants:* nothing here reads a file, a clock or the environment, and nothing here is serialised. Every meter
//! and processor takes a stream in blocks, and the result does not depend on how the stream is cut.
#![expect(
    clippy::inline_always,
    reason = "what runs within `with_simd` must be inlined to be compiled for wide registers"
)]

mod between;
mod block;
mod chroma;
mod clip;
mod converted_peaks;
mod correlate;
mod decimate;
mod edges;
mod emptiest;
mod envelope;
mod fade;
mod flux;
mod gram;
mod lateness;
mod locate;
mod loudness;
mod offset;
mod pitch;
mod quantise;
mod relation;
mod resample;
mod rests;
mod ride;
mod settle;
mod silence;
mod simd;
mod simd_meters;
mod sketch;
mod true_peak;
mod units;
mod unmix;

pub mod signal;

pub use block::Block;
pub use chroma::{BANDS, Chroma, ChromaMeter, FINE};
pub use clip::{BEYOND, Beyond, ClipRuns, Clipped, Over};
pub use converted_peaks::ConvertedPeaks;
pub use correlate::{Correlator, Cross, Fit, STRETCH, Spectrum};
pub use decimate::Decimator;
pub use edges::{Edges, EdgesOf};
pub use emptiest::emptiest;
pub use envelope::{Envelope, EnvelopeOf};
pub use fade::Fade;
pub use flux::{FLUX_HZ, Flux, FluxMeter};
pub use lateness::{Lateness, Slopes, lateness};
pub use locate::{HeardMix, Located, Locator};
pub use loudness::Loudness;
pub use offset::DcRemover;
pub use pitch::{Pitch, PitchTracker};
pub use quantise::{DitherKey, Quantiser};
pub use relation::{Relation, RelationMeasures};
pub use resample::{Resampler, phase_frames, starting_phase};
pub use rests::{Rests, rests};
pub use ride::{Ride, ride};
pub use settle::{Settled, settle};
pub use silence::{Activity, SILENCE};
pub use simd::with_simd;
pub use sketch::{Sketch, Sketcher};
pub use true_peak::{Extremes, TruePeak, oversampling};
pub use units::{Decibels, RATES_HZ, rescale_frames};
pub use unmix::{Apart, Late, Part, Room, Unmixed, Unmixer, WINDOW as UNMIX_WINDOW, Window as UnmixWindow};
