//! The list of checksums of an output folder: it is verified, and only the list that was written has nothing to say.
#![no_main]

use std::fs;
use std::path::Path;
use std::sync::LazyLock;

use loadin_fuzz::folder::{Prepared, seed};
use loadin_pipeline::after::verify::verify;
use loadin_pipeline::output::folder::Packaging;

static PREPARED: LazyLock<Prepared> = LazyLock::new(|| Prepared::new(Packaging::Plain));

const LIST: &str = "checksums.sha256";

fn written() -> &'static [u8] {
    &PREPARED.files()[Path::new(LIST)]
}

libfuzzer_sys::fuzz_target!(init: seed("checksums", "whole", written()), |text: &[u8]| {
    fs::write(PREPARED.out().join(LIST), text).expect("a list");
    let verified = verify(&PREPARED.out(), None, &|_| {}).expect("a manifest that can be read");
    let text = String::from_utf8_lossy(text);
    let output = String::from_utf8_lossy(written());
    let output = output.lines().find(|line| line.contains("audio/")).expect("a line of the output");
    assert!(text.contains(output) || !verified.differences.is_empty(), "the output is not listed, and nobody says it");
});
