//! Waveforms: from the envelope of a survey to columns, and from columns to the paths of an SVG picture.

use std::fmt::Write;

use loadin_record::survey::EnvelopeFacts;

use crate::timeline::{Axis, COLUMNS};

/// Height of a picture in units of its paths: full scale is half of it above and half below the middle.
pub(crate) const HEIGHT: i32 = 500;

/// What is quieter is drawn as silence: −90 dBFS, common practice, no source.
const SILENCE: f64 = 3.162_277_660_168_379e-5;

/// Least and greatest sample of every column; `None` where there is no audio.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Trace(pub(crate) Vec<Option<(f64, f64)>>);

/// What is drawn of an envelope.
pub(crate) struct Drawn<'a> {
    pub(crate) envelope: &'a EnvelopeFacts,
    /// Where its first frame lies on the axis, in seconds.
    pub(crate) start: f64,
    /// What is kept of it, in seconds on the axis.
    pub(crate) keep: (f64, f64),
    /// For each channel that is drawn: its number, the constant that is subtracted, and the gain as a factor.
    pub(crate) channels: Vec<(usize, f64, f64)>,
}

impl Drawn<'_> {
    /// Every window that is kept, with its span on the axis.
    fn windows(&self) -> impl Iterator<Item = (usize, f64, f64)> {
        let window = self.envelope.window_frames.max(1);
        let rate_hz = f64::from(self.envelope.rate_hz.max(1));
        let count = self.envelope.channels.iter().map(|c| c.min.len().min(c.max.len())).min().unwrap_or(0);
        (0..count).filter_map(move |index| {
            let from = self.start + (index as u64 * window) as f64 / rate_hz;
            let to = self.start + ((index as u64 + 1) * window).min(self.envelope.frames) as f64 / rate_hz;
            (to > self.keep.0 && from < self.keep.1)
                .then(|| (index, from.max(self.keep.0), to.min(self.keep.1)))
        })
    }

    /// Least and greatest sample of a window over all channels that are drawn.
    fn extremes(&self, window: usize) -> (f64, f64) {
        let mut least = f64::INFINITY;
        let mut greatest = f64::NEG_INFINITY;
        for &(channel, constant, gain) in &self.channels {
            let Some(channel) = self.envelope.channels.get(channel) else { continue };
            let silent = channel.sum_sq.get(window).is_some_and(|sum| *sum == 0.0);
            // Digital silence stays silent when an offset goes.
            let constant = if silent { 0.0 } else { constant };
            least = least.min((f64::from(channel.min[window]) - constant) * gain);
            greatest = greatest.max((f64::from(channel.max[window]) - constant) * gain);
        }
        if least <= greatest { (least, greatest) } else { (0.0, 0.0) }
    }

    /// The columns. A window counts in every column that it touches, so no extreme is lost.
    pub(crate) fn trace(&self, axis: &Axis) -> Trace {
        let mut columns: Vec<Option<(f64, f64)>> = vec![None; COLUMNS];
        for (index, from, to) in self.windows() {
            let (least, greatest) = self.extremes(index);
            for column in touched(axis, from, to) {
                let (low, high) = columns[column].unwrap_or((least, greatest));
                columns[column] = Some((low.min(least), high.max(greatest)));
            }
        }
        // After padding there is silence, which has no window.
        for column in touched(axis, self.keep.0, self.keep.1) {
            columns[column].get_or_insert((0.0, 0.0));
        }
        Trace(columns)
    }

    /// The columns with windows whose peak reaches `level`, as runs.
    pub(crate) fn reaching(&self, axis: &Axis, level: f64) -> Vec<(usize, usize)> {
        let mut hit = vec![false; COLUMNS];
        for (index, from, to) in self.windows() {
            let (least, greatest) = self.extremes(index);
            if greatest.max(-least) >= level {
                touched(axis, from, to).for_each(|column| hit[column] = true);
            }
        }
        runs(&hit)
    }
}

/// The columns that a span touches.
pub(crate) fn touched(axis: &Axis, from: f64, to: f64) -> std::ops::Range<usize> {
    // A billionth of a column is rounding, not audio.
    let first = (axis.column(from) + 1e-9).floor().clamp(0.0, COLUMNS as f64) as usize;
    let last = (axis.column(to) - 1e-9).ceil().clamp(0.0, COLUMNS as f64) as usize;
    first..last.max(first)
}

/// Runs of `true`: first column, and the one after the last.
fn runs(flags: &[bool]) -> Vec<(usize, usize)> {
    let mut found: Vec<(usize, usize)> = Vec::new();
    for (column, _) in flags.iter().enumerate().filter(|(_, flag)| **flag) {
        match found.last_mut() {
            Some((_, end)) if *end == column => *end += 1,
            _ => found.push((column, column + 1)),
        }
    }
    found
}

impl Trace {
    /// The greatest magnitude.
    pub(crate) fn peak(&self) -> f64 {
        self.0.iter().flatten().map(|(low, high)| high.max(-low)).fold(0.0, f64::max)
    }

    /// The parts with audio that is silent, as runs of columns.
    pub(crate) fn silences(&self) -> Vec<(usize, usize)> {
        let flags: Vec<bool> =
            self.0.iter().map(|c| c.is_some_and(|(low, high)| high.max(-low) < SILENCE)).collect();
        runs(&flags)
    }

    /// The parts with sound, as runs of columns.
    pub(crate) fn sounds(&self) -> Vec<(usize, usize)> {
        let flags: Vec<bool> =
            self.0.iter().map(|c| c.is_some_and(|(low, high)| high.max(-low) >= SILENCE)).collect();
        runs(&flags)
    }

    /// The path of the sound in `lane`, magnified `zoom` times. A column's point stands in its middle; the upper contour
    /// goes right, the lower one back.
    pub(crate) fn path(&self, lane: Lane, zoom: f64) -> String {
        let mut path = String::new();
        for (from, to) in self.sounds() {
            let y = |column: usize, upper: bool| {
                let (low, high) = self.0[column].unwrap_or((0.0, 0.0));
                if upper { lane.y(high * zoom) } else { lane.y(low * zoom) }
            };
            let mut at = y(from, true);
            let _ = write!(path, "M{from} {at}l");
            let mut step = |dx: i32, next: i32| {
                let gap = if dx < 0 || path.ends_with('l') { "" } else { " " };
                let dy = next - at;
                let between = if dy < 0 { "" } else { " " };
                let _ = write!(path, "{gap}{dx}{between}{dy}");
                at = next;
            };
            (from + 1..to).for_each(|column| step(1, y(column, true)));
            step(0, y(to - 1, false));
            (from..to - 1).rev().for_each(|column| step(-1, y(column, false)));
            path.push('z');
        }
        path
    }
}

/// A horizontal strip of a picture.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Lane {
    /// Height at which silence stands.
    pub(crate) middle: i32,
    /// Units from there to full scale.
    pub(crate) reach: i32,
}

impl Lane {
    /// The whole height.
    pub(crate) const WHOLE: Self = Self { middle: HEIGHT / 2, reach: HEIGHT / 2 };
    /// The upper half, for the left channel.
    pub(crate) const UPPER: Self = Self { middle: HEIGHT / 4, reach: HEIGHT / 4 - 8 };
    /// The lower half, for the right channel.
    pub(crate) const LOWER: Self = Self { middle: HEIGHT * 3 / 4, reach: HEIGHT / 4 - 8 };

    /// Height of an amplitude; what does not fit stands at the edge.
    pub(crate) fn y(self, amplitude: f64) -> i32 {
        self.middle - (amplitude.clamp(-1.0, 1.0) * f64::from(self.reach)).round() as i32
    }
}

/// The power of two by which a waveform of this peak is magnified so that it can be seen and fits.
pub(crate) fn zoom(peak: f64) -> f64 {
    if peak < SILENCE {
        return 1.0;
    }
    // 60 dB of magnification show the quietest stem that is worth a look.
    2f64.powi((-libm::log2(peak)).floor().clamp(-16.0, 10.0) as i32)
}

/// A path of horizontal strokes at one height.
pub(crate) fn strokes(runs: &[(usize, usize)], y: i32) -> String {
    // A column's middle is its whole number, so its edges are half a column beside it.
    runs.iter().map(|(from, to)| format!("M{} {y}h{}", *from as f64 - 0.5, to - from)).collect()
}

#[cfg(test)]
mod tests {
    use loadin_audio::{Block, Envelope, signal};
    use loadin_record::survey::EnvelopeChannel;

    use super::*;

    /// The envelope as a survey measures it.
    fn envelope(samples: &[f64], rate_hz: u32) -> EnvelopeFacts {
        let mut meter = Envelope::new(1, rate_hz);
        meter.push(&Block::from_channels(vec![samples.to_vec()]));
        let (window_frames, channels) = meter.finish();
        let channels = channels
            .into_iter()
            .map(|c| EnvelopeChannel { min: c.min, max: c.max, sum: c.sum, sum_sq: c.sum_sq })
            .collect();
        EnvelopeFacts { rate_hz, window_frames, frames: samples.len() as u64, channels }
    }

    fn drawn(envelope: &EnvelopeFacts, seconds: f64) -> Drawn<'_> {
        Drawn { envelope, start: 0.0, keep: (0.0, seconds), channels: vec![(0, 0.0, 1.0)] }
    }

    /// Every point of a path, as a reader of SVG sees it (SVG 2, section 9.3: relative line-to commands).
    pub(crate) fn points(path: &str) -> Vec<(i32, i32)> {
        let spaced = path.replace('-', " -").replace('M', " M ").replace('l', " l ").replace('z', " z ");
        let (mut found, mut at, mut absolute) = (Vec::new(), (0, 0), true);
        let mut numbers: Vec<i32> = Vec::new();
        for word in spaced.split_whitespace() {
            match word {
                "M" => absolute = true,
                "l" => absolute = false,
                "z" => {}
                number => numbers.push(number.parse().expect("a number")),
            }
            if let [x, y] = numbers[..] {
                at = if absolute { (x, y) } else { (at.0 + x, at.1 + y) };
                found.push(at);
                numbers.clear();
            }
        }
        found
    }

    /// The samples themselves say what the picture must show: no point lies beyond the extremes of the samples that its
    /// column and its neighbours' windows hold, and every column reaches them. A unit is 1/250 of full scale.
    #[test]
    fn the_path_reaches_exactly_the_extremes_of_the_samples() {
        let seconds = 6.0;
        let mut samples = signal::sine(110.0, 0.5, 48_000, 288_000);
        for (index, sample) in samples.iter_mut().enumerate() {
            // A tone that swells, lies above the middle, and has one lone peak at 4 s.
            *sample = *sample * index as f64 / 288_000.0 + 0.2;
        }
        samples[192_000] = -0.9;
        let envelope = envelope(&samples, 48_000);
        let axis = Axis { start: 0.0, end: seconds };
        let points = points(&drawn(&envelope, seconds).trace(&axis).path(Lane::WHOLE, 1.0));
        assert_eq!(points.len(), 2 * COLUMNS, "two points a column");
        for column in 0..COLUMNS {
            // 6 s in 300 columns: two whole windows of 480 frames a column.
            let part = &samples[column * 960..(column + 1) * 960];
            let greatest = part.iter().copied().fold(f64::NEG_INFINITY, f64::max);
            let least = part.iter().copied().fold(f64::INFINITY, f64::min);
            let y: Vec<i32> = points.iter().filter(|p| p.0 == column as i32).map(|p| p.1).collect();
            for (amplitude, drawn) in [(greatest, y[0]), (least, y[1])] {
                let wanted = 250.0 - amplitude * 250.0;
                assert!((f64::from(drawn) - wanted).abs() <= 0.5001, "column {column}: {drawn} for {wanted}");
            }
        }
        let lowest = points.iter().max_by_key(|p| p.1).unwrap();
        assert_eq!(*lowest, (200, 475), "the lone peak of -0.9 at 4 s of 6 s");
    }

    #[test]
    fn silence_and_full_scale_are_drawn_where_they_are() {
        let mut samples = signal::sine(440.0, 0.5, 48_000, 144_000);
        samples[48_000..96_000].fill(0.0);
        samples[120_000] = 1.0;
        let envelope = envelope(&samples, 48_000);
        let axis = Axis { start: 0.0, end: 3.0 };
        let drawn = drawn(&envelope, 3.0);
        assert_eq!(drawn.trace(&axis).silences(), [(100, 200)], "the second of three seconds");
        assert_eq!(drawn.reaching(&axis, 1.0), [(250, 251)], "2.5 s of 3 s");
    }

    #[test]
    fn what_is_padded_is_silence_and_what_is_cut_is_gone() {
        let envelope = envelope(&signal::sine(440.0, 0.5, 48_000, 48_000), 48_000);
        let axis = Axis { start: -1.0, end: 2.0 };
        let late = Drawn { start: 0.5, keep: (0.0, 2.0), ..drawn(&envelope, 0.0) };
        let trace = late.trace(&axis);
        assert!(trace.0[..100].iter().all(Option::is_none), "before the file there is nothing");
        assert_eq!(trace.silences(), [(100, 150), (250, 300)]);
        let cut = Drawn { start: -0.5, keep: (0.0, 0.25), ..drawn(&envelope, 0.0) };
        assert_eq!(cut.trace(&axis).0.iter().filter(|c| c.is_some()).count(), 25);
    }

    #[test]
    fn gain_and_offset_move_the_picture_and_silence_stays() {
        let mut samples: Vec<f64> =
            signal::sine(440.0, 0.2, 48_000, 48_000).iter().map(|s| s + 0.1).collect();
        samples.resize(96_000, 0.0);
        let envelope = envelope(&samples, 48_000);
        let axis = Axis { start: 0.0, end: 2.0 };
        let after = Drawn { channels: vec![(0, 0.1, 2.0)], ..drawn(&envelope, 2.0) };
        let trace = after.trace(&axis);
        assert!((trace.peak() - 0.4).abs() < 1e-4, "{}", trace.peak());
        assert_eq!(trace.silences(), [(150, 300)]);
    }

    #[test]
    fn quiet_stems_are_magnified_by_a_power_of_two() {
        assert_eq!(zoom(1.0), 1.0);
        assert_eq!(zoom(0.3), 2.0);
        assert_eq!(zoom(0.01), 64.0);
        assert_eq!(zoom(1.5), 0.5);
        assert_eq!(zoom(0.0), 1.0);
    }
}
