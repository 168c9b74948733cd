//! The lists of a bag, of payload and tags, with a NUL between them.
#![no_main]

use std::fs;
use std::path::Path;
use std::sync::LazyLock;

use loadin_fuzz::folder::{Prepared, seed};
use loadin_pipeline::after::verify::verify;
use loadin_pipeline::output::folder::Packaging;

static PREPARED: LazyLock<Prepared> = LazyLock::new(|| Prepared::new(Packaging::Bag));

const LISTS: [&str; 2] = ["manifest-sha256.txt", "tagmanifest-sha256.txt"];

fn written(list: &str) -> &'static [u8] {
    &PREPARED.files()[Path::new(list)]
}

libfuzzer_sys::fuzz_target!(
    init: seed("bag", "whole", &[written(LISTS[0]), b"\0", written(LISTS[1])].concat()),
    |bytes: &[u8]| {
        let mut texts = bytes.splitn(2, |byte| *byte == 0);
        for list in LISTS {
            fs::write(PREPARED.out().join(list), texts.next().unwrap_or_default()).expect("a list");
        }
        let verified = verify(&PREPARED.out(), None, &|_| {}).expect("a manifest that can be read");
        let payload = fs::read(PREPARED.out().join(LISTS[0])).expect("a list");
        let whole = payload == written(LISTS[0]);
        // The list of tags has the digest of that of the payload.
        let tags = fs::read(PREPARED.out().join(LISTS[1])).expect("a list");
        let tags_agree = tags == written(LISTS[1]);
        assert!(!tags_agree || whole || !verified.differences.is_empty(), "another list of the payload, and nobody says it");
    }
);
