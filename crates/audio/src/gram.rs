//! Sums of products of every two of some spectra, in double precision. It knows nothing of what they are of.

use realfft::num_complex::Complex;

use crate::simd::with_simd;

/// So many bins of many rows stay near the processor while they are multiplied.
pub(crate) const PIECE: usize = 128;

/// Bins of some spectra, a row each, two bins to a chunk: real and imaginary parts in turn.
#[derive(Debug, Clone, Default)]
pub(crate) struct Rows {
    chunks: Vec<[f64; 4]>,
    /// Chunks of a row.
    length: usize,
}

/// How many products the lower triangle of so many rows has.
pub(crate) fn triangle(rows: usize) -> usize {
    rows * (rows + 1) / 2
}

impl Rows {
    /// Takes these bins of each spectrum, of one length and at least one, in the place of what was there.
    pub(crate) fn fill<'s>(&mut self, spectra: impl Iterator<Item = &'s [Complex<f32>]>) {
        self.chunks.clear();
        for bins in spectra {
            let (pairs, last) = bins.as_chunks::<2>();
            let parts = |bin: &Complex<f32>| [f64::from(bin.re), f64::from(bin.im)];
            let chunk = |[a, b]: [[f64; 2]; 2]| [a[0], a[1], b[0], b[1]];
            self.chunks.extend(pairs.iter().map(|[a, b]| chunk([parts(a), parts(b)])));
            self.chunks.extend(last.iter().map(|bin| chunk([parts(bin), [0.0; 2]])));
            self.length = bins.len().div_ceil(2);
        }
    }

    /// Adds the real parts of the inner products of every two rows to a lower triangle, row after row.
    pub(crate) fn add_products(&self, gram: &mut [f64]) {
        let rows: Vec<&[[f64; 4]]> = self.chunks.chunks_exact(self.length).collect();
        with_simd(
            #[inline(always)]
            || add_products(&rows, gram),
        );
    }
}

#[inline(always)]
fn add_products(rows: &[&[[f64; 4]]], gram: &mut [f64]) {
    for (above, ones) in rows.chunks(2).enumerate() {
        for (beside, others) in rows.chunks(2).enumerate().take(above + 1) {
            for (row, sums) in (2 * above..).zip(block(ones, others)).take(ones.len()) {
                let first = 2 * beside;
                let below = others.len().min(row + 1 - first);
                let line = &mut gram[triangle(row) + first..][..below];
                line.iter_mut().zip(sums).for_each(|(sum, more)| *sum += more);
            }
        }
    }
}

/// The products of one or two rows with one or two others, together: whatever is fetched serves twice.
#[inline(always)]
fn block(ones: &[&[[f64; 4]]], others: &[&[[f64; 4]]]) -> [[f64; 2]; 2] {
    let (a, b) = (ones[0], ones[ones.len() - 1]);
    let (c, d) = (others[0], others[others.len() - 1]);
    let mut strands = [[[0.0; 4]; 2]; 2];
    for (((a, b), c), d) in a.iter().zip(b).zip(c).zip(d) {
        for strand in 0..4 {
            strands[0][0][strand] += a[strand] * c[strand];
            strands[0][1][strand] += a[strand] * d[strand];
            strands[1][0][strand] += b[strand] * c[strand];
            strands[1][1][strand] += b[strand] * d[strand];
        }
    }
    strands.map(|line| line.map(|strands| strands.iter().sum()))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Against products that are taken one by one, for every number of rows up to six.
    #[test]
    fn every_two_rows_are_multiplied() {
        let bin = |row: usize, at: usize| Complex::new((row * 7 + at) as f32, (row * at % 5) as f32 - 2.0);
        for count in 1..=6 {
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
