//! Sums of products of every two of some spectra, in double precision. It knows nothing of what they are of.

use realfft::num_complex::Complex;

use crate::simd::with_simd;

/// So many bins of many rows stay near the processor while they are multiplied.
pub(crate) const PIECE: usize = 128;

/// So many rows stand beside each other.
const LANES: usize = 4;

/// Bins of some spectra: of every four of them their real and imaginary parts in turn, side by side.
#[derive(Debug, Clone, Default)]
pub(crate) struct Rows {
    beside: Vec<[f64; LANES]>,
    /// Real and imaginary parts of a row.
    length: usize,
    count: usize,
}

/// How many products the lower triangle of so many rows has.
pub(crate) fn triangle(rows: usize) -> usize {
    rows * (rows + 1) / 2
}

impl Rows {
    /// Takes these bins of each spectrum, of one length and at least one, in the place of what was there.
    pub(crate) fn fill<'s>(&mut self, spectra: impl Iterator<Item = &'s [Complex<f32>]>) {
        self.beside.clear();
        self.count = 0;
        for bins in spectra {
            let lane = self.count % LANES;
            self.length = 2 * bins.len();
            if lane == 0 {
                self.beside.resize(self.beside.len() + self.length, [0.0; LANES]);
            }
            let first = self.beside.len() - self.length;
            let (pairs, _) = self.beside[first..].as_chunks_mut::<2>();
            for ([re, im], bin) in pairs.iter_mut().zip(bins) {
                (re[lane], im[lane]) = (f64::from(bin.re), f64::from(bin.im));
            }
            self.count += 1;
        }
    }

    /// Adds the real parts of the inner products of every two rows to a lower triangle, row after row.
    pub(crate) fn add_products(&self, gram: &mut [f64]) {
        with_simd(
            #[inline(always)]
            || add_products(&self.beside, self.length, self.count, gram),
        );
    }
}

#[inline(always)]
fn add_products(beside: &[[f64; LANES]], length: usize, rows: usize, gram: &mut [f64]) {
    let fours = || beside.chunks_exact(length);
    for (index, ones) in fours().enumerate() {
        // Two fours at once, as many sums as the processor adds up side by side; the last may be the same twice.
        for others in (0..=index).step_by(2) {
            let second = (others + 1).min(index);
            let (b, c) = (&beside[others * length..][..length], &beside[second * length..][..length]);
            let sums = block(ones, b, c);
            for (row, sums) in (LANES * index..rows).zip(sums) {
                let first = LANES * others;
                let line = &mut gram[triangle(row) + first..triangle(row + 1)];
                line.iter_mut().zip(sums.as_flattened()).for_each(|(sum, more)| *sum += more);
            }
        }
    }
}

/// The products of four rows with four others and four more: whatever is fetched serves several times.
#[inline(always)]
fn block(ones: &[[f64; LANES]], b: &[[f64; LANES]], c: &[[f64; LANES]]) -> [[[f64; LANES]; 2]; LANES] {
    let mut sums = [[[0.0; LANES]; 2]; LANES];
    for ((ones, b), c) in ones.iter().zip(b).zip(c) {
        for row in 0..LANES {
            for lane in 0..LANES {
                sums[row][0][lane] += ones[row] * b[lane];
            }
            for lane in 0..LANES {
                sums[row][1][lane] += ones[row] * c[lane];
            }
        }
    }
    sums
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Against products that are taken one by one, for every number of rows up to nine.
    #[test]
    fn every_two_rows_are_multiplied() {
        let bin = |row: usize, at: usize| Complex::new((row * 7 + at) as f32, (row * at % 5) as f32 - 2.0);
        for count in 1..=9 {
            let spectra: Vec<Vec<Complex<f32>>> =
                (0..count).map(|row| (0..7).map(|at| bin(row, at)).collect()).collect();
            let product = |a: &[Complex<f32>], b: &[Complex<f32>]| -> f64 {
                a.iter().zip(b).map(|(a, b)| f64::from(a.re * b.re + a.im * b.im)).sum()
            };
            let wanted: Vec<f64> = (0..count)
                .flat_map(|row| (0..=row).map(move |other| (row, other)))
                .map(|(row, other)| product(&spectra[row], &spectra[other]))
                .collect();
            let mut gram = vec![1.0; triangle(count)];
            let mut rows = Rows::default();
            rows.fill(spectra.iter().map(Vec::as_slice));
            rows.add_products(&mut gram);
            assert!(gram.iter().zip(&wanted).all(|(sum, wanted)| *sum == wanted + 1.0), "{count}: {gram:?}");
            assert_eq!(wanted.len(), gram.len());
        }
    }
}
