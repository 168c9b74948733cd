//! AIFF and AIFF-C.
#![no_main]

libfuzzer_sys::fuzz_target!(|bytes: &[u8]| loadin_fuzz::decode(bytes, &[(0, b"FORM")]));
