//! Carries out the plan of one stem: decode → the decisions' processors → quantise → encode, block by block.

pub(crate) mod chain;
pub(crate) mod sink;
mod source;

use std::collections::BTreeMap;
use std::io::Write;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::Path;

use loadin_audio::{Block, DitherKey};
use loadin_codec::WavSpec;
use serde::{Deserialize, Serialize};

use self::chain::Chain;
use self::sink::Sink;
use self::source::Source;
use crate::bext;
use crate::event::{Event, Listener, Step};
use crate::plan::StemPlan;
use crate::shelf::Shelf;
use crate::stages::re_encode::Storage;
use crate::stop::Stop;
use crate::storage::{self, DigestWriter, Disk, StoreError, Stored, WriteFailure, Written};

/// What was measured on a stem while it was written.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct Measured {
    /// Frames written.
    pub frames: u64,
    /// Sample peak of what was written, as an amplitude.
    pub peak: f64,
    /// Samples that did not fit and were held at full scale.
    pub clipped: u64,
    /// SHA-256 of the sample data alone, in hex.
    pub audio_sha256: String,
}

impl Measured {
    /// What the plan expects to be measured, for showing changes before they are made.
    pub fn expected(stem: &StemPlan) -> Self {
        Self { frames: stem.output.frames, peak: stem.output.peak, clipped: 0, audio_sha256: String::new() }
    }
}

/// Why a stem could not be rendered.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum RenderError {
    /// The source cannot be read any more.
    #[error("the source cannot be read: {0}")]
    Source(String),
    /// The source is not what was surveyed.
    #[error("the source has changed since it was surveyed; run again when nobody writes to the delivery")]
    SourceChanged,
    /// The run was asked to stop.
    #[error("the run was stopped")]
    Stopped,
    /// What was written is not what the plan promised.
    #[error("what was written breaks the plan's promise: {0}; nothing was kept, please report this")]
    Promise(String),
    /// The output cannot be written: this ends the run, since the next stem would meet the same disk.
    #[error(transparent)]
    Store(Box<StoreError<std::convert::Infallible>>),
}

/// What every render of one delivery shares.
pub struct Shop<'a> {
    /// Folder of the delivery; only read.
    pub delivery: &'a Path,
    /// Folder of the outputs.
    pub out: &'a Path,
    /// The file system that is written to.
    pub disk: &'a dyn Disk,
    /// Content digests of the surveyed sources, by path.
    pub contents: &'a BTreeMap<String, String>,
    /// Sound that the survey kept.
    pub shelf: &'a Shelf,
    /// Whether to stop.
    pub stop: &'a Stop,
    /// Who listens.
    pub listener: &'a Listener<'a>,
}

/// Path of a stem's output inside the output folder.
pub fn output_path(stem: &StemPlan) -> String {
    format!("audio/{}.wav", stem.output.label)
}

/// Renders one stem into its file, which [`settle`] then brings under its final name.
pub fn render(shop: &Shop<'_>, stem: &StemPlan) -> Result<Written<Measured>, RenderError> {
    let path = stem.path();
    let frames = stem.sources[0].frames;
    (shop.listener)(Event::Started { step: Step::Render, path, frames });
    // A decoder that panics costs its own stem, not the run.
    let result = catch_unwind(AssertUnwindSafe(|| write(shop, stem))).unwrap_or_else(|_| Err(gave_up()));
    if let Err(error) = &result {
        (shop.listener)(Event::Ended { step: Step::Render, path, error: Some(&error.to_string()) });
    }
    result
}

/// Renders one stem into nothing but its measures and digest: what [`render`] and [`settle`] would write.
pub fn replay(shop: &Shop<'_>, stem: &StemPlan) -> Result<(Measured, Stored), RenderError> {
    let mut writer = DigestWriter::default();
    let work = AssertUnwindSafe(|| encode(shop, stem, &mut writer));
    let measured = catch_unwind(work).unwrap_or_else(|_| Err(WriteFailure::Contents(gave_up())));
    match measured {
        Ok(measured) => Ok((measured, writer.finish())),
        Err(WriteFailure::Contents(error)) => Err(error),
        Err(WriteFailure::Io(error)) => Err(RenderError::Promise(error.to_string())),
    }
}

fn gave_up() -> RenderError {
    RenderError::Source("the decoder gave up on its contents".to_owned())
}

/// Waits until a rendered stem is safe on the disk, and reads it back.
pub fn settle(
    shop: &Shop<'_>,
    stem: &StemPlan,
    written: Written<Measured>,
) -> Result<(Measured, Stored), RenderError> {
    let result = written.settle(shop.disk).map_err(|error| RenderError::Store(Box::new(error)));
    let text = result.as_ref().err().map(ToString::to_string);
    (shop.listener)(Event::Ended { step: Step::Render, path: stem.path(), error: text.as_deref() });
    result
}

fn write(shop: &Shop<'_>, stem: &StemPlan) -> Result<Written<Measured>, RenderError> {
    let path = shop.out.join(output_path(stem));
    let result = storage::write(shop.disk, &path, |writer| encode(shop, stem, writer));
    match result {
        Ok(done) => Ok(done),
        Err(StoreError::Contents(error)) => Err(error),
        Err(StoreError::Disk { path, source }) => {
            Err(RenderError::Store(Box::new(StoreError::Disk { path, source })))
        }
        Err(StoreError::ReadsBackDifferent { path }) => {
            Err(RenderError::Store(Box::new(StoreError::ReadsBackDifferent { path })))
        }
    }
}

fn encode(
    shop: &Shop<'_>,
    stem: &StemPlan,
    writer: &mut dyn Write,
) -> Result<Measured, WriteFailure<RenderError>> {
    let mut source = Source::open(shop, stem).map_err(WriteFailure::Contents)?;
    let (storage, dither, _, with_bext) = stem.write().ok_or_else(|| {
        WriteFailure::Contents(RenderError::Promise("the plan has no re-encode decision".to_owned()))
    })?;
    let bext = with_bext.then(|| bext::of_output(stem, storage, source.bext()));
    let output = &stem.output;
    let spec = WavSpec {
        rate_hz: output.rate_hz,
        channels: output.channels,
        kind: storage.kind(),
        frames: output.frames,
        channel_mask: output.channel_mask,
        bext,
        chunks_before: Vec::new(),
        chunks_after: Vec::new(),
    };
    let mut sink = Sink::new(writer, spec, dither.then(|| dither_key(stem)))?;
    let mut chain = Chain::new(stem, source.is_converted());
    let mut block = Block::default();
    chain.begin(&mut block, &mut |block| sink.push(block))?;
    while source.next(&mut block).map_err(WriteFailure::Contents)? {
        if shop.stop.is_asked() {
            return Err(WriteFailure::Contents(RenderError::Stopped));
        }
        chain.process(&mut block, &mut |block| sink.push(block))?;
        (shop.listener)(Event::Advanced { step: Step::Render, path: stem.path(), frames: source.frames() });
    }
    chain.finish(&mut block, &mut |block| sink.push(block))?;
    source.check(shop.contents).map_err(WriteFailure::Contents)?;
    let measured = sink.finish()?;
    keep_promise(stem, storage, &measured).map_err(WriteFailure::Contents)?;
    Ok(measured)
}

/// The dither of a stem depends on what the stem is, and on nothing else.
fn dither_key(stem: &StemPlan) -> DitherKey {
    let digest = &stem.sources[0].sha256;
    DitherKey(digest.get(..16).and_then(|head| u64::from_str_radix(head, 16).ok()).unwrap_or(0))
}

/// One and a half steps of rounding and dither, and as much again for the resampler's last digits.
const PEAK_STEPS: f64 = 3.0;

/// Compares what was measured with what the plan says.
fn keep_promise(stem: &StemPlan, storage: Storage, measured: &Measured) -> Result<(), RenderError> {
    let broken = |text: String| Err(RenderError::Promise(text));
    if measured.frames != stem.output.frames {
        return broken(format!("{} frames instead of {}", measured.frames, stem.output.frames));
    }
    if measured.clipped > 0 {
        return broken(format!("{} samples did not fit", measured.clipped));
    }
    let step = if storage.kind().is_float() { 1e-6 } else { 2f64.powi(1 - storage.kind().bits() as i32) };
    let allowed = stem.output.peak * (1.0 + 1e-9) + PEAK_STEPS * step;
    if measured.peak > allowed {
        return broken(format!("a peak of {} instead of {}", measured.peak, stem.output.peak));
    }
    Ok(())
}
