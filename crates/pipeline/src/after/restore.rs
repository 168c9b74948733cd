//! Undoes a preparation: from the prepared files and the manifest alone, files with the level, start, length, rate,
//! channels and depth that were delivered, and a record that says of every step how exact it is.
//!
//! This is for a delivery whose originals are lost, or for whoever was only given the prepared files. It does not replace
//! the originals.

use std::collections::{BTreeMap, BTreeSet};
use std::path::{Component, Path, PathBuf};
use std::{fs, iter};

use loadin_audio::{Block, rescale_frames};
use loadin_codec::{Metadata, Output, SampleKind, Target, TimeChange, WavSpec, carry};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::output::manifest_file::{ManifestFileError, read_manifest};

pub use crate::after::undo::{How, Step};
use loadin_record::digest::json_text;
use loadin_record::finding::Id;
use loadin_record::manifest::{Change, OutputRecord, StemRecord};
use loadin_record::written::Measured;
use loadin_storage::disk::Disk;
use loadin_storage::inside;
use loadin_storage::store::{self, StoreError, StoreFailure, WriteFailure, store_text};

use crate::after::undo::{UndoError, Way, way};
use crate::output::folder::outputs_of;
use crate::render::RenderError;
use crate::render::chain::Chain;
use crate::render::metadata::without_added;
use crate::render::output::{AudioDigest, Sink};
use crate::source::digesting;
use crate::source::file::SourceFile;
use crate::work::event::{Event, Listener, Step as RunStep};
use crate::work::handoff::Threads;
use crate::work::schedule::in_parallel;
use loadin_storage::written_path::meant;

/// What a restoration has made.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Restored {
    /// Every source of the manifest.
    pub files: Vec<RestoredFile>,
}

/// What became of one source.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct RestoredFile {
    /// The source, as it was called in the delivery.
    pub source: String,
    /// The restored file, inside the new folder, in its written form; null where there is none.
    pub path: Option<String>,
    /// Why there is none.
    pub error: Option<String>,
    /// What was undone, the last change first.
    pub steps: Vec<Step>,
    /// The worst of the steps.
    pub how: How,
    /// Where no rate was converted: outside of what is lost, the samples are those delivered within so many steps of the
    /// delivered depth (0: they are equal); null otherwise, and for floats.
    pub within_lsb: Option<u64>,
}

/// Why nothing could be restored.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum RestoreError {
    /// There is no manifest that can be read.
    #[error("{0}; give the folder that holds manifest.json")]
    Manifest(ManifestFileError),
    /// The target is not free.
    #[error("\"{}\" is not empty; choose a new or an empty folder", .0.display())]
    NotEmpty(PathBuf),
    /// The target cannot be used.
    #[error("cannot use \"{}\": {source}", path.display())]
    Disk {
        /// The path.
        path: PathBuf,
        /// What the file system said.
        source: std::io::Error,
    },
    /// A file cannot be written.
    #[error(transparent)]
    Store(#[from] StoreError),
}

/// Restores the delivery that was prepared into the folder or bag `root` into the folder `to`, which must be new or empty; the record is
/// `restored.json` in it. Runs on the current rayon pool.
///
/// # Errors
/// When there is no readable manifest, when `to` is not empty or cannot be used, or when a file cannot be written. A source
/// that cannot be restored is no error: its record says why.
pub fn restore(
    root: &Path,
    to: &Path,
    disk: &dyn Disk,
    listener: &Listener<'_>,
) -> Result<Restored, RestoreError> {
    let out = &outputs_of(root);
    let manifest = read_manifest(out).map_err(RestoreError::Manifest)?;
    let at = |source| RestoreError::Disk { path: to.to_owned(), source };
    fs::create_dir_all(to).map_err(at)?;
    if fs::read_dir(to).map_err(at)?.next().is_some() {
        return Err(RestoreError::NotEmpty(to.to_owned()));
    }
    listener(Event::Step { step: RunStep::Restore, stems: manifest.stems.len() });
    let names = names(&manifest.stems);
    let made = in_parallel(
        &manifest.stems,
        |stem| stem.source.bytes,
        |stem| {
            let path = &stem.source.path;
            let frames = stem.source.frames.unwrap_or(0);
            listener(Event::Started { step: RunStep::Restore, path, frames });
            let file = one(out, to, stem, names.get(path.as_str()), disk);
            let error = file.as_ref().ok().and_then(|file| file.error.as_deref());
            listener(Event::Ended { step: RunStep::Restore, path, error });
            file
        },
    );
    let restored = Restored { files: made.into_iter().collect::<Result<_, _>>()? };
    store_text(disk, &to.join("restored.json"), &json_text(&restored))?;
    Ok(restored)
}

/// Restores one source under its name; only a disk that refuses is an error here.
fn one(
    out: &Path,
    to: &Path,
    stem: &StemRecord,
    name: Option<&String>,
    disk: &dyn Disk,
) -> Result<RestoredFile, RestoreError> {
    let nothing = |error: String| RestoredFile {
        source: stem.source.path.clone(),
        path: None,
        error: Some(error),
        steps: Vec::new(),
        how: How::Lost,
        within_lsb: None,
    };
    let Some(output) = &stem.output else {
        let why = stem.error.as_deref().unwrap_or("no reason is given");
        return Ok(nothing(format!("it was not prepared: {why}")));
    };
    let found = way(stem, output).and_then(|way| Ok((way, name.ok_or(UndoError::LeadsOut)?)));
    let (way, name) = match found {
        Ok(found) => found,
        Err(error) => return Ok(nothing(error.to_string())),
    };
    let path = to.join(meant(name));
    if let Some(folder) = path.parent() {
        fs::create_dir_all(folder)
            .map_err(|source| RestoreError::Disk { path: folder.to_owned(), source })?;
    }
    let Way { mut chain, steps, factor } = way;
    match store::store(disk, &path, |writer| undo(out, stem, output, &mut chain, writer)) {
        Ok(_) => Ok(RestoredFile {
            source: stem.source.path.clone(),
            path: Some(name.clone()),
            error: None,
            within_lsb: within_lsb(stem, output, &steps, factor),
            how: steps.iter().map(|step| step.how).max().unwrap_or(How::Exact),
            steps,
        }),
        Err(StoreFailure::Store(error)) => Err(error.into()),
        Err(StoreFailure::Contents(error)) => Ok(nothing(error.to_string())),
    }
}

/// Sends the prepared file through the way back.
fn undo(
    out: &Path,
    stem: &StemRecord,
    output: &OutputRecord,
    chain: &mut Chain,
    writer: &mut dyn Output,
) -> Result<Measured, WriteFailure<RenderError>> {
    let broken = |text: String| WriteFailure::Contents(RenderError::Source(text));
    let (file, remainder) = inside::open(out, &output.path)
        .and_then(|file| digesting::split(SourceFile::File(file), Threads::One))
        .map_err(|error| broken(error.to_string()))?;
    let mut decoder = loadin_codec::open(file, true).map_err(|error| broken(error.to_string()))?;
    let spec = spec(stem, output, decoder.metadata()).map_err(|error| broken(error.to_string()))?;
    let mut sink = Sink::new(writer, Target::Wav, spec, None, AudioDigest::WhileWriting)?;
    let channels = usize::from(output.channels);
    let mut block = Block::new(channels);
    chain.begin(&mut block, &mut |block| sink.push(block))?;
    block.set_channels(channels);
    while decoder.next_block(&mut block).map_err(|error| broken(error.to_string()))? {
        chain.process(&mut block, &mut |block| sink.push(block))?;
        block.set_channels(channels);
    }
    chain.finish(&mut block, &mut |block| sink.push(block))?;
    drop(decoder);
    let found = remainder.finish(|| true).map_err(|error| broken(error.to_string()))?;
    if found.sha256 != output.sha256 {
        return Err(broken("the prepared file is not what the manifest says; run verify".to_owned()));
    }
    sink.finish()
}

/// The name of every restored file by that of its source: its own where that is a WAV file's, else with that extension, and a
/// number where another one has that name. A source whose name would lead out of the folder gets none.
fn names(stems: &[StemRecord]) -> BTreeMap<&str, String> {
    let stays =
        |path: &&str| Path::new(&meant(path)).components().all(|part| matches!(part, Component::Normal(_)));
    let (own, others): (Vec<&str>, Vec<&str>) =
        stems.iter().map(|stem| stem.source.path.as_str()).filter(stays).partition(|path| is_wav(path));
    let mut taken: BTreeSet<String> = own.iter().map(|&path| path.to_owned()).collect();
    let mut names: BTreeMap<&str, String> = own.into_iter().map(|path| (path, path.to_owned())).collect();
    for path in others {
        let numbered = (2..).map(|number| format!("{path} {number}.wav"));
        let name = iter::once(format!("{path}.wav")).chain(numbered).find(|name| !taken.contains(name));
        let name = name.expect("numbers do not end");
        taken.insert(name.clone());
        names.insert(path, name);
    }
    names
}

fn is_wav(path: &str) -> bool {
    let known = ["wav", "wave", "bwf"];
    let extension = Path::new(path).extension();
    extension.is_some_and(|extension| known.iter().any(|known| extension.eq_ignore_ascii_case(known)))
}

fn spec(stem: &StemRecord, output: &OutputRecord, metadata: &Metadata) -> Result<WavSpec, UndoError> {
    let source = &stem.source;
    let bext = source.timestamp_frames.and_then(|stamp| {
        let mut bext = metadata.bext.clone()?;
        bext.time_reference = stamp;
        Some(bext)
    });
    let chunks = without_added(metadata.chunks.clone(), &stem.metadata);
    let delivered = Metadata { bext: None, chunks };
    let (rate_hz, kind) = (source.rate_hz.ok_or(UndoError::UnknownSource)?, kind(stem));
    let channels = source.channels.ok_or(UndoError::UnknownSource)?;
    let frames = source.frames.ok_or(UndoError::UnknownSource)?;
    let shift = stem.time_map.as_ref().map_or(0, |map| map.shift_frames);
    let cut = rescale_frames(shift.unsigned_abs(), output.rate_hz, rate_hz) as i64;
    let back = TimeChange {
        from_hz: output.rate_hz,
        to_hz: rate_hz,
        shift_frames: -cut * shift.signum(),
        frames,
        time_reference: source.timestamp_frames.unwrap_or(0),
        bits: kind.bits() as u16,
        same_channels: channels == output.channels,
    };
    Ok(WavSpec {
        rate_hz,
        channels,
        kind,
        frames,
        channel_mask: None,
        bext,
        chunks_before: Vec::new(),
        chunks_after: carry(&delivered, &back).into_iter().filter_map(|carried| carried.chunk).collect(),
    })
}

/// The depth that was delivered, where a WAV file can have it; decoded lossy sound has none, and gets floats.
fn kind(stem: &StemRecord) -> SampleKind {
    let source = &stem.source;
    let lossy = stem.findings.iter().any(|finding| finding.id == Id::Lossy);
    match (source.float == Some(true), source.bits.unwrap_or(24)) {
        (true, 33..) => SampleKind::F64,
        (true, _) => SampleKind::F32,
        _ if lossy => SampleKind::F32,
        (false, ..=16) => SampleKind::I16,
        (false, 17..=24) => SampleKind::I24,
        (false, _) => SampleKind::I32,
    }
}

/// How many steps of the delivered depth lie between delivered and restored samples at most.
fn within_lsb(stem: &StemRecord, output: &OutputRecord, steps: &[Step], factor: f64) -> Option<u64> {
    let dithered = |change: &Change| change.more.get("dither").is_some_and(|dither| dither == "TPDF");
    if steps.iter().any(|step| step.how == How::Near) || stem.source.float? {
        return None;
    }
    let step = |bits: u16| 2f64.powi(1 - i32::from(bits));
    // Rounding is half a step, and the dither of two steps peak to peak one more. A float of 32 bits has 24 that count.
    let roundings = if stem.changes.iter().any(dithered) { 1.5 } else { 0.5 };
    let prepared = roundings * step(if output.float { 25 } else { output.bits });
    let error = prepared * factor / step(stem.source.bits?);
    // What was on the delivered grid is rounded to its nearest step again.
    Some((error + 0.5).floor() as u64)
}
