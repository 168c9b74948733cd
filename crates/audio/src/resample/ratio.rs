//! What two rates have to each other.

/// Two rates, divided by what they have in common.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(super) struct Ratio {
    pub(super) from: u32,
    pub(super) to: u32,
}

impl Ratio {
    /// Of two rates in Hz, which are 1 Hz or more.
    pub(super) fn of(from_hz: u32, to_hz: u32) -> Self {
        fn greatest_common_divisor(a: u32, b: u32) -> u32 {
            if b == 0 { a } else { greatest_common_divisor(b, a % b) }
        }
        let divisor = greatest_common_divisor(from_hz, to_hz);
        Self { from: from_hz / divisor, to: to_hz / divisor }
    }
}
