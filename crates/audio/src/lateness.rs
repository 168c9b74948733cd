//! By what fraction of a sample each stem stands beside its place under a mix: a delay adds the slope of a sound to it, so what is
//! left of the mix is fitted by the slopes of the stems.
//!
//! It does not know where stems stand.

use realfft::num_complex::Complex;

use crate::unmix::{Part, Room, Unmixer, WINDOW, Window, solve, sums};

impl Unmixer {
    /// What a window says of how late its stems are, with the gains known.
    ///
    /// # Panics
    /// When a window is not [`WINDOW`] samples long.
    pub fn slopes(
        &self,
        mix: Part<'_>,
        stems: &[Option<Part<'_>>],
        room: &mut Room,
        gains: &[f64],
    ) -> Slopes {
        let sounding = self.spectra(mix, stems, room);
        for (&stem, bins) in sounding.iter().zip(&mut room.stems) {
            for (index, (bin, rest)) in bins.iter_mut().zip(&mut room.mix).enumerate() {
                let own = *bin * gains[stem] as f32;
                *rest -= own;
                // The slope of a sound: what a small delay adds to it.
                let turn = (std::f64::consts::TAU * index as f64 / WINDOW as f64) as f32;
                *bin = Complex::new(own.im * turn, -own.re * turn);
            }
        }
        let range = self.edges.first().copied().unwrap_or(0)..self.edges.last().copied().unwrap_or(0);
        let bins = range.len();
        Slopes { window: Window { sounding, cells: vec![room.cell(range)] }, bins }
    }
}

/// The slopes of the stems of a window against what is left of the mix.
#[derive(Debug, Clone, PartialEq)]
pub struct Slopes {
    window: Window,
    bins: usize,
}

/// By what part of a sample stems stand later in the mix than they were put under it.
#[derive(Debug, Clone, PartialEq)]
pub struct Lateness {
    /// All of them together.
    pub common: f64,
    /// Each of them.
    pub own: Vec<f64>,
}

/// How late so many stems are, by the slopes of some windows. `usual` is how far from 0 a stem usually stands, in samples:
/// where little of a stem is heard, it stays near 0.
pub fn lateness(stems: usize, slopes: Vec<Slopes>, usual: f64) -> Lateness {
    let bins = slopes.iter().map(|part| part.bins).sum::<usize>().max(1) as f64;
    let windows: Vec<Window> = slopes.into_iter().map(|part| part.window).collect();
    let (mut gram, with_rest) = sums(stems, &windows);
    let rest: f64 = windows.iter().flat_map(|window| &window.cells).map(|cell| cell.mix).sum();
    let all: f64 = (0..stems)
        .flat_map(|row| {
            gram[row][..=row]
                .iter()
                .enumerate()
                .map(move |(column, x)| if row == column { *x } else { 2.0 * x })
        })
        .sum();
    let common = with_rest.iter().sum::<f64>() / all.max(f64::MIN_POSITIVE);
    // What is left of each bin, against the square of what is usual.
    let doubt = rest / bins / (usual * usual);
    gram.iter_mut().enumerate().for_each(|(row, line)| line[row] += doubt);
    Lateness { common, own: solve(gram, with_rest) }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::unmix::Late;

    /// A stem that stands 0.3 samples late in the mix, beside one that does not.
    #[test]
    fn a_fraction_of_a_sample_is_found_and_windows_add_up() {
        let tones = |hz: [f64; 3], late: f64| -> Vec<f32> {
            let tone = |n: usize, hz: f64| (std::f64::consts::TAU * hz * (n as f64 - late) / 6000.0).sin();
            (0..60_000).map(|n| (0.1 * hz.iter().map(|hz| tone(n, *hz)).sum::<f64>()) as f32).collect()
        };
        let stems = [tones([110.0, 731.0, 1913.0], 0.0), tones([87.0, 402.0, 1222.0], 0.0)];
        let mix: Vec<f32> =
            tones([110.0, 731.0, 1913.0], 0.3).iter().zip(&stems[1]).map(|(a, b)| a + 0.5 * b).collect();
        let unmixer = Unmixer::new(2, &[50.0, 500.0, 1500.0, 2500.0], 6000.0);
        let (mut late, on_time) = ([0.0; 2], Late::by(0.0));
        let mut parts = Vec::new();
        for _ in 0..4 {
            let starts = || (0..60_000 - WINDOW).step_by(WINDOW / 2);
            let turns = late.map(|late: f64| Late::by(-late));
            let at = |start: usize| {
                let own = |stem: usize| {
                    Some(Part { samples: &stems[stem][start..start + WINDOW], late: &turns[stem] })
                };
                (Part { samples: &mix[start..start + WINDOW], late: &on_time }, [own(0), own(1)])
            };
            let slopes = starts()
                .map(at)
                .map(|(mix, own)| unmixer.slopes(mix, &own, &mut Room::default(), &[1.0, 0.5]))
                .collect();
            parts = starts()
                .map(at)
                .map(|(mix, own)| unmixer.apart(mix, &own, &mut Room::default(), &[1.0, 0.5]))
                .collect::<Vec<_>>();
            let found = lateness(2, slopes, 10.0);
            late.iter_mut().zip(found.own).for_each(|(late, more)| *late += more);
        }
        assert!((late[0] - 0.3).abs() < 0.001 && late[1].abs() < 0.001, "{late:?}");
        for n in 0..WINDOW / 2 {
            let sum = parts[3].explained[WINDOW / 2 + n] + parts[4].explained[n];
            let at = 4 * (WINDOW / 2) + n;
            assert!((sum - mix[at]).abs() < 0.002, "{n}: {sum} {}", mix[at]);
        }
    }
}
