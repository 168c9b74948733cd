//! Bits in the order of FLAC, and its two check sums.

/// Collects bits, the most significant first.
#[derive(Default)]
pub(crate) struct BitWriter {
    bytes: Vec<u8>,
    pending: u64,
    count: u32,
}

impl BitWriter {
    /// Appends the lowest `bits` bits of `value`, at most 56.
    pub(crate) fn put(&mut self, value: u64, bits: u32) {
        debug_assert!(bits <= 56, "so that eight bits may wait");
        self.pending = (self.pending << bits) | (value & ((1 << bits) - 1));
        self.count += bits;
        while self.count >= 8 {
            self.count -= 8;
            self.bytes.push((self.pending >> self.count) as u8);
        }
    }

    /// Appends a signed number of `bits` bits.
    pub(crate) fn put_signed(&mut self, value: i64, bits: u32) {
        self.put(value as u64, bits);
    }

    /// Appends `zeros` zeros and a one.
    pub(crate) fn put_unary(&mut self, mut zeros: u64) {
        while zeros > 32 {
            self.put(0, 32);
            zeros -= 32;
        }
        self.put(1, zeros as u32 + 1);
    }

    /// Appends a number in the manner of UTF-8 (RFC 9639 §9.1.5), up to 16 bits.
    pub(crate) fn put_utf8(&mut self, number: u64) {
        match number {
            0..0x80 => self.put(number, 8),
            0x80..0x800 => {
                self.put(0xC0 | (number >> 6), 8);
                self.put(0x80 | (number & 0x3F), 8);
            }
            _ => {
                self.put(0xE0 | (number >> 12), 8);
                self.put(0x80 | ((number >> 6) & 0x3F), 8);
                self.put(0x80 | (number & 0x3F), 8);
            }
        }
    }

    /// Fills the last byte with zeros.
    pub(crate) fn align(&mut self) {
        if self.count > 0 {
            self.put(0, 8 - self.count);
        }
    }

    /// The whole bytes so far.
    pub(crate) fn bytes(&self) -> &[u8] {
        &self.bytes
    }

    /// The bytes; the last one must be full.
    pub(crate) fn into_bytes(self) -> Vec<u8> {
        debug_assert_eq!(self.count, 0, "the last byte is full");
        self.bytes
    }
}

/// CRC-8 with the polynomial x⁸ + x² + x + 1, RFC 9639 §9.1.8.
pub(crate) fn crc8(bytes: &[u8]) -> u8 {
    bytes.iter().fold(0, |crc, byte| {
        (0..8).fold(crc ^ byte, |c: u8, _| (c << 1) ^ if c & 0x80 != 0 { 0x07 } else { 0 })
    })
}

/// CRC-16 with the polynomial x¹⁶ + x¹⁵ + x² + 1, RFC 9639 §9.3.
pub(crate) fn crc16(bytes: &[u8]) -> u16 {
    bytes.iter().fold(0, |crc, byte| {
        (0..8).fold(crc ^ (u16::from(*byte) << 8), |c: u16, _| {
            (c << 1) ^ if c & 0x8000 != 0 { 0x8005 } else { 0 }
        })
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Check values for "123456789" of the CRC catalogue: CRC-8/SMBUS 0xF4 and CRC-16/UMTS 0xFEE8, from memory.
    #[test]
    fn check_sums_have_their_published_check_values() {
        assert_eq!(crc8(b"123456789"), 0xF4);
        assert_eq!(crc16(b"123456789"), 0xFEE8);
    }

    #[test]
    fn bits_come_out_in_order() {
        let mut out = BitWriter::default();
        out.put(0b101, 3);
        out.put_unary(2);
        out.put_signed(-1, 4);
        out.align();
        out.put_utf8(0x1234);
        assert_eq!(out.into_bytes(), [0b1010_0111, 0b1100_0000, 0xE1, 0x88, 0xB4]);
    }
}
