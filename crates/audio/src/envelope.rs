//! The envelope: minimum, maximum, sum and sum of squares of every channel in windows of 10 ms. Knows nothing of
//! pictures and of what is silent.

use crate::Block;
use crate::simd_meters::Totals;
use crate::units::unsigned_zero;

/// Windows that are kept at the most. When they are full, neighbours are merged and the window doubles, so that
/// the memory does not grow with the length: 11 minutes have windows of 10 ms, an hour has windows of 80 ms.
const MOST_WINDOWS: usize = 65_536;

/// Measures the envelope of a stream.
#[derive(Debug, Clone)]
pub struct Envelope {
    window: usize,
    base: usize,
    pending: Block,
    channels: Vec<EnvelopeOf>,
    /// What a window of `window` frames has so far, while it is longer than the base.
    open: Vec<Totals>,
    open_bases: usize,
}

/// The envelope of one channel.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct EnvelopeOf {
    /// Least sample of each window, rounded down.
    pub min: Vec<f32>,
    /// Greatest sample of each window, rounded up.
    pub max: Vec<f32>,
    /// Sum of each window.
    pub sum: Vec<f32>,
    /// Sum of squares of each window.
    pub sum_sq: Vec<f32>,
}

fn down(value: f64) -> f32 {
    let near = value as f32;
    if f64::from(near) > value { near.next_down() } else { near }
}

fn up(value: f64) -> f32 {
    let near = value as f32;
    if f64::from(near) < value { near.next_up() } else { near }
}

impl EnvelopeOf {
    fn put(&mut self, values: &Totals) {
        self.min.push(down(unsigned_zero(values.min)));
        self.max.push(up(unsigned_zero(values.max)));
        self.sum.push(values.sum as f32);
        self.sum_sq.push(values.sum_sq as f32);
    }

    /// Lets the least and the greatest window reach as far as these extremes: those of the same sound once it is converted,
    /// which passes the samples between them.
    pub fn reach(&mut self, (least, greatest): (f64, f64)) {
        if let Some(min) = self.min.iter_mut().reduce(|a, b| if *b < *a { b } else { a }) {
            *min = min.min(down(least));
        }
        if let Some(max) = self.max.iter_mut().reduce(|a, b| if *b > *a { b } else { a }) {
            *max = max.max(up(greatest));
        }
    }

    fn halve(&mut self) {
        let pairs = |list: &mut Vec<f32>, join: fn(f32, f32) -> f32| {
            *list = list
                .chunks(2)
                .map(|pair| pair.iter().copied().reduce(join).expect("a chunk is not empty"))
                .collect();
        };
        pairs(&mut self.min, f32::min);
        pairs(&mut self.max, f32::max);
        pairs(&mut self.sum, |a, b| a + b);
        pairs(&mut self.sum_sq, |a, b| a + b);
    }
}

impl Envelope {
    /// A meter for `channels` channels at `rate_hz`.
    pub fn new(channels: usize, rate_hz: u32) -> Self {
        let base = (rate_hz as usize / 100).max(1);
        Self {
            window: base,
            base,
            pending: Block::new(channels),
            channels: vec![EnvelopeOf::default(); channels],
            open: vec![Totals::NONE; channels],
            open_bases: 0,
        }
    }

    /// Takes the next frames.
    pub fn push(&mut self, block: &Block) {
        let mut at = 0;
        while at < block.frames() {
            let end = (at + self.base - self.pending.frames()).min(block.frames());
            if self.pending.is_empty() && end - at == self.base {
                self.take(|channel| &block.channel(channel)[at..end]);
            } else {
                self.pending.append(block, at, end);
                if self.pending.frames() == self.base {
                    self.take_pending();
                }
            }
            at = end;
        }
    }

    fn take_pending(&mut self) {
        let pending = std::mem::take(&mut self.pending);
        self.take(|channel| pending.channel(channel));
        self.pending = pending;
        self.pending.clear();
    }

    /// Takes one base window.
    fn take<'a>(&mut self, samples: impl Fn(usize) -> &'a [f64]) {
        for (index, open) in self.open.iter_mut().enumerate() {
            open.join(&Totals::of(samples(index)));
        }
        self.open_bases += 1;
        if self.open_bases * self.base == self.window {
            self.close_window();
        }
    }

    fn close_window(&mut self) {
        for (channel, open) in self.channels.iter_mut().zip(&mut self.open) {
            channel.put(open);
            *open = Totals::NONE;
        }
        self.open_bases = 0;
        if self.channels.first().is_some_and(|channel| channel.min.len() == MOST_WINDOWS) {
            self.channels.iter_mut().for_each(EnvelopeOf::halve);
            self.window *= 2;
        }
    }

    /// Ends the stream: the window in frames (the last one may be shorter) and every channel's envelope.
    pub fn finish(mut self) -> (u64, Vec<EnvelopeOf>) {
        if !self.pending.is_empty() {
            self.take_pending();
        }
        if self.open_bases > 0 {
            self.close_window();
        }
        (self.window as u64, self.channels)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn envelope(samples: &[f64], piece: usize) -> (u64, EnvelopeOf) {
        let mut meter = Envelope::new(1, 400);
        for part in samples.chunks(piece) {
            meter.push(&Block::from_channels(vec![part.to_vec()]));
        }
        let (window, mut channels) = meter.finish();
        (window, channels.remove(0))
    }

    #[test]
    fn windows_hold_what_is_in_them() {
        let samples = [0.1, -0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, -0.9];
        for piece in 1..=9 {
            let (window, found) = envelope(&samples, piece);
            assert_eq!((window, found.min.len()), (4, 3));
            assert!(f64::from(found.min[0]) <= -0.2 && f64::from(found.max[1]) >= 0.8);
            assert!((found.sum[0] - 0.6).abs() < 1e-6 && (found.sum_sq[2] - 0.81).abs() < 1e-6);
        }
    }

    #[test]
    fn the_extremes_of_a_converted_sound_are_reached_where_it_is_loudest() {
        let (_, mut found) = envelope(&[0.1, -0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, -0.9], 9);
        found.reach((-0.875, 0.9375));
        assert_eq!(found.max, [up(0.4), 0.9375, up(-0.9)], "further than the samples");
        assert_eq!(found.min, [down(-0.2), 0.5, down(-0.9)], "not as far");
        EnvelopeOf::default().reach((-1.0, 1.0));
    }

    #[test]
    fn memory_is_bounded_and_merging_loses_no_extreme() {
        let mut samples = vec![0.0; 4 * MOST_WINDOWS + 10];
        samples[4 * 1001] = 0.75;
        let (window, found) = envelope(&samples, 10_000);
        assert_eq!(window, 8);
        assert_eq!(found.max[500], 0.75);
        assert_eq!(found.max.iter().filter(|max| **max > 0.0).count(), 1);
        assert_eq!(found.max.len(), MOST_WINDOWS / 2 + 2);
    }
}
