//! Manifests: what was read is written and read again as the same.
#![no_main]

use loadin_record::manifest::Manifest;

libfuzzer_sys::fuzz_target!(|text: &str| {
    if let Ok(manifest) = Manifest::from_json(text) {
        let again = Manifest::from_json(&manifest.to_json()).expect("what was written can be read");
        assert_eq!(again.to_json(), manifest.to_json());
    }
});
