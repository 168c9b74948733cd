//! MP3 and AAC in ADTS, with and without a tag in front.
#![no_main]

libfuzzer_sys::fuzz_target!(|bytes: &[u8]| loadin_fuzz::decode(bytes, &[(0, b"ID3"), (0, &[0xFF])]));
