//! A small prepared folder, whose papers and records the targets replace. It knows no target.

use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use loadin_codec::{SampleKind, WavSpec, WavWriter};
use loadin_pipeline::output::folder::Packaging;
use loadin_pipeline::run::{Job, RunError, prepare};
use loadin_pipeline::work::context::Context;
use loadin_pipeline::work::stop::Stop;
use loadin_plan::recipe::{Recipe, find_shipped};
use loadin_record::manifest::Manifest;
use loadin_storage::disk::RealDisk;

/// The one stem of the delivery.
pub const STEM: &str = "Kick.wav";

/// A delivery of one short stem, the folder that it is prepared into, and a file beside both that is nobody's business.
pub struct Prepared {
    folder: tempfile::TempDir,
    packaging: Packaging,
    whole: BTreeMap<PathBuf, Vec<u8>>,
}

impl Prepared {
    /// Prepares it.
    ///
    /// # Panics
    /// When that fails.
    pub fn new(packaging: Packaging) -> Self {
        let folder = tempfile::tempdir().expect("a temporary folder");
        fs::create_dir(folder.path().join("song")).expect("the folder of a delivery");
        fs::write(folder.path().join("song").join(STEM), wav()).expect("a stem");
        fs::write(folder.path().join("victim"), "the only copy").expect("somebody's file");
        let mut prepared = Self { folder, packaging, whole: BTreeMap::new() };
        prepared.prepare().expect("a delivery that can be prepared");
        prepared.whole = files_below(&prepared.out());
        prepared
    }

    /// The output folder.
    pub fn out(&self) -> PathBuf {
        self.folder.path().join("out")
    }

    /// The files of the output folder as it was prepared, by their path in it.
    pub fn files(&self) -> &BTreeMap<PathBuf, Vec<u8>> {
        &self.whole
    }

    /// Puts the folder back as it was prepared.
    ///
    /// # Panics
    /// When that fails, or when the file beside it is not what it was.
    pub fn reset(&self) {
        let beside = fs::read(self.folder.path().join("victim")).ok();
        assert_eq!(beside.as_deref(), Some(&b"the only copy"[..]), "what lies outside was touched");
        let out = self.out();
        for (path, _) in files_below(&out) {
            if !self.whole.contains_key(&path) {
                fs::remove_file(out.join(path)).expect("a file that goes");
            }
        }
        for (path, bytes) in &self.whole {
            let path = out.join(path);
            if fs::read(&path).ok().as_ref() != Some(bytes) {
                fs::create_dir_all(path.parent().expect("a file has a folder")).expect("its folder");
                fs::write(&path, bytes).expect("a file as it was");
            }
        }
    }

    /// Visits the folder again.
    ///
    /// # Errors
    /// When the run refuses what it finds.
    pub fn prepare(&self) -> Result<Manifest, RunError> {
        let recipe = find_shipped("mix-prep").expect("a recipe that is shipped");
        let recipe = Recipe::parse(recipe.text).expect("it is right");
        prepare(&Job {
            delivery: &self.folder.path().join("song"),
            out: &self.out(),
            packaging: self.packaging,
            song: None,
            recipe: &recipe,
            disk: Arc::new(RealDisk),
            relink: false,
            renew: &[],
            batch: false,
            work: Context::new(Stop::new(), Arc::new(|_| {})),
            papers: &loadin_report::papers,
            started_unix: 0,
        })
    }
}

/// A short stem.
///
/// # Panics
/// When it cannot be written.
pub fn wav() -> Vec<u8> {
    let spec = WavSpec {
        rate_hz: 48_000,
        channels: 1,
        kind: SampleKind::I16,
        frames: 480,
        channel_mask: None,
        bext: None,
        chunks_before: Vec::new(),
        chunks_after: Vec::new(),
    };
    let mut writer = WavWriter::new(Vec::new(), spec).expect("a header");
    let codes: Vec<i32> = (0..480).map(|frame| frame * 977 % 20_011 - 10_000).collect();
    writer.write_ints(&codes).expect("samples");
    writer.finish().expect("a file")
}

/// Writes a first input of a target, where the environment names the folder of the corpora.
///
/// # Panics
/// When it cannot be written.
pub fn seed(target: &str, name: &str, bytes: &[u8]) {
    let Some(corpora) = std::env::var_os("LOADIN_SEEDS") else { return };
    let folder = Path::new(&corpora).join(target);
    fs::create_dir_all(&folder).expect("a folder of seeds");
    fs::write(folder.join(name), bytes).expect("a seed");
}

fn files_below(folder: &Path) -> BTreeMap<PathBuf, Vec<u8>> {
    let mut files = BTreeMap::new();
    let mut folders = vec![folder.to_owned()];
    while let Some(next) = folders.pop() {
        for entry in fs::read_dir(next).into_iter().flatten().flatten() {
            let path = entry.path();
            if path.is_dir() {
                folders.push(path);
            } else if let (Ok(name), Ok(bytes)) = (path.strip_prefix(folder), fs::read(&path)) {
                files.insert(name.to_owned(), bytes);
            }
        }
    }
    files
}
