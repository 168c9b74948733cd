//! MP4.
#![no_main]

libfuzzer_sys::fuzz_target!(|bytes: &[u8]| loadin_fuzz::decode(bytes, &[(4, b"ftyp")]));
