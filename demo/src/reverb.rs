//! A small room: a feedback delay network of eight lines with a Householder matrix (Jot and Chaigne, 1991).

/// Lengths of the lines in frames at 48 kHz: primes, so that their echoes do not fall together.
const LINES: [usize; 8] = [1129, 1361, 1597, 1847, 2129, 2393, 2677, 3001];

/// A room at 48 kHz.
pub(crate) struct Room {
    lines: [Vec<f64>; 8],
    at: [usize; 8],
    damped: [f64; 8],
    gains: [f64; 8],
    damping: f64,
}

impl Room {
    /// A room whose sound falls by 60 dB in `seconds`; `damping` from 0 to 1 takes the treble away sooner.
    pub(crate) fn new(seconds: f64, damping: f64) -> Self {
        Self {
            lines: LINES.map(|frames| vec![0.0; frames]),
            at: [0; 8],
            damped: [0.0; 8],
            gains: LINES.map(|frames| libm::pow(10.0, -3.0 * frames as f64 / (48_000.0 * seconds))),
            damping,
        }
    }

    /// One frame in, left and right of the reverberation out.
    fn next(&mut self, input: f64) -> [f64; 2] {
        let mut out = [0.0; 8];
        for (line, out) in out.iter_mut().enumerate() {
            let raw = self.lines[line][self.at[line]];
            self.damped[line] += (1.0 - self.damping) * (raw - self.damped[line]);
            *out = self.damped[line] * self.gains[line];
        }
        let common = out.iter().sum::<f64>() / 4.0;
        for (line, out) in out.iter().enumerate() {
            self.lines[line][self.at[line]] = input + out - common;
            self.at[line] = (self.at[line] + 1) % LINES[line];
        }
        [out[0] - out[2] + out[4] - out[6], out[1] - out[3] + out[5] - out[7]]
    }

    /// The room's answer to a mono sound, left and right.
    pub(crate) fn answer(mut self, dry: &[f64]) -> [Vec<f64>; 2] {
        let frames = dry.iter().map(|&sample| self.next(sample));
        let (left, right) = frames.map(|[left, right]| (left, right)).unzip();
        [left, right]
    }
}
