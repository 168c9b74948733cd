//! The broadcast extension: EBU Tech 3285 v2.0 (2011), sections 2.3 and 2.4, and EBU R 98-1999.

use loadin_codec::{BEXT_FIXED_BYTES, Bext, LOUDNESS_UNUSED, SampleKind, coding_history_row, loudness_field};

/// Offsets and sizes of the fields, EBU Tech 3285 v2.0, section 2.3.
#[test]
fn every_field_stands_at_its_offset() {
    let bext = Bext {
        description: vec![b'a'; 256],
        originator: vec![b'b'; 32],
        originator_reference: vec![b'c'; 32],
        origination_date: b"2026-01-31".to_vec(),
        origination_time: b"23-59-58".to_vec(),
        time_reference: 0x0102_0304_0506_0708,
        version: 2,
        umid: [0xEE; 64],
        loudness: [0x1111, 0x2222, 0x3333, 0x4444, 0x5555],
        coding_history: b"A=PCM\r\n".to_vec(),
    };
    let bytes = bext.to_bytes();
    let field = |at: usize, size: usize| &bytes[at..at + size];
    assert_eq!(BEXT_FIXED_BYTES, 602);
    assert_eq!(bytes.len(), 602 + 7);
    assert_eq!(field(0, 256), [b'a'; 256]);
    assert_eq!(field(256, 32), [b'b'; 32]);
    assert_eq!(field(288, 32), [b'c'; 32]);
    assert_eq!(field(320, 10), b"2026-01-31");
    assert_eq!(field(330, 8), b"23-59-58");
    assert_eq!(field(338, 4), 0x0506_0708u32.to_le_bytes(), "the low word comes first");
    assert_eq!(field(342, 4), 0x0102_0304u32.to_le_bytes());
    assert_eq!(field(346, 2), [2, 0]);
    assert_eq!(field(348, 64), [0xEE; 64]);
    assert_eq!(field(412, 10), [0x11, 0x11, 0x22, 0x22, 0x33, 0x33, 0x44, 0x44, 0x55, 0x55]);
    assert_eq!(field(422, 180), [0; 180], "reserved");
    assert_eq!(field(602, 7), b"A=PCM\r\n");
    assert_eq!(Bext::parse(&bytes).unwrap(), bext);
}

/// Versions 0 and 1 have no loudness fields: their bytes are reserved and zero (EBU Tech 3285 v2.0, section 2.3).
#[test]
fn older_versions_have_no_loudness() {
    for version in [0, 1] {
        let mut bext = Bext::new("room tone", "someone");
        bext.version = version;
        bext.loudness = [-2300; 5];
        let bytes = bext.to_bytes();
        assert_eq!(bytes[412..602], [0; 190], "version {version}");
        assert_eq!(Bext::parse(&bytes).unwrap().loudness, [LOUDNESS_UNUSED; 5], "version {version}");
    }
}

/// Frames since midnight, computed: hours · 3600 · rate.
#[test]
fn time_references() {
    for (hours, rate_hz, frames, low, high) in [
        (1u64, 48_000u64, 172_800_000u64, 0x0A4C_B800u32, 0u32),
        (10, 44_100, 1_587_600_000, 0x5EA0_DA80, 0),
        (24, 48_000, 4_147_200_000, 0xF731_4000, 0),
        (24, 96_000, 8_294_400_000, 0xEE62_8000, 1),
    ] {
        assert_eq!(hours * 3600 * rate_hz, frames);
        let mut bext = Bext::new("", "");
        bext.time_reference = frames;
        let bytes = bext.to_bytes();
        assert_eq!(bytes[338..342], low.to_le_bytes(), "{hours} h at {rate_hz} Hz");
        assert_eq!(bytes[342..346], high.to_le_bytes(), "{hours} h at {rate_hz} Hz");
        assert_eq!(Bext::parse(&bytes).unwrap().time_reference, frames);
    }
}

/// The printed examples of EBU Tech 3285 v2.0, section 2.4, with their codes.
#[test]
fn loudness_rounds_as_printed() {
    for (value, code) in [
        (-22.644, 0xF728u16),
        (-22.645, 0xF727),
        (-22.646, 0xF727),
        (12.764, 0x04FC),
        (12.765, 0x04FD),
        (12.766, 0x04FD),
        // Computed, not printed.
        (-23.0, 0xF704),
        (-1.0, 0xFF9C),
        (-22.644_6, 0xF728),
        (0.0, 0),
    ] {
        assert_eq!(loudness_field(value), code as i16, "{value}");
    }
}

/// "Not used" is 0x7FFF (EBU Tech 3285 v2.0, section 2.4); silence has no loudness.
#[test]
fn what_cannot_be_stated_is_not_used() {
    for value in [f64::NEG_INFINITY, f64::INFINITY, f64::NAN, 400.0, -400.0] {
        assert_eq!(loudness_field(value), LOUDNESS_UNUSED, "{value}");
    }
}

/// EBU R 98-1999: `A=`, `F=`, `W=`, `M=`, `T=`, separated by commas, ended by CR LF, no comma within `T=`.
#[test]
fn coding_history_rows() {
    let row = coding_history_row(48_000, SampleKind::I16, 2, "desk; line 1");
    assert_eq!(row, b"A=PCM,F=48000,W=16,M=stereo,T=desk; line 1\r\n");
    let row = coding_history_row(44_100, SampleKind::I24, 1, "a, b\r\nc");
    let text = String::from_utf8(row).unwrap();
    assert!(text.starts_with("A=PCM,F=44100,W=24,M=mono,T="), "{text}");
    assert_eq!((text.matches(',').count(), text.matches("\r\n").count()), (4, 1), "{text}");
}

/// A full field has no NUL behind it; a shorter one ends with NUL, and what follows that is no text.
#[test]
fn texts_end_at_their_nul() {
    let mut bytes = Bext::new("take", "x").to_bytes();
    bytes[5..9].copy_from_slice(b"junk");
    assert_eq!(Bext::parse(&bytes).unwrap().description, b"take");
    bytes[..256].fill(b'q');
    assert_eq!(Bext::parse(&bytes).unwrap().description, [b'q'; 256]);
}
