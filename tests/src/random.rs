//! Numbers for tests that draw what they do: the same for the same seed, on every machine.

/// A generator: `SplitMix64` (Steele, Lea and Flood, 2014; constants from memory).
pub struct Random(u64);

impl Random {
    /// The generator of this seed.
    pub fn new(seed: u64) -> Self {
        Self(seed)
    }

    /// The next number, anywhere in the range of its type.
    pub fn number(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.0;
        z = (z ^ z >> 30).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ z >> 27).wrapping_mul(0x94D0_49BB_1331_11EB);
        z ^ z >> 31
    }

    /// A number from 0 to `end` without it; 0 where `end` is 0.
    pub fn below(&mut self, end: usize) -> usize {
        (self.number() % end.max(1) as u64) as usize
    }

    /// True once in `times`.
    pub fn once_in(&mut self, times: usize) -> bool {
        self.below(times) == 0
    }

    /// One of the items; `None` of none.
    pub fn pick<'a, T>(&mut self, items: &'a [T]) -> Option<&'a T> {
        items.get(self.below(items.len()))
    }
}
