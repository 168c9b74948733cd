//! A signal between its samples, from its spectrum.

use realfft::num_complex::Complex;

use crate::with_simd;

/// Places that are looked at together: a single one waits for its own last step.
const TOGETHER: usize = 8;

/// The values at any places, in samples, of a signal of `size` samples with this spectrum.
pub(crate) fn values(bins: &[Complex<f32>], size: usize, places: &[f64]) -> Vec<f64> {
    let together = |places: &[f64]| {
        let turns: [f64; TOGETHER] = std::array::from_fn(|index| {
            let place = places.get(index).copied().unwrap_or_default();
            std::f64::consts::TAU * place / size as f64
        });
        let sums = with_simd(
            #[inline(always)]
            || sums(bins, size, &turns),
        );
        sums.into_iter().take(places.len())
    };
    places.chunks(TOGETHER).flat_map(together).collect()
}

/// The sums of a spectrum at phases that turn by so much from bin to bin.
#[inline(always)]
fn sums(bins: &[Complex<f32>], size: usize, turns: &[f64; TOGETHER]) -> [f64; TOGETHER] {
    let (cos, sin) = (turns.map(libm::cos), turns.map(libm::sin));
    let (mut re, mut im, mut sums) = ([1.0; TOGETHER], [0.0; TOGETHER], [0.0; TOGETHER]);
    for (index, bin) in bins.iter().enumerate() {
        let share = if index == 0 || index == size / 2 { 1.0 } else { 2.0 };
        let (bin_re, bin_im) = (f64::from(bin.re), f64::from(bin.im));
        for place in 0..TOGETHER {
            sums[place] += share * (bin_re * re[place] - bin_im * im[place]);
            let turned = re[place] * cos[place] - im[place] * sin[place];
            im[place] = re[place] * sin[place] + im[place] * cos[place];
            re[place] = turned;
        }
    }
    sums.map(|sum| sum / size as f64)
}
