//! Integrated loudness (ITU-R BS.1770, EBU R 128), by the ebur128 library. Knows nothing of targets.

use ebur128::{EbuR128, Mode};

use crate::Block;

/// Measures the loudness of a stream. Channels beyond the first two count as the standard's surround order says.
pub struct Loudness {
    meter: EbuR128,
    momentary: f64,
    short_term: f64,
}

impl Loudness {
    /// A meter for `channels` channels at `rate_hz`.
    ///
    /// # Panics
    /// When there is no channel, more than 64, or a rate outside 16 Hz to 2.8 MHz.
    pub fn new(channels: usize, rate_hz: u32) -> Self {
        // Not Mode::all(): its histogram rounds the result.
        let meter = EbuR128::new(channels as u32, rate_hz, Mode::I | Mode::S | Mode::M)
            .expect("channels and rate are in the library's range");
        Self { meter, momentary: f64::NEG_INFINITY, short_term: f64::NEG_INFINITY }
    }

    /// Takes the next frames.
    pub fn push(&mut self, block: &Block) {
        let channels: Vec<&[f64]> = block.iter().collect();
        self.meter.add_frames_planar_f64(&channels).expect("blocks have the meter's channel count");
    }

    /// Takes the next frames and follows the momentary and the short-term loudness every 10 ms.
    pub fn push_followed(&mut self, block: &Block, rate_hz: u32) {
        let step = (rate_hz as usize / 100).max(1);
        for start in (0..block.frames()).step_by(step) {
            let mut piece = Block::new(block.channels());
            piece.append(block, start, (start + step).min(block.frames()));
            self.push(&piece);
            self.momentary = self.momentary.max(self.meter.loudness_momentary().unwrap_or(f64::NEG_INFINITY));
            self.short_term =
                self.short_term.max(self.meter.loudness_shortterm().unwrap_or(f64::NEG_INFINITY));
        }
    }

    /// Integrated loudness in LUFS so far; `None` when nothing passed the gate.
    pub fn integrated(&self) -> Option<f64> {
        self.meter.loudness_global().ok().filter(|lufs| lufs.is_finite())
    }

    /// Greatest momentary and short-term loudness in LUFS that `push_followed` has seen.
    pub fn greatest(&self) -> (f64, f64) {
        (self.momentary, self.short_term)
    }
}
