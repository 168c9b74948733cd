//! Carries out the plan of one stem: decode → the decisions' processors → quantise → encode, block by block.

pub(crate) mod chain;
pub(crate) mod sink;
mod source;

use std::collections::BTreeMap;
use std::path::PathBuf;
use std::sync::Arc;

use loadin_audio::{Block, DitherKey};
use loadin_codec::{Output, Target, WavSpec};
use loadin_plan::plan::StemPlan;
use loadin_plan::stages::re_encode::SampleFormat;
use loadin_record::digest::Stored;
use loadin_record::layout::AUDIO;
use loadin_record::written::{Measured, MetadataRecord};
use loadin_storage::disk::Disk;
use loadin_storage::pieces::DigestWriter;
use loadin_storage::store::{self, Check, Settled, StoreError, StoreFailure, WriteFailure, Written};
use serde::{Deserialize, Serialize};

use self::chain::Chain;
use self::sink::{AudioDigest, Sink};
use self::source::Source;
use crate::audio_folder;
use crate::bench::Bench;
use crate::carried;
use crate::event::{Event, Step};
use crate::hands::{Hands, Push, hand_on};
use crate::watch::{Pulse, watched};

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
    Store(Box<StoreError>),
}

/// What every render of one delivery shares.
pub struct Shop {
    /// Folder of the delivery; only read.
    pub delivery: PathBuf,
    /// Folder of the outputs.
    pub out: PathBuf,
    /// The file system that is written to.
    pub disk: Arc<dyn Disk>,
    /// Content digests of the surveyed sources, by path.
    pub contents: BTreeMap<String, String>,
    /// What survey and render share.
    pub bench: Bench,
}

/// Renders one stem into its file, which [`settle`] then brings under its final name.
pub(crate) fn render(
    shop: &Arc<Shop>,
    stem: &StemPlan,
    hands: Hands,
) -> Result<Written<Measured>, RenderError> {
    let path = stem.path();
    let frames = stem.sources[0].frames;
    shop.bench.tell(Event::Started { step: Step::Render, path, frames });
    let result = carry_out(shop, stem, move |shop, stem, pulse| write(shop, stem, hands, pulse));
    if let Err(error) = &result {
        shop.bench.tell(Event::Ended { step: Step::Render, path, error: Some(&error.to_string()) });
    }
    result
}

/// Renders one stem into nothing but its measures and digest: what a run would write.
pub fn replay(shop: &Arc<Shop>, stem: &StemPlan) -> Result<(Measured, Stored), RenderError> {
    carry_out(shop, stem, |shop, stem, pulse| {
        let mut writer = DigestWriter::default();
        loop {
            let order = Order::of(shop, stem)?;
            let encoded = encode(shop, order, Hands::One, pulse, &mut writer, AudioDigest::WhileWriting);
            let measured = encoded.map_err(|failure| match failure {
                WriteFailure::Contents(error) => error,
                WriteFailure::Io(error) => RenderError::Promise(error.to_string()),
            })?;
            match writer.better_head() {
                // The same sound gives the same head, so the second time is the last.
                Some(head) => writer = DigestWriter::knowing(head),
                None => return Ok((measured, writer.finish())),
            }
        }
    })
}

/// A stem whose decoder panics or hangs costs itself, not the run.
fn carry_out<T: Send + 'static>(
    shop: &Arc<Shop>,
    stem: &StemPlan,
    work: impl FnOnce(&Shop, &StemPlan, &Pulse) -> Result<T, RenderError> + Send + 'static,
) -> Result<T, RenderError> {
    let source = &stem.sources[0];
    let seconds = source.frames as f64 / f64::from(source.rate_hz.max(1));
    let seconds = seconds.max(stem.output.frames as f64 / f64::from(stem.output.rate_hz.max(1)));
    let (own_shop, own_stem) = (Arc::clone(shop), stem.clone());
    watched(shop.bench.patience, seconds, move |pulse| work(&own_shop, &own_stem, pulse))
        .unwrap_or_else(|trouble| Err(RenderError::Source(trouble.to_string())))
}

/// Waits until a rendered stem is safe on the disk, and reads it back.
pub(crate) fn settle(
    shop: &Shop,
    stem: &StemPlan,
    written: Written<Measured>,
) -> Result<(Measured, Stored), RenderError> {
    let settled = written.settle(&*shop.disk).map_err(|error| RenderError::Store(Box::new(error)));
    let result = settled.map(|Settled { mut made, stored, part }| {
        if made.audio_sha256.is_empty() {
            made.audio_sha256 = part;
        }
        (made, stored)
    });
    let text = result.as_ref().err().map(ToString::to_string);
    shop.bench.tell(Event::Ended { step: Step::Render, path: stem.path(), error: text.as_deref() });
    result
}

fn write(
    shop: &Shop,
    stem: &StemPlan,
    hands: Hands,
    pulse: &Pulse,
) -> Result<Written<Measured>, RenderError> {
    let path = shop.out.join(stem.output_path());
    audio_folder::make_way(&*shop.disk, &shop.out, &path)
        .map_err(|error| RenderError::Store(Box::new(error)))?;
    let order = Order::of(shop, stem)?;
    let plain = order.target.plain_samples(&order.spec).map_err(|e| RenderError::Promise(e.to_string()))?;
    let digest = if plain.is_some() { AudioDigest::WhenReadBack } else { AudioDigest::WhileWriting };
    // Other containers may write their head once more, so what is read before the end is not what they will hold.
    let beside = hands == Hands::Two && plain.is_some();
    let check = Check { part: plain.unwrap_or(0..0), beside };
    let contents = |writer: &mut dyn Output| encode(shop, order, hands, pulse, writer, digest);
    let result = store::write(&*shop.disk, &path, check, contents);
    result.map_err(|failure| match failure {
        StoreFailure::Store(error) => RenderError::Store(Box::new(error)),
        StoreFailure::Contents(error) => error,
    })
}

/// What is to be encoded, and as what.
struct Order<'a> {
    stem: &'a StemPlan,
    source: Source,
    target: Target,
    spec: WavSpec,
    storage: SampleFormat,
    dither: Option<DitherKey>,
    metadata: Vec<MetadataRecord>,
}

impl<'a> Order<'a> {
    fn of(shop: &Shop, stem: &'a StemPlan) -> Result<Self, RenderError> {
        let source = Source::open(shop, stem)?;
        let (container, storage, dither) = stem
            .write()
            .ok_or_else(|| RenderError::Promise("the plan has no re-encode decision".to_owned()))?;
        let beside = carried::beside(stem, container, storage, &source.metadata());
        let output = &stem.output;
        let spec = WavSpec {
            rate_hz: output.rate_hz,
            channels: output.channels,
            kind: storage.kind(),
            frames: output.frames,
            channel_mask: output.channel_mask,
            bext: beside.bext,
            chunks_before: Vec::new(),
            chunks_after: beside.chunks,
        };
        let dither = dither.then(|| dither_key(stem));
        Ok(Self { stem, source, target: container.target(), spec, storage, dither, metadata: beside.records })
    }
}

fn encode(
    shop: &Shop,
    order: Order<'_>,
    hands: Hands,
    pulse: &Pulse,
    writer: &mut dyn Output,
    digest: AudioDigest,
) -> Result<Measured, WriteFailure<RenderError>> {
    let Order { stem, mut source, target, spec, storage, dither, metadata } = order;
    let mut sink = Sink::new(writer, target, spec, dither, digest)?;
    hand_on(hands, |push| process(shop, stem, &mut source, pulse, push), |block| sink.push(block))?;
    let measured = Measured { metadata, ..sink.finish()? };
    keep_promise(stem, storage, &measured).map_err(WriteFailure::Contents)?;
    Ok(measured)
}

/// Sends every block of the source through the processors.
fn process(
    shop: &Shop,
    stem: &StemPlan,
    source: &mut Source,
    pulse: &Pulse,
    push: &mut Push<'_, WriteFailure<RenderError>>,
) -> Result<(), Option<WriteFailure<RenderError>>> {
    let mut chain = Chain::new(stem, source.is_converted());
    let mut block = Block::default();
    chain.begin(&mut block, push)?;
    while source.next(&mut block).map_err(WriteFailure::Contents)? {
        if shop.bench.stop.is_asked() || !pulse.beat() {
            return Err(Some(WriteFailure::Contents(RenderError::Stopped)));
        }
        chain.process(&mut block, push)?;
        let frames = source.frames();
        shop.bench.tell(Event::Advanced { step: Step::Render, path: stem.path(), frames });
    }
    chain.finish(&mut block, push)?;
    source.check(&shop.contents).map_err(WriteFailure::Contents)?;
    Ok(())
}

/// The dither of a stem depends on what the stem is, and on nothing else.
fn dither_key(stem: &StemPlan) -> DitherKey {
    let digest = &stem.sources[0].sha256;
    DitherKey(digest.get(..16).and_then(|head| u64::from_str_radix(head, 16).ok()).unwrap_or(0))
}

/// One and a half steps of rounding and dither, and as much again for the resampler's last digits.
const PEAK_STEPS: f64 = 3.0;

/// Compares what was measured with what the plan says.
fn keep_promise(stem: &StemPlan, storage: SampleFormat, measured: &Measured) -> Result<(), RenderError> {
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
