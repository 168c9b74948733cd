//! How much of a mix its stems explain: one gain a stem by least squares, and what is left in time and band.
//!
//! Sums of products are kept for every window and band, so that the fit and the remainder come from one pass. They are
//! taken in double precision over single-precision spectra, so the remainder of a complete set lies below −100 dB. With the
//! gains known, every window can be taken apart into what is explained and what is left.
//!
//! It does not judge the remainder.

use std::ops::Range;
use std::sync::Arc;

use realfft::num_complex::Complex;
use realfft::{ComplexToReal, RealFftPlanner, RealToComplex};

use crate::gram::{PIECE, Rows, triangle};

/// Samples of a window; windows overlap by half.
pub const WINDOW: usize = 8192;

/// Sums of products of one band in one window.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Cell {
    pub(crate) mix: f64,
    with_mix: Vec<f64>,
    /// Lower triangle, row after row, of the stems that sound.
    gram: Vec<f64>,
}

/// One window: the stems that sound in it, and its bands.
#[derive(Debug, Clone, PartialEq)]
pub struct Window {
    pub(crate) sounding: Vec<usize>,
    pub(crate) cells: Vec<Cell>,
}

/// The samples of one window.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Part<'a> {
    /// The samples, [`WINDOW`] of them.
    pub samples: &'a [f32],
    /// How late they are.
    pub late: &'a Late,
}

/// By what part of a sample a signal is late, as the turn of every bin that takes it out. It is the same in every window.
#[derive(Debug, Clone, PartialEq)]
pub struct Late(Vec<Complex<f32>>);

impl Late {
    /// So much of a sample, at most one either way.
    pub fn by(samples: f64) -> Self {
        let turn = |bin: usize| std::f64::consts::TAU * samples * bin as f64 / WINDOW as f64;
        let bins = if samples == 0.0 { 0..0 } else { 0..WINDOW / 2 + 1 };
        let factor = |turn: f64| Complex::new(libm::cos(turn) as f32, libm::sin(turn) as f32);
        Self(bins.map(|bin| factor(turn(bin))).collect())
    }
}

/// Room for one window after another, so that none takes its own.
#[derive(Debug, Clone, Default)]
pub struct Room {
    tapered: Vec<f32>,
    scratch: Vec<Complex<f32>>,
    pub(crate) mix: Vec<Complex<f32>>,
    /// Of the stems that sound, in their order.
    pub(crate) stems: Vec<Vec<Complex<f32>>>,
    rows: Rows,
}

/// Adds up windows of a mix and its stems.
pub struct Unmixer {
    forward: Arc<dyn RealToComplex<f32>>,
    back: Arc<dyn ComplexToReal<f32>>,
    taper: Vec<f32>,
    /// First bin of each band, and the end of the last.
    pub(crate) edges: Vec<usize>,
    stems: usize,
    windows: Vec<Window>,
}

/// What the stems explain of the mix.
#[derive(Debug, Clone, PartialEq)]
pub struct Unmixed {
    /// Gain of every stem in the mix, as a factor.
    pub gains: Vec<f64>,
    /// Energy (sum of squares) of every stem as it came, all bands together.
    pub energies: Vec<f64>,
    /// Energy of the mix: one row a window, one figure a band.
    pub mix: Vec<Vec<f64>>,
    /// Energy of what no stem explains, in the same shape.
    pub rest: Vec<Vec<f64>>,
    windows: Vec<Window>,
}

impl Unmixer {
    /// A meter for so many stems, with bands between these frequencies, at `sample_hz`.
    pub fn new(stems: usize, edges_hz: &[f64], sample_hz: f64) -> Self {
        let mut planner = RealFftPlanner::new();
        let (forward, back) = (planner.plan_fft_forward(WINDOW), planner.plan_fft_inverse(WINDOW));
        let bin = |hz: &f64| ((hz / sample_hz * WINDOW as f64).round() as usize).min(WINDOW / 2);
        let turn = |n: usize| std::f64::consts::TAU * n as f64 / WINDOW as f64;
        Self {
            forward,
            back,
            taper: (0..WINDOW).map(|n| (0.5 - 0.5 * libm::cos(turn(n))) as f32).collect(),
            edges: edges_hz.iter().map(bin).collect(),
            stems,
            windows: Vec::new(),
        }
    }

    /// Puts the spectra of a window into the room, each with its lateness taken out; says which stems sound.
    pub(crate) fn spectra(&self, mix: Part<'_>, stems: &[Option<Part<'_>>], room: &mut Room) -> Vec<usize> {
        let Room { tapered, scratch, .. } = room;
        scratch.resize(self.forward.get_scratch_len(), Complex::default());
        let mut spectrum = |part: Part<'_>, bins: &mut Vec<Complex<f32>>| {
            tapered.clear();
            tapered.extend(part.samples.iter().zip(&self.taper).map(|(a, b)| a * b));
            bins.resize(WINDOW / 2 + 1, Complex::default());
            let done = self.forward.process_with_scratch(tapered, bins, scratch);
            done.expect("buffers of the size of the plan");
            bins.iter_mut().zip(&part.late.0).for_each(|(bin, turn)| *bin *= turn);
        };
        spectrum(mix, &mut room.mix);
        let (sounding, parts): (Vec<usize>, Vec<Part<'_>>) =
            stems.iter().enumerate().filter_map(|(stem, part)| Some((stem, (*part)?))).unzip();
        room.stems.resize(parts.len(), Vec::new());
        parts.into_iter().zip(&mut room.stems).for_each(|(part, bins)| spectrum(part, bins));
        sounding
    }

    /// Measures a window: the mix, and every stem, `None` where it is silent. It changes nothing, so windows can be measured
    /// side by side, each thread in a room of its own.
    ///
    /// # Panics
    /// When a window is not [`WINDOW`] samples long.
    pub fn window(&self, mix: Part<'_>, stems: &[Option<Part<'_>>], room: &mut Room) -> Window {
        let sounding = self.spectra(mix, stems, room);
        self.cells(sounding, room)
    }

    fn cells(&self, sounding: Vec<usize>, room: &mut Room) -> Window {
        let cells = self.edges.windows(2).map(|edge| room.cell(edge[0]..edge[1])).collect();
        Window { sounding, cells }
    }

    /// Measures a window and takes it apart, at gains that are known already.
    ///
    /// # Panics
    /// When a window is not [`WINDOW`] samples long.
    pub fn window_apart(
        &self,
        mix: Part<'_>,
        stems: &[Option<Part<'_>>],
        room: &mut Room,
        gains: &[f64],
    ) -> (Window, Apart) {
        let sounding = self.spectra(mix, stems, room);
        let window = self.cells(sounding, room);
        let apart = self.taken_apart(&window.sounding, room, gains);
        (window, apart)
    }

    /// Takes a window apart, with the gains known.
    ///
    /// # Panics
    /// When a window is not [`WINDOW`] samples long.
    pub fn apart(&self, mix: Part<'_>, stems: &[Option<Part<'_>>], room: &mut Room, gains: &[f64]) -> Apart {
        let sounding = self.spectra(mix, stems, room);
        self.taken_apart(&sounding, room, gains)
    }

    fn taken_apart(&self, sounding: &[usize], room: &mut Room, gains: &[f64]) -> Apart {
        let rest = &mut room.mix;
        let mut explained = vec![Complex::default(); rest.len()];
        for (&stem, bins) in sounding.iter().zip(&room.stems) {
            let gain = gains[stem] as f32;
            explained.iter_mut().zip(bins).for_each(|(sum, bin)| *sum += bin * gain);
        }
        rest.iter_mut().zip(&explained).for_each(|(rest, sum)| *rest -= sum);
        Apart { explained: self.samples(&mut explained), rest: self.samples(rest) }
    }

    /// The samples of a spectrum, tapered as they were; windows add up to the whole.
    fn samples(&self, bins: &mut [Complex<f32>]) -> Vec<f32> {
        let mut out = self.back.make_output_vec();
        let (low, high) = (self.edges.first().copied().unwrap_or(0), self.edges.last().copied().unwrap_or(0));
        // What is not compared is not kept.
        bins[..low].fill(Complex::default());
        bins[high..].fill(Complex::default());
        self.back.process(bins, &mut out).expect("buffers of the size of the plan");
        for sample in &mut out {
            *sample /= WINDOW as f32;
        }
        out
    }

    /// Adds a window.
    pub fn push(&mut self, window: Window) {
        self.windows.push(window);
    }

    /// Fits the gains and says what remains.
    pub fn finish(self) -> Unmixed {
        let n = self.stems;
        let (gram, with_mix) = sums(n, &self.windows);
        let gains = solve(gram.clone(), with_mix);
        let energies = (0..n).map(|stem| gram[stem][stem]).collect();
        let (mut mix, mut rest) = (Vec::new(), Vec::new());
        for window in &self.windows {
            let gains: Vec<f64> = window.sounding.iter().map(|&stem| gains[stem]).collect();
            let sums: Vec<(f64, f64)> = window.cells.iter().map(|cell| cell.explained(&gains)).collect();
            mix.push(window.cells.iter().map(|cell| cell.mix).collect());
            let left = window.cells.iter().zip(&sums);
            rest.push(left.map(|(cell, (shared, own))| (cell.mix - 2.0 * shared + own).max(0.0)).collect());
        }
        Unmixed { gains, energies, mix, rest, windows: self.windows }
    }
}

impl Unmixed {
    /// What is left in these windows where every stem may have a gain of its own there and in each band: what follows the stems
    /// goes, by a move of a fader or an equaliser, and what is in none of them stays.
    pub fn refitted(&self, windows: Range<usize>) -> Vec<f64> {
        let windows = &self.windows[windows];
        let bands = windows.first().map_or(0, |window| window.cells.len());
        let of_band = |band: usize| {
            let part = windows.iter().map(|window| Window {
                sounding: window.sounding.clone(),
                cells: vec![window.cells[band].clone()],
            });
            let part: Vec<Window> = part.collect();
            let (gram, with_mix) = sums(self.gains.len(), &part);
            let gains = solve(gram, with_mix);
            let rest = part.iter().map(|window| {
                let gains: Vec<f64> = window.sounding.iter().map(|&stem| gains[stem]).collect();
                let (shared, own) = window.cells[0].explained(&gains);
                window.cells[0].mix - 2.0 * shared + own
            });
            rest.sum::<f64>().max(0.0)
        };
        (0..bands).map(of_band).collect()
    }
}

/// The products of all windows together: of every two stems (the lower triangle), and of each with the mix.
pub(crate) fn sums(stems: usize, windows: &[Window]) -> (Vec<Vec<f64>>, Vec<f64>) {
    let (mut gram, mut with_mix) = (vec![vec![0.0; stems]; stems], vec![0.0; stems]);
    for window in windows {
        for cell in &window.cells {
            for (row, &stem) in window.sounding.iter().enumerate() {
                with_mix[stem] += cell.with_mix[row];
                for (column, &other) in window.sounding[..=row].iter().enumerate() {
                    gram[stem.max(other)][stem.min(other)] += cell.gram[row * (row + 1) / 2 + column];
                }
            }
        }
    }
    (gram, with_mix)
}

/// A window taken apart.
#[derive(Debug, Clone, PartialEq)]
pub struct Apart {
    /// What the stems explain, [`WINDOW`] tapered samples: windows that overlap by half add up to the whole.
    pub explained: Vec<f32>,
    /// What is left, in the same way.
    pub rest: Vec<f32>,
}

impl Room {
    /// The products of these bins of the spectra.
    pub(crate) fn cell(&mut self, bins: Range<usize>) -> Cell {
        let mut gram = vec![0.0; triangle(self.stems.len() + 1)];
        for begin in bins.clone().step_by(PIECE) {
            let piece = begin..bins.end.min(begin + PIECE);
            let all = self.stems.iter().chain([&self.mix]);
            self.rows.fill(all.map(|spectrum| &spectrum[piece.clone()]));
            self.rows.add_products(&mut gram);
        }
        let mut with_mix = gram.split_off(triangle(self.stems.len()));
        let mix = with_mix.pop().unwrap_or_default();
        Cell { mix, with_mix, gram }
    }
}

impl Cell {
    /// The product of mix and sum of the stems at these gains, and the energy of that sum.
    fn explained(&self, gains: &[f64]) -> (f64, f64) {
        let shared = self.with_mix.iter().zip(gains).map(|(with, gain)| with * gain).sum();
        let mut own = 0.0;
        for (row, one) in gains.iter().enumerate() {
            for (column, other) in gains[..=row].iter().enumerate() {
                let twice = if row == column { 1.0 } else { 2.0 };
                own += twice * one * other * self.gram[row * (row + 1) / 2 + column];
            }
        }
        (shared, own)
    }
}

/// Solves the normal equations by Cholesky's method; the lower triangle is given. A little is added to the diagonal, so
/// that of two equal stems each gets half.
pub(crate) fn solve(mut gram: Vec<Vec<f64>>, mut right: Vec<f64>) -> Vec<f64> {
    let n = right.len();
    for (row, line) in gram.iter_mut().enumerate() {
        line[row] = line[row] * (1.0 + 1e-9) + f64::MIN_POSITIVE;
    }
    for column in 0..n {
        for row in column..n {
            let done: f64 = (0..column).map(|k| gram[row][k] * gram[column][k]).sum();
            let value = gram[row][column] - done;
            gram[row][column] = if row == column {
                value.max(f64::MIN_POSITIVE).sqrt()
            } else {
                value / gram[column][column]
            };
        }
    }
    for row in 0..n {
        let done: f64 = (0..row).map(|k| gram[row][k] * right[k]).sum();
        right[row] = (right[row] - done) / gram[row][row];
    }
    for row in (0..n).rev() {
        let done: f64 = (row + 1..n).map(|k| gram[k][row] * right[k]).sum();
        right[row] = (right[row] - done) / gram[row][row];
    }
    right
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::signal::{noise, sine};

    fn unmixed(mix: &[f64], stems: &[Vec<f64>]) -> Unmixed {
        let on_time = Late::by(0.0);
        let mut unmixer = Unmixer::new(stems.len(), &[50.0, 500.0, 1500.0, 2500.0], 6000.0);
        let single = |part: &[f64]| part.iter().map(|x| *x as f32).collect::<Vec<f32>>();
        for start in (0..mix.len() - WINDOW).step_by(WINDOW / 2) {
            let part = |samples: &[f64]| single(&samples[start..start + WINDOW]);
            let parts: Vec<Vec<f32>> = stems.iter().map(|stem| part(stem)).collect();
            let part_of = |samples| Part { samples, late: &on_time };
            let parts: Vec<Option<Part<'_>>> = parts
                .iter()
                .map(|part| part.iter().any(|x| *x != 0.0).then_some(part_of(&part[..])))
                .collect();
            unmixer.push(unmixer.window(part_of(&part(mix)), &parts, &mut Room::default()));
        }
        unmixer.finish()
    }

    /// Three noises at known gains, one of which is silent at first, and a tone that no stem has.
    #[test]
    fn gains_are_found_and_what_is_missing_remains() {
        let mut stems: Vec<Vec<f64>> = (1..4).map(|k| noise(k * 9_000_000, 0.3, 60_000)).collect();
        stems[2][..30_000].fill(0.0);
        let tone = sine(1000.0, 0.002, 6000, 60_000);
        let mix: Vec<f64> = (0..60_000)
            .map(|n| {
                0.5 * stems[0][n] - 0.25 * stems[1][n] + stems[2][n] + if n > 40_000 { tone[n] } else { 0.0 }
            })
            .collect();
        let found = unmixed(&mix, &stems);
        for (gain, wanted) in found.gains.iter().zip([0.5, -0.25, 1.0]) {
            assert!((gain - wanted).abs() < 1e-3, "{:?}", found.gains);
        }
        let (early, late) = (&found.rest[2], &found.rest[11]);
        assert!(
            early.iter().all(|rest| *rest < 1e-4) && late[1] > 1.0 && late[0] < 1e-3,
            "{early:?} {late:?}"
        );
    }

    /// A fader that moves is no missing stem, and what is in no stem is.
    #[test]
    fn a_gain_of_its_own_explains_a_moved_fader_and_nothing_else() {
        let stems = [noise(1, 0.3, 60_000), noise(9_000_000, 0.3, 60_000)];
        let other = noise(18_000_000, 0.1, 60_000);
        let mix = |missing: f64| -> Vec<f64> {
            let moved = |n: usize| if n < 30_000 { 1.0 } else { 0.5 };
            (0..60_000).map(|n| moved(n) * stems[0][n] + stems[1][n] + missing * other[n]).collect()
        };
        let found = unmixed(&mix(0.0), &stems);
        let (rest, again) = (found.rest[9..].iter().flatten().sum::<f64>(), found.refitted(9..12));
        assert!(again.iter().sum::<f64>() < 0.001 * rest, "{rest} {again:?}");
        let found = unmixed(&mix(1.0), &stems);
        let missing = unmixed(&other, &[]).mix[9..12].iter().flatten().sum::<f64>();
        assert!(found.refitted(9..12).iter().sum::<f64>() > 0.9 * missing);
    }

    #[test]
    fn equal_stems_share_their_gain() {
        let stem = noise(1, 0.3, 30_000);
        let found = unmixed(&stem, &[stem.clone(), stem.clone()]);
        assert!((found.gains[0] + found.gains[1] - 1.0).abs() < 1e-3, "{:?}", found.gains);
    }
}
