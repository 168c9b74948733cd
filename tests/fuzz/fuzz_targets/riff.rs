//! WAV in its forms: RIFF, RF64, BW64, RIFX.
#![no_main]

libfuzzer_sys::fuzz_target!(|bytes: &[u8]| loadin_fuzz::decode(
    bytes,
    &[(0, b"RIFF"), (0, b"RF64"), (0, b"BW64"), (0, b"RIFX")]
));
