//! Noise from a counter, and the filters that shape it.

/// White noise from −1 to 1: a function of seed and position alone, so that the order of rendering cannot matter.
/// The mixing steps are those of `SplitMix64` (Steele, Lea and Flood, OOPSLA 2014).
pub(crate) fn white(seed: u64, position: u64) -> f64 {
    let mut z = seed.wrapping_mul(0xD6E8_FEB8_6659_FD93) ^ position.wrapping_mul(0x9E37_79B9_7F4A_7C15);
    z = z.wrapping_add(0x9E37_79B9_7F4A_7C15);
    z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
    z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
    z ^= z >> 31;
    (z >> 11) as f64 / (1u64 << 52) as f64 - 1.0
}

/// A second-order section, transposed direct form II.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Section {
    b: [f64; 3],
    a: [f64; 2],
    state: [f64; 2],
}

impl Section {
    fn new(b: [f64; 3], a: [f64; 3]) -> Self {
        Self { b: b.map(|x| x / a[0]), a: [a[1] / a[0], a[2] / a[0]], state: [0.0; 2] }
    }

    /// High-pass of the audio EQ cookbook (R. Bristow-Johnson; W3C note of 2021).
    pub(crate) fn high_pass(hz: f64, q: f64, rate_hz: u32) -> Self {
        let (cos, alpha) = cookbook(hz, q, rate_hz);
        let edge = f64::midpoint(1.0, cos);
        Self::new([edge, -2.0 * edge, edge], [1.0 + alpha, -2.0 * cos, 1.0 - alpha])
    }

    /// Band-pass with a peak gain of 1, of the same cookbook.
    pub(crate) fn band_pass(hz: f64, q: f64, rate_hz: u32) -> Self {
        let (cos, alpha) = cookbook(hz, q, rate_hz);
        Self::new([alpha, 0.0, -alpha], [1.0 + alpha, -2.0 * cos, 1.0 - alpha])
    }

    /// Takes the coefficients of another section and keeps what is in the delays.
    pub(crate) fn retune(&mut self, other: &Self) {
        (self.b, self.a) = (other.b, other.a);
    }

    /// Filters one sample.
    pub(crate) fn next(&mut self, x: f64) -> f64 {
        let y = self.b[0] * x + self.state[0];
        self.state = [self.b[1] * x - self.a[0] * y + self.state[1], self.b[2] * x - self.a[1] * y];
        y
    }
}

fn cookbook(hz: f64, q: f64, rate_hz: u32) -> (f64, f64) {
    let omega = std::f64::consts::TAU * hz / f64::from(rate_hz);
    (libm::cos(omega), libm::sin(omega) / (2.0 * q))
}
