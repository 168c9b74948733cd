//! How a pulse is counted: which multiple of it is the beat, and where the bar begins.
//!
//! A grid alone does not tell 70 from 140. What does, as far as anything does: a kick and a snare that alternate from beat
//! to beat (the backbeat); beats that are stronger than what lies between them, and alike; how finely the beat is divided;
//! and how usual its length is. Rules of thumb of the trade, no source, with weights by judgement, set on loops of
//! drums and on synthesised songs; where two ways to count come near to each other, both are said.
//!
//! It finds no pulse itself.

use super::onset::{Onset, Part, Player, first_onset};
use super::pulse::usual;

/// Ways to count a pulse.
const RATIOS: &[f64] = &[1.0, 0.5, 2.0, 0.25, 4.0, 1.0 / 3.0, 3.0, 2.0 / 3.0, 1.5, 0.75, 4.0 / 3.0];

/// Tempi that are counted.
const BPM: std::ops::RangeInclusive<f64> = 50.0..=215.0;

/// The weight of each sign.
const BACKBEAT: f64 = 2.0;
const CONTRAST: f64 = 1.0;
/// That much is enough: nothing at all between beats speaks against them.
const MOST_CONTRAST: f64 = 0.35;
const ALTERNATION: f64 = 1.6;
/// That says less in a whole kit, where a hit hides what sounds with it.
const WHOLE_KIT: f64 = 0.5;
const COVER: f64 = 1.5;
const USUAL: f64 = 0.9;
/// What is faster than this is rather counted half as fast, by the octave.
const FAST_BPM: f64 = 170.0;
const FAST: f64 = 2.0;
/// A beat that nothing divides is rare, and three parts are rarer than two or four.
const UNDIVIDED: f64 = -0.6;
const TRIPLE: f64 = -0.3;

/// Another way to count is said where it comes as near as this; as the second value, where nothing alternates as kick and
/// snare do.
const NEAR: (f64, f64) = (0.4, 0.9);

/// From here on kick and snare alternate: a whole kit in one stem reaches a third of what kick and snare alone do.
const ALTERNATES: f64 = 0.22;

/// What is less than this part of kicks and snares together says nothing.
const STRAYS: f64 = 0.08;

/// Two lengths of a beat are one.
const SAME: f64 = 0.01;

/// Slow songs with sixteenth notes are as often counted twice as fast, with a snare on three.
const HALF_TIME_BPM: f64 = 95.0;

/// Bins of the histogram in which the beat's place is looked for.
const BINS: usize = 96;

/// A pulse as it is counted.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Counted {
    /// Seconds of a beat.
    pub(super) beat: f64,
    /// The first beat at or after zero.
    pub(super) phase: f64,
    score: f64,
    divided: usize,
    backbeat: f64,
}

/// What falls on one line.
#[derive(Debug, Clone, Copy, Default)]
struct Line {
    all: f64,
    kick: f64,
    snare: f64,
    chords: f64,
}

/// The likeliest way to count pulses, and another one where both are near.
pub(super) fn count(parts: &[Part], periods: &[f64]) -> Option<(Counted, Option<Counted>)> {
    let mut ways: Vec<Counted> = Vec::new();
    for beat in periods.iter().flat_map(|period| RATIOS.iter().map(move |ratio| period * ratio)) {
        let known = ways.iter().any(|way| (way.beat / beat - 1.0).abs() < SAME);
        if BPM.contains(&(60.0 / beat)) && !known {
            ways.push(counted(parts, beat));
        }
    }
    ways.sort_by(|a, b| b.score.total_cmp(&a.score));
    let best = *ways.first()?;
    let double = || ways.iter().find(|way| (way.beat * 2.0 / best.beat - 1.0).abs() < SAME).copied();
    let near = if best.backbeat > ALTERNATES { NEAR.0 } else { NEAR.1 };
    let half_time = 60.0 / best.beat < HALF_TIME_BPM && best.divided >= 4;
    let second = ways.get(1).filter(|way| way.score > best.score - near).copied();
    Some((best, second.or_else(|| half_time.then(double).flatten())))
}

/// A beat of a given length, as it fits.
pub(super) fn counted(parts: &[Part], beat: f64) -> Counted {
    let phase = phase(parts, beat);
    let on = lines(parts, beat, phase);
    let half = sums(&lines(parts, beat, phase + beat / 2.0)).all;
    // A little late, to meet swung sixteenths too.
    let quarters = 0.5
        * (sums(&lines(parts, beat, phase + beat * 0.28)).all
            + sums(&lines(parts, beat, phase + beat * 0.78)).all);
    let early = sums(&lines(parts, beat, phase + beat / 3.0)).all;
    let late = sums(&lines(parts, beat, phase + beat / 1.5)).all;
    let thirds = 0.5 * (early + late);
    let all = sums(&on).all;
    let between = half.max(early).max(late);
    // Below this, what lies between beats is an ornament.
    let some = 0.12 * all;
    let divided = match () {
        () if quarters > some && quarters >= thirds => 4,
        // The later third alone is a swung half.
        () if early.min(late) > some && thirds > half => 3,
        () if half.max(late) > some => 2,
        () => 1,
    };
    let (even, odd) = parity(&on);
    let cover = cover(&on);
    let backbeat = backbeat(even, odd) * cover;
    let told = if plays(parts, Player::Kick) { 1.0 } else { WHOLE_KIT };
    let score = USUAL * libm::log(usual(60.0 / beat))
        + CONTRAST * part(all - between, all + between).min(MOST_CONTRAST)
        - ALTERNATION * told * alternation(even, odd)
        + BACKBEAT * backbeat
        + COVER * cover
        - FAST * libm::log2(60.0 / beat / FAST_BPM).max(0.0)
        + match divided {
            1 => UNDIVIDED,
            3 => TRIPLE,
            _ => 0.0,
        };
    Counted { beat, phase, score, divided, backbeat }
}

fn part(some: f64, all: f64) -> f64 {
    if all > 0.0 { some / all } else { 0.0 }
}

/// How much an onset says about where the beat is.
fn salience(part: &Part, onset: &Onset) -> f64 {
    let said = match part.player {
        Player::Kick | Player::Snare => 1.0,
        // In a whole kit the strong ones are kicks and snares, the soft ones are hats.
        Player::Kit | Player::Unknown => onset.strength.min(1.0),
        Player::Bass | Player::Chords => 0.4,
        Player::Voice => 0.0,
    };
    said * part.sharpness.max(0.2) * onset.strength
}

/// Where within a beat the strongest onsets gather, in seconds.
fn phase(parts: &[Part], beat: f64) -> f64 {
    let mut bins = vec![0.0; BINS];
    for (part, onset) in all(parts) {
        let at = (onset.seconds / beat).fract() * BINS as f64;
        bins[at as usize % BINS] += salience(part, onset);
    }
    // Onsets spread over about 20 ms.
    let reach = ((0.02 / beat * BINS as f64).ceil() as usize).max(1);
    let around = |k: usize| (0..=2 * reach).map(move |by| (k + BINS + by - reach) % BINS);
    let mass = |k: usize| around(k).map(|k| bins[k]).sum::<f64>();
    let best = (0..BINS).max_by(|a, b| mass(*a).total_cmp(&mass(*b)).then(b.cmp(a))).unwrap_or(0);
    let off: f64 =
        (0..=2 * reach).zip(around(best)).map(|(by, k)| (by as f64 - reach as f64) * bins[k]).sum();
    let centre = best as f64 + 0.5 + part(off, mass(best));
    (centre / BINS as f64).rem_euclid(1.0) * beat
}

fn all(parts: &[Part]) -> impl Iterator<Item = (&Part, &Onset)> {
    parts.iter().flat_map(|part| part.onsets.iter().map(move |onset| (part, onset)))
}

/// Whether a player has a part.
fn plays(parts: &[Part], player: Player) -> bool {
    parts.iter().any(|part| part.player == player && !part.onsets.is_empty())
}

/// What falls on each line of a grid, from its first line at or after zero on.
fn lines(parts: &[Part], beat: f64, phase: f64) -> Vec<Line> {
    let phase = phase.rem_euclid(beat);
    let last = all(parts).map(|(_, onset)| onset.seconds).fold(0.0, f64::max);
    let near = (beat / 6.0).min(0.05);
    let (kick, snare) = (plays(parts, Player::Kick), plays(parts, Player::Snare));
    let mut lines = vec![Line::default(); (last / beat) as usize + 2];
    for part in parts {
        let usual_low = 2.0 * mean_low(part);
        for onset in &part.onsets {
            let at = ((onset.seconds - phase) / beat).round();
            if (onset.seconds - phase - at * beat).abs() > near || at < 0.0 {
                continue;
            }
            let line = &mut lines[at as usize];
            let weight = salience(part, onset);
            line.all += weight;
            let low = if usual_low > 0.0 { (onset.low / usual_low).min(1.0) } else { 0.5 };
            match part.player {
                Player::Kick => line.kick += weight,
                Player::Snare => line.snare += weight,
                // In a whole kit the strong ones are kicks and snares.
                Player::Kit | Player::Unknown => {
                    line.kick += if kick { 0.0 } else { weight * low };
                    line.snare += if snare { 0.0 } else { weight * onset.strength.min(1.0) * (1.0 - low) };
                }
                Player::Bass | Player::Chords => line.chords += weight,
                Player::Voice => {}
            }
        }
    }
    lines
}

/// The low part of a part's onsets on the mean.
fn mean_low(part: &Part) -> f64 {
    let weight: f64 = part.onsets.iter().map(|onset| onset.strength).sum();
    let low: f64 = part.onsets.iter().map(|onset| onset.strength * onset.low).sum();
    if weight > 0.0 { low / weight } else { 0.0 }
}

fn sums<'a>(lines: impl IntoIterator<Item = &'a Line>) -> Line {
    let add = |sum: Line, line: &Line| Line {
        all: sum.all + line.all,
        kick: sum.kick + line.kick,
        snare: sum.snare + line.snare,
        chords: sum.chords + line.chords,
    };
    lines.into_iter().fold(Line::default(), add)
}

fn parity(lines: &[Line]) -> (Line, Line) {
    (sums(lines.iter().step_by(2)), sums(lines.iter().skip(1).step_by(2)))
}

/// How much a snare plays on every second beat alone, and a kick on the others, 0 to 1; a kick on every beat gives a half.
fn backbeat(even: Line, odd: Line) -> f64 {
    // A few strays are no snare.
    let all = STRAYS * (even.kick + odd.kick + even.snare + odd.snare);
    let kick = part(even.kick - odd.kick, even.kick + odd.kick + all);
    let snare = part(even.snare - odd.snare, even.snare + odd.snare + all);
    snare.abs() * (0.5 - 0.5 * kick * snare.signum())
}

/// How much every second beat is weaker, for all who play alike, 0 to 1: then the beat is twice as long.
fn alternation(even: Line, odd: Line) -> f64 {
    let pairs = [(even.kick, odd.kick), (even.snare, odd.snare), (even.chords, odd.chords)];
    let played: Vec<f64> =
        pairs.into_iter().filter(|(a, b)| a + b > 0.0).map(|(a, b)| (a - b) / (a + b)).collect();
    (played.iter().sum::<f64>() / played.len().max(1) as f64).abs()
}

/// The part of the lines on which something sounds, of those with something near, 0 to 1.
fn cover(lines: &[Line]) -> f64 {
    const AROUND: usize = 4;
    let sounds = |line: &Line| line.all > 0.0;
    let near =
        |at: usize| lines[at.saturating_sub(AROUND)..(at + AROUND + 1).min(lines.len())].iter().any(sounds);
    let busy: Vec<usize> = (0..lines.len()).filter(|at| near(*at)).collect();
    let on = busy.iter().filter(|at| sounds(&lines[**at])).count();
    on as f64 / busy.len().max(1) as f64
}

/// Where the bar begins.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Bars {
    /// The first downbeat that is played, in seconds.
    pub(super) downbeat: f64,
    /// How clear that is, 0 and above; from [`CLEAR`] on it is worth telling.
    pub(super) clear: f64,
}

/// From here on a downbeat is sure: by judgement.
pub(super) const CLEAR: f64 = 0.3;

/// The place of the bar among `beats` beats: kicks, chords and entries stand on one, snares do not. `entries` are the times
/// at which stems without voices begin to play.
pub(super) fn bars(parts: &[Part], counted: &Counted, beats: usize, entries: &[f64]) -> Bars {
    let lines = lines(parts, counted.beat, counted.phase);
    let mut entered = vec![0.0; beats];
    for entry in entries {
        let at = (entry - counted.phase) / counted.beat;
        if (at - at.round()).abs() < 0.2 {
            entered[(at.round() as i64).rem_euclid(beats as i64) as usize] += 1.0;
        }
    }
    let of = |at: usize| sums(lines.iter().skip(at).step_by(beats));
    let all: Vec<Line> = (0..beats).map(of).collect();
    let total = sums(&all);
    let score = |at: usize| {
        part(all[at].kick, total.kick) - part(all[at].snare, total.snare)
            + 1.5 * part(all[at].chords, total.chords)
            + 1.5 * part(entered[at], entered.iter().sum())
    };
    let mut order: Vec<usize> = (0..beats).collect();
    order.sort_by(|a, b| score(*b).total_cmp(&score(*a)));
    let clear = order.get(1).map_or(0.0, |second| score(order[0]) - score(*second));
    let first = first_onset(parts);
    let bar = counted.beat * beats as f64;
    let line = counted.phase + order[0] as f64 * counted.beat;
    // A quarter of a beat early is still on the bar.
    let downbeat = line + bar * ((first - 0.25 * counted.beat - line) / bar).ceil();
    // The song's first onset may seem a little early; before the start there is none.
    Bars { downbeat: downbeat.max(0.0), clear }
}
