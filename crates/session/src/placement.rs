//! Where every stem starts: by its time stamp where all stamps are plausible together, else at the file's start.
//!
//! `TimeReference` as in EBU Tech 3285: frames since midnight at the file's own rate. When stamps are plausible:
//! common practice, no source. Positions are exact rationals until they are asked for in frames.
//!
//! It knows numbers only: no file, no sound, no name.

/// What says where stems start.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum StartMode {
    /// Stamps where they are plausible together, else file starts.
    Auto,
    /// Stamps, plausible or not; stems without one start with the earliest.
    Stamp,
    /// File starts.
    File,
}

/// How to place.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PlacementOptions {
    /// What says where stems start.
    pub mode: StartMode,
    /// A stamp that puts more silence than this before a stem is not plausible.
    pub max_implied_silence_seconds: f64,
}

impl Default for PlacementOptions {
    /// As the stamps say where they are plausible; a quarter of an hour of silence is a clock time (common practice, no
    /// source).
    fn default() -> Self {
        Self { mode: StartMode::Auto, max_implied_silence_seconds: 900.0 }
    }
}

/// One stem's part in it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct StemTiming {
    /// Frames since midnight at `rate_hz`, where the file has a stamp.
    pub timestamp_frames: Option<u64>,
    /// Rate in Hz, at least 1.
    pub rate_hz: u32,
    /// Length in frames.
    pub frames: u64,
    /// Whether the stem has no say in where the others start.
    pub reference: bool,
}

impl StemTiming {
    fn start_seconds(&self) -> Option<f64> {
        self.timestamp_frames.map(|frames| frames as f64 / f64::from(self.rate_hz))
    }

    fn seconds(&self) -> f64 {
        self.frames as f64 / f64::from(self.rate_hz)
    }
}

/// Where every stem starts.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Placement {
    /// The stamp that counts as zero: frames and rate. `None` where file starts are used.
    origin: Option<(u64, u32)>,
    /// Stamp of each stem that is placed by it: frames and rate.
    stamps: Vec<Option<(u64, u32)>>,
    refused: Option<String>,
    doubts: Vec<(usize, String)>,
}

/// Two starts nearer than this are one start.
const SAME_SECONDS: f64 = 0.001;

/// Less than a frame at any rate: what seconds as floats may miss of a limit that is just reached.
const ROUNDING_SECONDS: f64 = 1e-6;

/// Places the stems.
pub fn place(stems: &[StemTiming], options: &PlacementOptions) -> Placement {
    let by_file = |refused: Option<String>| Placement {
        origin: None,
        stamps: vec![None; stems.len()],
        refused,
        doubts: Vec::new(),
    };
    let stamped: Vec<(usize, f64)> = stems
        .iter()
        .enumerate()
        .filter(|(_, stem)| !stem.reference)
        .filter_map(|(index, stem)| stem.start_seconds().map(|start| (index, start)))
        .collect();
    let Some(&(earliest, base)) = stamped.iter().min_by(|a, b| a.1.total_cmp(&b.1)) else {
        return by_file(None);
    };
    let moves = stamped.iter().any(|(_, start)| start - base > SAME_SECONDS);
    match options.mode {
        StartMode::File => return by_file(None),
        StartMode::Auto if moves => {
            if let Some(why) = implausible(stems, &stamped, base, options) {
                return by_file(Some(why));
            }
        }
        StartMode::Auto | StartMode::Stamp => {}
    }
    let base_end = longest_at(stems, &stamped, base);
    let origin = stems[earliest].timestamp_frames.map(|frames| (frames, stems[earliest].rate_hz));
    let mut doubts = Vec::new();
    let mut stamps = Vec::with_capacity(stems.len());
    for (index, stem) in stems.iter().enumerate() {
        let start = stem.start_seconds();
        stamps.push(match (start, stem.timestamp_frames) {
            (Some(start), Some(frames)) if !stem.reference || (start - base).abs() <= base_end => {
                Some((frames, stem.rate_hz))
            }
            _ => None,
        });
        if moves && start.is_none() && !stem.reference && stem.seconds() < 0.8 * base_end {
            let text = format!(
                "other stems are placed by time stamps, but this one has none and is {:.1} s shorter; it starts with the first of them",
                base_end - stem.seconds()
            );
            doubts.push((index, text));
        }
    }
    Placement { origin, stamps, refused: None, doubts }
}

/// How long sound goes on after `base` in the stems that start there.
fn longest_at(stems: &[StemTiming], stamped: &[(usize, f64)], base: f64) -> f64 {
    stamped
        .iter()
        .filter(|(_, start)| start - base <= SAME_SECONDS)
        .map(|&(index, _)| stems[index].seconds())
        .fold(0.0, f64::max)
}

/// Why the stamps cannot be true together.
fn implausible(
    stems: &[StemTiming],
    stamped: &[(usize, f64)],
    base: f64,
    options: &PlacementOptions,
) -> Option<String> {
    let latest = stamped.iter().map(|(_, start)| *start).fold(base, f64::max);
    let span = latest - base;
    if span > options.max_implied_silence_seconds + ROUNDING_SECONDS {
        return Some(format!(
            "the last one is {span:.1} s after the first, which is more than the {:.0} s that the recipe allows, as with clock times",
            options.max_implied_silence_seconds
        ));
    }
    let unstamped = stems.iter().filter(|stem| !stem.reference && stem.timestamp_frames.is_none()).count();
    let at_base = stamped.iter().filter(|(_, start)| start - base <= SAME_SECONDS).count();
    // A stem that has no stamp starts at the base only if the base is where the song starts.
    if unstamped > 0 && at_base < 2 && at_base < stamped.len() {
        return Some(format!(
            "{unstamped} stems have none, and only {at_base} of the others starts at the earliest one: where the song starts cannot be known"
        ));
    }
    let mut order: Vec<(f64, f64)> =
        stamped.iter().map(|&(i, start)| (start, start + stems[i].seconds())).collect();
    order.sort_by(|a, b| a.0.total_cmp(&b.0));
    let mut sounding = order[0].1;
    for (start, end) in order {
        if start > sounding {
            return Some(format!(
                "{:.1} s after the first one there is a gap in which no stem has audio",
                sounding - base
            ));
        }
        sounding = sounding.max(end);
    }
    None
}

impl Placement {
    /// Where a stem starts, in frames at `rate_hz` after the frame that the origin stands on: the frame nearest to its stamp, halves up.
    ///
    /// # Panics
    /// When there is no such stem, or `rate_hz` is 0.
    pub fn start_in(&self, stem: usize, rate_hz: u32) -> i64 {
        let (Some((origin, origin_hz)), Some((stamp, stamp_hz))) = (self.origin, self.stamps[stem]) else {
            return 0;
        };
        // Each is rounded once on the clock itself, so that no stem stands further from its stamp than half a frame.
        let nearest = |frames: u64, own_hz: u32| {
            let (frames, own_hz, rate) = (i128::from(frames), i128::from(own_hz), i128::from(rate_hz));
            (2 * frames * rate + own_hz).div_euclid(2 * own_hz)
        };
        i64::try_from(nearest(stamp, stamp_hz) - nearest(origin, origin_hz)).unwrap_or(0)
    }

    /// The time stamp that a stem stands by: frames since midnight, and their rate.
    ///
    /// # Panics
    /// When there is no such stem.
    pub fn stamp(&self, stem: usize) -> Option<(u64, u32)> {
        self.stamps[stem]
    }

    /// Whether a stem stands by its time stamp.
    ///
    /// # Panics
    /// When there is no such stem.
    pub fn is_stamped(&self, stem: usize) -> bool {
        self.stamps[stem].is_some()
    }

    /// The time stamp that counts as zero: frames since midnight, and their rate.
    pub fn origin(&self) -> Option<(u64, u32)> {
        self.origin
    }

    /// Whether stamps are used.
    pub fn uses_stamps(&self) -> bool {
        self.origin.is_some()
    }

    /// Why stamps were not used although there are some that differ.
    pub fn refused(&self) -> Option<&str> {
        self.refused.as_deref()
    }

    /// Stems whose place is not certain, each with the reason.
    pub fn doubts(&self) -> &[(usize, String)] {
        &self.doubts
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn stem(stamp: Option<u64>, rate_hz: u32, seconds: u64) -> StemTiming {
        StemTiming {
            timestamp_frames: stamp,
            rate_hz,
            frames: seconds * u64::from(rate_hz),
            reference: false,
        }
    }

    const HOUR: u64 = 172_800_000;

    /// One hour at 48 kHz is 172 800 000 frames (EBU Tech 3285 counts frames since midnight; arithmetic).
    #[test]
    fn a_late_stem_is_placed_to_the_frame() {
        let stems = [
            stem(Some(HOUR), 48_000, 20),
            stem(Some(HOUR), 48_000, 20),
            stem(Some(HOUR + 480_001), 48_000, 5),
            stem(None, 44_100, 20),
        ];
        let placement = place(&stems, &PlacementOptions::default());
        assert_eq!((0..4).map(|i| placement.start_in(i, 48_000)).collect::<Vec<_>>(), [0, 0, 480_001, 0]);
        assert_eq!(placement.start_in(2, 96_000), 960_002);
        assert!(placement.doubts().is_empty() && placement.origin() == Some((HOUR, 48_000)));
    }

    #[test]
    fn stamps_of_two_rates_are_compared_exactly() {
        let stems = [
            stem(Some(HOUR), 48_000, 20),
            stem(Some(3600 * 44_100 + 441), 44_100, 20),
            stem(Some(HOUR), 48_000, 9),
        ];
        assert_eq!(place(&stems, &PlacementOptions::default()).start_in(1, 48_000), 480);
    }

    /// At 96 kHz on odd and even frames, at 48 kHz: the even one stands exactly, although the first one cannot (arithmetic:
    /// 1001 / 2 = 500.5, 1102 / 2 = 551).
    #[test]
    fn a_stamp_on_the_grid_is_exact_also_beside_a_first_one_that_is_not() {
        let stems = [stem(Some(1001), 96_000, 20), stem(Some(1102), 96_000, 20)];
        let placement = place(&stems, &PlacementOptions::default());
        assert_eq!(placement.origin(), Some((1001, 96_000)));
        // The origin itself stands on 501.
        assert_eq!((placement.start_in(0, 48_000), placement.start_in(1, 48_000)), (0, 551 - 501));
    }

    #[test]
    fn implausible_stamps_are_refused_with_the_reason() {
        let clock = [stem(Some(0), 48_000, 20), stem(Some(HOUR), 48_000, 20)];
        assert!(
            place(&clock, &PlacementOptions::default()).refused().is_some_and(|why| why.contains("3600.0 s"))
        );
        let gap = [stem(Some(0), 48_000, 20), stem(Some(48_000 * 60), 48_000, 20)];
        assert!(place(&gap, &PlacementOptions::default()).refused().is_some_and(|why| why.contains("gap")));
        let unknown = [stem(Some(0), 48_000, 20), stem(Some(480_000), 48_000, 20), stem(None, 48_000, 20)];
        assert!(
            place(&unknown, &PlacementOptions::default())
                .refused()
                .is_some_and(|why| why.contains("cannot be known"))
        );
    }

    /// "At most" includes the limit, whatever floats make of it: one frame more is refused.
    #[test]
    fn stamps_just_as_far_apart_as_allowed_are_plausible() {
        for (rate_hz, seconds) in [(44_100, 0.7), (48_000, 900.0), (96_000, 0.1), (44_100, 2.3)] {
            let options =
                PlacementOptions { max_implied_silence_seconds: seconds, ..PlacementOptions::default() };
            let most = (seconds * f64::from(rate_hz)).round() as u64;
            for hour in 0..24 {
                let first = hour * 3600 * u64::from(rate_hz) + 17;
                let refused = |frames: u64| {
                    let stems = [stem(Some(first), rate_hz, 1000), stem(Some(first + frames), rate_hz, 1000)];
                    place(&stems, &options).refused().is_some()
                };
                assert!(!refused(most), "{seconds} s at {rate_hz} Hz, hour {hour}");
                assert!(refused(most + 1), "{seconds} s at {rate_hz} Hz, hour {hour}");
            }
        }
    }

    #[test]
    fn equal_stamps_move_nothing_and_no_stamps_are_no_doubt() {
        let equal = place(
            &[stem(Some(HOUR), 48_000, 20), stem(Some(HOUR), 48_000, 5), stem(None, 48_000, 3)],
            &PlacementOptions::default(),
        );
        assert_eq!((equal.start_in(0, 48_000), equal.start_in(1, 48_000)), (0, 0));
        assert!(equal.doubts().is_empty() && equal.refused().is_none());
        assert!(!place(&[stem(None, 48_000, 5)], &PlacementOptions::default()).uses_stamps());
    }

    #[test]
    fn a_short_stem_without_a_stamp_is_a_doubt() {
        let stems = [
            stem(Some(0), 48_000, 20),
            stem(Some(0), 48_000, 20),
            stem(Some(48_000), 48_000, 5),
            stem(None, 48_000, 5),
        ];
        let placement = place(&stems, &PlacementOptions::default());
        assert_eq!(placement.doubts().len(), 1);
        assert_eq!(placement.doubts()[0].0, 3);
    }

    #[test]
    fn a_reference_has_no_say() {
        let mut rough = stem(Some(12_345), 48_000, 20);
        rough.reference = true;
        let stems = [stem(Some(HOUR), 48_000, 20), stem(Some(HOUR + 48_000), 48_000, 20), rough];
        let placement = place(&stems, &PlacementOptions::default());
        assert_eq!((placement.start_in(1, 48_000), placement.start_in(2, 48_000)), (48_000, 0));
    }
}
