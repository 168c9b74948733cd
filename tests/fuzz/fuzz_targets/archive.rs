//! ZIP archives as deliveries: listed, and where little comes out, surveyed to the end.
#![no_main]

use std::fs;
use std::io::{Cursor, Write};
use std::path::PathBuf;
use std::sync::{Arc, LazyLock};

use loadin_fuzz::folder::{seed, wav};
use loadin_pipeline::run::study;
use loadin_pipeline::source::scan::scan;
use loadin_pipeline::work::context::Context;
use loadin_pipeline::work::stop::Stop;
use loadin_pipeline::work::watchdog::Patience;
use loadin_plan::recipe::{Recipe, find_shipped};
use zip::write::SimpleFileOptions;
use zip::{CompressionMethod, ZipWriter};

static FOLDER: LazyLock<tempfile::TempDir> =
    LazyLock::new(|| tempfile::tempdir().expect("a temporary folder"));

static RECIPE: LazyLock<Recipe> = LazyLock::new(|| {
    Recipe::parse(find_shipped("mix-prep").expect("a recipe that is shipped").text).expect("it is right")
});

/// More than this is not surveyed: how long sound is read is for the targets of the readers.
const MOST_BYTES: u64 = 200_000;

fn seeds() {
    for (name, method) in [("stored", CompressionMethod::Stored), ("deflated", CompressionMethod::Deflated)] {
        let mut archive = ZipWriter::new(Cursor::new(Vec::new()));
        for path in ["Kick.wav", "Drums/Snare.wav", "read me.txt"] {
            archive
                .start_file(path, SimpleFileOptions::default().compression_method(method))
                .expect("an entry");
            archive.write_all(&wav()).expect("its bytes");
        }
        seed("archive", name, archive.finish().expect("an archive").get_ref());
    }
}

libfuzzer_sys::fuzz_target!(init: seeds(), |bytes: &[u8]| {
    loadin_fuzz::let_caught_panics_pass();
    let path: PathBuf = FOLDER.path().join("song.zip");
    fs::write(&path, bytes).expect("an archive");
    let Ok(inventory) = scan(&path, Patience::seconds(4)) else { return };
    for file in inventory.files.iter().filter_map(|file| file.format.as_ref().err()) {
        assert!(!file.0.is_empty(), "a refusal without a reason");
    }
    let usable = inventory.files.iter().filter(|file| file.format.is_ok());
    let comes_out: u64 = usable.map(|file| file.bytes).sum();
    if comes_out > 0 && comes_out < MOST_BYTES {
        let context = Context { patience: Patience::seconds(4), ..Context::new(Stop::new(), Arc::new(|_| {})) };
        // It is studied, or refused with a reason.
        if let Err(error) = study(&path, &RECIPE, &context, None) {
            assert!(!error.to_string().is_empty());
        }
    }
});
