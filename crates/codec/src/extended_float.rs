//! Rates as the 80-bit floats that AIFF has for them, both ways. Knows nothing else of AIFF.

/// A rate as an 80-bit extended float: mantissa · 2^(exponent − 16383 − 63). `None` where it is no positive number
/// of whole Hz within 32 bits.
pub fn extended_rate(bytes: [u8; 10]) -> Option<u32> {
    let exponent = i32::from(u16::from_be_bytes([bytes[0], bytes[1]])) - 16383 - 63;
    let mantissa = u64::from_be_bytes(bytes[2..].try_into().ok()?);
    let rate = mantissa as f64 * 2f64.powi(exponent);
    (rate.is_finite() && (0.5..4_294_967_295.0).contains(&rate)).then(|| rate.round() as u32)
}

/// A rate as an 80-bit extended float: the counterpart of `extended_rate`.
pub(crate) fn extended(rate_hz: u32) -> [u8; 10] {
    let shift = u64::from(rate_hz).leading_zeros();
    let mut bytes = [0; 10];
    bytes[..2].copy_from_slice(&((16383 + 63 - shift) as u16).to_be_bytes());
    bytes[2..].copy_from_slice(&(u64::from(rate_hz) << shift).to_be_bytes());
    bytes
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The bytes that other writers give (Audio Interchange File Format 1.3 has 44 100 Hz as its example).
    #[test]
    fn rates() {
        assert_eq!(extended(44_100), [0x40, 0x0E, 0xAC, 0x44, 0, 0, 0, 0, 0, 0]);
        assert_eq!(extended(48_000), [0x40, 0x0E, 0xBB, 0x80, 0, 0, 0, 0, 0, 0]);
        assert_eq!(extended(192_000), [0x40, 0x10, 0xBB, 0x80, 0, 0, 0, 0, 0, 0]);
        for rate in [1, 8000, 47_952, 768_000, u32::MAX - 1] {
            assert_eq!(extended_rate(extended(rate)), Some(rate));
        }
    }
}
