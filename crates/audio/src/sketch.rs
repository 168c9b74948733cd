//! A stem in little: its middle at about 6 kHz, as 16-bit codes with a scale for each stretch of 85 ms.
//!
//! Digital silence takes no room. Ten minutes without any take 7.2 MB. It ends after 20 minutes, so that memory does not grow
//! with the length of a stem.
//!
//! It knows nothing of where sketches are kept and what they are compared for.

use crate::with_simd;
use crate::{Block, Decimator};

/// Samples that share a scale.
const STRETCH: usize = 512;

/// Seconds that are drawn.
const MOST_SECONDS: u64 = 20 * 60;

/// The greatest code.
const FULL: f32 = 32_767.0;

/// A finished sketch. Sample `k` stands at frame `k · factor` of a stream at `rate_hz`.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Sketch {
    rate_hz: u32,
    samples: usize,
    /// The value of the greatest code in each stretch; 0 where there is only silence and no code.
    scales: Vec<f32>,
    /// Where the codes of each stretch begin.
    begins: Vec<usize>,
    codes: Vec<i16>,
}

/// Draws a sketch of a stream.
#[derive(Debug, Clone)]
pub struct Sketcher {
    decimator: Decimator,
    /// Frames that are still drawn.
    left: u64,
    open: Vec<f32>,
    sketch: Sketch,
}

impl Sketcher {
    /// A sketcher for streams at `from_hz` whose sketch is that of the same sound at `to_hz`, so that all stems of a delivery
    /// have sketches of one rate.
    pub fn new(from_hz: u32, to_hz: u32) -> Self {
        Self {
            decimator: Decimator::new(from_hz, to_hz),
            left: MOST_SECONDS * u64::from(from_hz),
            open: Vec::new(),
            sketch: Sketch { rate_hz: to_hz, ..Sketch::default() },
        }
    }

    /// Takes the next frames.
    pub fn push(&mut self, block: &Block) {
        if self.left < block.frames() as u64 {
            let mut last = Block::new(block.channels());
            last.append(block, 0, self.left as usize);
            self.left = 0;
            self.decimator.push(&last, &mut self.open);
        } else {
            self.left -= block.frames() as u64;
            self.decimator.push(block, &mut self.open);
        }
        let whole = self.open.len() / STRETCH * STRETCH;
        for stretch in self.open[..whole].chunks(STRETCH) {
            self.sketch.put(stretch);
        }
        self.open.drain(..whole);
    }

    /// Ends the stream.
    pub fn finish(mut self) -> Sketch {
        self.decimator.finish(&mut self.open);
        for stretch in self.open.chunks(STRETCH) {
            self.sketch.put(stretch);
        }
        self.sketch.codes.shrink_to_fit();
        self.sketch
    }
}

/// The greatest magnitude, looked for in strands.
#[inline(always)]
fn greatest(samples: &[f32]) -> f32 {
    let mut strands = [0.0f32; 16];
    let (chunks, rest) = samples.as_chunks::<16>();
    for chunk in chunks {
        for (greatest, sample) in strands.iter_mut().zip(chunk) {
            *greatest = greatest.max(sample.abs());
        }
    }
    rest.iter().chain(&strands).fold(0.0, |greatest, sample| greatest.max(sample.abs()))
}

impl Sketch {
    /// A sketch from what [`Sketch::scales`] and [`Sketch::codes`] gave; `None` where they do not fit together.
    pub fn from_parts(rate_hz: u32, samples: usize, scales: Vec<f32>, codes: Vec<i16>) -> Option<Self> {
        let mut sketch = Self { rate_hz, samples, scales: Vec::new(), begins: Vec::new(), codes: Vec::new() };
        let mut begin = 0;
        for (index, &scale) in scales.iter().enumerate() {
            sketch.begins.push(begin);
            let length = STRETCH.min(samples.checked_sub(index * STRETCH)?);
            begin += if scale == 0.0 { 0 } else { length };
        }
        let fits = begin == codes.len() && scales.len() == samples.div_ceil(STRETCH);
        (sketch.scales, sketch.codes) = (scales, codes);
        fits.then_some(sketch)
    }

    fn put(&mut self, stretch: &[f32]) {
        let peak = with_simd(
            #[inline(always)]
            || greatest(stretch),
        );
        self.scales.push(peak);
        self.begins.push(self.codes.len());
        self.samples += stretch.len();
        if peak > 0.0 {
            let begin = self.codes.len();
            self.codes.resize(begin + stretch.len(), 0);
            let codes = &mut self.codes[begin..];
            with_simd(
                #[inline(always)]
                || {
                    for (code, sample) in codes.iter_mut().zip(stretch) {
                        *code = (sample / peak * FULL).round() as i32 as i16;
                    }
                },
            );
        }
    }

    /// Rate in Hz of the stream that was sketched.
    pub fn rate_hz(&self) -> u32 {
        self.rate_hz
    }

    /// Frames of the stream for one sample.
    pub fn factor(&self) -> u32 {
        Decimator::factor(self.rate_hz)
    }

    /// How many samples there are.
    pub fn samples(&self) -> usize {
        self.samples
    }

    /// Samples a second.
    pub fn sample_hz(&self) -> f64 {
        f64::from(self.rate_hz) / f64::from(self.factor())
    }

    /// The value of the greatest code in each stretch.
    pub fn scales(&self) -> &[f32] {
        &self.scales
    }

    /// All codes.
    pub fn codes(&self) -> &[i16] {
        &self.codes
    }

    /// All samples.
    pub fn whole(&self) -> Vec<f32> {
        let mut samples = vec![0.0; self.samples];
        self.read(0, &mut samples);
        samples
    }

    /// Fills `out` with the samples from `start` on; before the first and after the last one there is silence. False
    /// where all of it is silence.
    pub fn read(&self, start: i64, out: &mut [f32]) -> bool {
        out.fill(0.0);
        let mut sounds = false;
        let from = start.max(0);
        let to = start.saturating_add(out.len() as i64).min(self.samples as i64);
        let mut at = from;
        while at < to {
            let stretch = at as usize / STRETCH;
            let end = to.min(((stretch + 1) * STRETCH) as i64);
            if self.scales[stretch] > 0.0 {
                sounds = true;
                let scale = self.scales[stretch] / FULL;
                let first = self.begins[stretch] + (at as usize - stretch * STRETCH);
                let codes = &self.codes[first..first + (end - at) as usize];
                let target = &mut out[(at - start) as usize..(end - start) as usize];
                for (sample, code) in target.iter_mut().zip(codes) {
                    *sample = f32::from(*code) * scale;
                }
            }
            at = end;
        }
        sounds
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::signal::{noise, sine};

    fn sketch(samples: &[f64]) -> Sketch {
        let mut sketcher = Sketcher::new(6000, 6000);
        for piece in samples.chunks(777) {
            sketcher.push(&Block::from_channels(vec![piece.to_vec()]));
        }
        sketcher.finish()
    }

    /// 20 minutes at 6 kHz are 7 200 000 samples, wherever the stream is cut.
    #[test]
    fn it_ends_after_twenty_minutes() {
        for piece in [1_000_000, 999_983] {
            let mut sketcher = Sketcher::new(6000, 6000);
            let block = Block::silence(1, piece);
            (0..9).for_each(|_| sketcher.push(&block));
            assert_eq!(sketcher.finish().samples(), 7_200_000);
        }
    }

    #[test]
    fn any_part_is_read_back_within_half_a_code() {
        let mut samples = noise(4, 0.3, 2000);
        samples[512..1024].fill(0.0);
        let sketch = sketch(&samples);
        assert_eq!(sketch.samples(), 2000);
        assert_eq!(sketch.codes().len(), 2000 - 512);
        for (start, length) in [(0i64, 2000), (-10, 50), (500, 700), (1990, 40), (600, 100), (5000, 3)] {
            let mut out = vec![1.0; length];
            let sounds = sketch.read(start, &mut out);
            assert_eq!(sounds, !(start == 600 || start == 5000));
            for (index, found) in out.iter().enumerate() {
                let at = start + index as i64;
                let wanted = usize::try_from(at).ok().and_then(|at| samples.get(at)).copied().unwrap_or(0.0);
                assert!((f64::from(*found) - wanted).abs() < 1e-5, "{start} {index}");
            }
        }
    }

    /// However a sound is sampled, its sketch is that of the target rate: the same places, the same samples.
    #[test]
    fn rates_of_the_stream_draw_one_sketch() {
        let of = |from_hz: u32, to_hz: u32| {
            let mut sketcher = Sketcher::new(from_hz, to_hz);
            for piece in sine(440.0, 0.5, from_hz, from_hz as usize * 2).chunks(1000) {
                sketcher.push(&Block::from_channels(vec![piece.to_vec()]));
            }
            sketcher.finish()
        };
        for to_hz in [44_100, 48_000, 96_000] {
            let wanted = of(to_hz, to_hz);
            for from_hz in [8_000, 22_050, 44_100, 44_101, 48_000, 88_200, 96_000, 192_000] {
                let found = of(from_hz, to_hz);
                assert_eq!(found.rate_hz(), to_hz);
                let (more, fewer) = (wanted.samples() + 1, wanted.samples() - 1);
                assert!((fewer..=more).contains(&found.samples()), "{from_hz} {}", found.samples());
                let middle = 1000..fewer - 1000;
                let worst = wanted.whole()[middle.clone()]
                    .iter()
                    .zip(&found.whole()[middle])
                    .fold(0.0f32, |worst, (a, b)| worst.max((a - b).abs()));
                assert!(worst < 1e-3, "{from_hz} to {to_hz}: {worst}");
            }
        }
    }

    #[test]
    fn parts_that_do_not_fit_together_are_no_sketch() {
        let whole = sketch(&noise(5, 0.3, 1300));
        let (scales, codes) = (whole.scales().to_vec(), whole.codes().to_vec());
        assert_eq!(Sketch::from_parts(6000, 1300, scales.clone(), codes.clone()), Some(whole));
        assert_eq!(Sketch::from_parts(6000, 1200, scales.clone(), codes.clone()), None);
        assert_eq!(Sketch::from_parts(6000, 1300, scales, codes[1..].to_vec()), None);
    }
}
