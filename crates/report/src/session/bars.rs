//! Bar lines: where the first one stands, and the pickup bar before it. It knows numbers only.

use loadin_session::facts::{At, Meter};

/// An estimated bar line is believed to stand where another one does within so many seconds: as far as players are from each
/// other, and the windows of the cut from the first sound. Common practice, no source.
pub(super) const NEAR: f64 = 0.03;

/// A stated one is where it is to a tick.
const EXACT: f64 = 0.001;

/// What a program counts in when nobody states a meter, and what the first downbeat is looked for in.
const FOUR: Meter = Meter { beats: 4, unit: 4 };

/// Where a bar line is known to stand.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Known {
    /// The client's map begins there, in seconds from zero; never after zero.
    Stated(f64),
    /// The first downbeat is heard there.
    Heard(f64),
}

/// Tempi and meters from zero on, so that bars begin where they sound.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Bars {
    pub(super) tempi: Vec<At<u32>>,
    pub(super) meters: Vec<At<Meter>>,
    /// The first bar line of the music, in seconds.
    pub(super) first: f64,
    /// How the bars are counted, in a sentence.
    pub(super) said: String,
}

/// Lays the bars of a map out, which may begin before zero, so that one begins at the bar line that is known: with a pickup bar
/// before the first, or a first bar that is a little longer. The tempo of a pickup bar fits it, so that no later bar is off.
pub(super) fn laid_out(tempi: &[At<u32>], meters: &[At<Meter>], known: Known) -> Bars {
    let map = Map { tempi: sorted(tempi), meters: sorted(meters) };
    let first = map.first_line(known);
    let after = |seconds: f64| Bars {
        tempi: from(tempi, seconds),
        meters: Some(from(meters, seconds)).filter(|list| !list.is_empty()).unwrap_or_else(|| four(seconds)),
        first,
        said: String::new(),
    };
    if first == 0.0 {
        return Bars { said: "The first bar begins at zero.".to_owned(), ..after(0.0) };
    }
    let micros = map.micros(first);
    let (before, meter, end) = if first < NEAR {
        // No bar is so short: the first one begins at zero and is longer by as much.
        let meter = map.meter(first);
        let end = map.next_line(first);
        (meter.quarters(), meter, end)
    } else {
        let pickup = pickup(first, micros);
        (pickup.quarters(), pickup, first)
    };
    let mut bars = after(end);
    let fitted = (end * 1e6 / before).round() as u32;
    // A pickup of whole beats in time has the tempo of the rest.
    let fits = (f64::from(fitted.abs_diff(micros)) * before) < 500.0;
    match bars.tempi.first_mut() {
        Some(held) if fits => held.seconds = 0.0,
        _ => bars.tempi.insert(0, At { seconds: 0.0, what: fitted }),
    }
    if bars.meters.first().is_some_and(|at| at.what == meter) {
        bars.meters[0].seconds = 0.0;
    } else {
        bars.meters.insert(0, At { seconds: 0.0, what: meter });
    }
    bars.said = if end > first {
        format!("The first bar is {first:.3} s longer, so that the next ones begin where they sound.")
    } else {
        format!("The first downbeat is at {first:.3} s; before it stands a pickup bar of {meter}.")
    };
    bars
}

fn four(seconds: f64) -> Vec<At<Meter>> {
    vec![At { seconds, what: FOUR }]
}

/// A bar of whole sixteenths (of thirty-seconds where it is very short) that lasts about so long.
fn pickup(seconds: f64, micros: u32) -> Meter {
    let sixteenths = seconds * 4e6 / f64::from(micros);
    let (mut beats, mut unit) = if sixteenths < 0.75 { (sixteenths * 2.0, 32) } else { (sixteenths, 16) };
    beats = beats.round().clamp(1.0, 128.0);
    while unit > 4 && beats % 2.0 == 0.0 {
        (beats, unit) = (beats / 2.0, unit / 2);
    }
    Meter { beats: beats as u8, unit }
}

/// What holds from a place on: the last entry before it, moved there, and the later ones.
fn from<T: Clone>(list: &[At<T>], seconds: f64) -> Vec<At<T>> {
    let mut sorted = sorted(list);
    let mut held = sorted.split_off(begun(&sorted, seconds));
    if let Some(first) = held.first_mut() {
        first.seconds = seconds;
    }
    held
}

fn sorted<T: Clone>(list: &[At<T>]) -> Vec<At<T>> {
    let mut sorted = list.to_vec();
    sorted.sort_by(|a, b| a.seconds.total_cmp(&b.seconds));
    sorted
}

/// Which entry of a sorted list holds at a place: the first one where none has begun.
fn begun<T>(sorted: &[At<T>], seconds: f64) -> usize {
    sorted.partition_point(|at| at.seconds <= seconds + EXACT).saturating_sub(1)
}

/// When the next entry of a sorted list begins.
fn next<T>(sorted: &[At<T>], after: f64) -> f64 {
    sorted.get(sorted.partition_point(|at| at.seconds <= after)).map_or(f64::INFINITY, |at| at.seconds)
}

/// The bar lines of a session from zero up to `seconds`, by its tempi and meters: what any program that opens it counts.
/// None where it has no tempo.
pub(crate) fn bar_lines(tempi: &[At<u32>], meters: &[At<Meter>], seconds: f64) -> Vec<f64> {
    let map = Map { tempi: sorted(tempi), meters: sorted(meters) };
    let mut lines = Vec::new();
    let mut at = 0.0;
    while !tempi.is_empty() && at < seconds && lines.len() < MOST_BARS {
        lines.push(at);
        at = map.next_line(at);
    }
    lines
}

/// A tempo map with its meters, in order.
struct Map {
    tempi: Vec<At<u32>>,
    meters: Vec<At<Meter>>,
}

/// No song has more bars; a map that is nonsense ends here.
const MOST_BARS: usize = 100_000;

impl Map {
    /// The first bar line that is not before zero.
    fn first_line(&self, known: Known) -> f64 {
        let (line, near) = match known {
            Known::Heard(line) => {
                let bar = self.bar(line);
                // The bars before it are as long as itself.
                (line.rem_euclid(bar), NEAR)
            }
            Known::Stated(mut line) => {
                for _ in 0..MOST_BARS {
                    if line > -EXACT {
                        break;
                    }
                    line = self.next_line(line);
                }
                (line.max(0.0), EXACT)
            }
        };
        if line < near || self.bar(line) - line < near { 0.0 } else { line }
    }

    /// The bar line after the one at `line`: a bar later, or where another meter begins one.
    fn next_line(&self, line: f64) -> f64 {
        let mut quarters = self.meter(line).quarters();
        let mut at = line;
        let next_meter = next(&self.meters, line + EXACT);
        loop {
            let quarter = f64::from(self.micros(at)) * 1e-6;
            let end = at + quarters * quarter;
            let step = next(&self.tempi, at + 1e-9);
            if end <= step {
                return if next_meter < end - EXACT { next_meter } else { end };
            }
            quarters -= (step - at) / quarter;
            at = step;
        }
    }

    fn bar(&self, at: f64) -> f64 {
        self.meter(at).quarters() * f64::from(self.micros(at)) * 1e-6
    }

    fn micros(&self, at: f64) -> u32 {
        self.tempi.get(begun(&self.tempi, at)).map_or(500_000, |step| step.what.max(1))
    }

    fn meter(&self, at: f64) -> Meter {
        self.meters.get(begun(&self.meters, at)).map_or(FOUR, |step| step.what)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at<T>(seconds: f64, what: T) -> At<T> {
        At { seconds, what }
    }

    /// Where bars begin, by a walk through tempi and meters from zero on: what any program that reads them does.
    fn lines(bars: &Bars, many: usize) -> Vec<f64> {
        let mut lines = bar_lines(&bars.tempi, &bars.meters, 5000.0);
        lines.truncate(many);
        lines
    }

    fn close(found: &[f64], wanted: &[f64]) -> bool {
        found.len() == wanted.len() && found.iter().zip(wanted).all(|(a, b)| (a - b).abs() < 5e-4)
    }

    /// Bars of 2 s. A head of 1.5 s leaves a pickup of three beats, one of 0.37 s a sixteenth-note bar at a tempo of its own.
    #[test]
    fn bars_begin_where_the_first_downbeat_is_heard() {
        for (heard, first, pickup) in [
            (0.0, 0.0, None),
            (0.02, 0.0, None),
            (1.98, 0.0, None),
            (8.01, 0.0, None),
            (1.5, 1.5, Some("3/4")),
            (7.5, 1.5, Some("3/4")),
            (0.37, 0.37, Some("3/16")),
            (0.04, 0.04, Some("1/32")),
            (-0.5, 1.5, Some("3/4")),
            (1.96, 1.96, Some("4/4")),
        ] {
            let bars = laid_out(&[at(0.0, 500_000)], &[], Known::Heard(heard));
            assert!((bars.first - first).abs() < 1e-9, "{heard}: {bars:?}");
            let found = lines(&bars, 4);
            let wanted =
                if pickup.is_some() { [0.0, first, first + 2.0, first + 4.0] } else { [0.0, 2.0, 4.0, 6.0] };
            assert!(close(&found, &wanted), "{heard}: {found:?} {bars:?}");
            let meter = bars.meters[0].what.to_string();
            assert_eq!(meter, pickup.unwrap_or("4/4"), "{heard}");
            assert_eq!(bars.said.contains("pickup"), pickup.is_some(), "{}", bars.said);
            assert!(bars.tempi.iter().all(|step| (60_000..1_500_000).contains(&step.what)), "{bars:?}");
        }
        let whole = laid_out(&[at(0.0, 500_000)], &[], Known::Heard(1.5));
        assert_eq!(whole.tempi, [at(0.0, 500_000)], "three whole beats need no tempo of their own");
    }

    /// A client's map of 3/4 at 120, then 6/8 at 100 from 9 s on; cut at several places. Every later bar line stays where the
    /// client has it.
    #[test]
    fn a_clients_bars_stay_where_they_are_behind_a_cut() {
        let tempi = [at(0.0, 500_000), at(9.0, 600_000)];
        let meters = [at(0.0, Meter { beats: 3, unit: 4 }), at(9.0, Meter { beats: 6, unit: 8 })];
        // Six bars of 1.5 s, then bars of 1.8 s: by hand.
        let client: Vec<f64> =
            (0..6).map(|n| f64::from(n) * 1.5).chain((0..20).map(|n| 9.0 + f64::from(n) * 1.8)).collect();
        for cut in [0.0, 1.5, 0.4, 1.48, 2.99, 7.7, 8.995, 9.0, 10.0, 12.55] {
            let moved = |seconds: f64| seconds - cut;
            let tempi = tempi.clone().map(|step| at(moved(step.seconds), step.what));
            let meters = meters.clone().map(|step| at(moved(step.seconds), step.what));
            let bars = laid_out(&tempi, &meters, Known::Stated(-cut));
            let found = lines(&bars, 8);
            let wanted: Vec<f64> =
                client.iter().map(|line| line - cut).filter(|line| *line > NEAR).take(6).collect();
            for line in &wanted {
                assert!(
                    found.iter().any(|found| (found - line).abs() < 1.1e-3),
                    "{cut}: {line} in {found:?}, {bars:?}"
                );
            }
            assert_eq!(bars.tempi[0].seconds, 0.0);
            assert_eq!(bars.meters[0].seconds, 0.0);
        }
    }

    #[test]
    fn nonsense_ends() {
        let bars = laid_out(&[at(0.0, 1)], &[], Known::Stated(-1e9));
        assert!(bars.first >= 0.0 && bars.first.is_finite());
        assert!(laid_out(&[], &[], Known::Heard(3.0)).first.is_finite());
    }
}
