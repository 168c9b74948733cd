//! Carries out the plan of one stem: decode → the decisions' processors → quantise → encode, block by block.

use std::sync::Arc;

use loadin_audio::{Block, DitherKey};
use loadin_codec::{Output, Target, WavSpec};
use loadin_plan::plan::StemPlan;
use loadin_plan::stages::re_encode::SampleFormat;
use loadin_record::digest::Stored;
use loadin_record::written::{Measured, MetadataRecord};
use loadin_storage::pieces::{DigestWriter, digest_file};
use loadin_storage::store::{self, Check, Settled, StoreError, StoreFailure, WriteFailure, Written};

use super::chain::Chain;
use super::input::Source;
use super::metadata;
use super::output::{AudioDigest, Sink};
use crate::journal::{KnownOutput, Renders};
use crate::output::audio_folder;
use crate::output::folder::{Goes, set_aside, take_away};
use crate::render::context::RenderContext;
use crate::render::error::RenderError;
use crate::work::event::{Event, Step};
use crate::work::handoff::{Push, Threads, produce_consume};
use crate::work::watchdog::{Heartbeat, WatchdogError, watched};

/// Renders one stem into its file, which [`settle`] then brings under its final name.
pub(crate) fn render(
    context: &Arc<RenderContext>,
    stem: &StemPlan,
    threads: Threads,
) -> Result<Written<Measured>, RenderError> {
    let path = stem.path();
    let frames = stem.source_frames();
    context.work.tell(Event::Started { step: Step::Render, path, frames });
    let result =
        carry_out(context, stem, move |context, stem, heartbeat| write(context, stem, threads, heartbeat));
    if let Err(error) = &result {
        context.work.tell(Event::Ended { step: Step::Render, path, error: Some(&error.to_string()) });
    }
    result
}

/// Renders one stem into nothing but its measures and digest: what a run would write.
///
/// # Errors
/// When the source cannot be read or is not what was surveyed, when the work is asked to stop, or when what comes out is not
/// what the plan promised.
pub fn replay(context: &Arc<RenderContext>, stem: &StemPlan) -> Result<(Measured, Stored), RenderError> {
    carry_out(context, stem, |context, stem, heartbeat| {
        let mut writer = DigestWriter::default();
        loop {
            let order = Order::of(context, stem)?;
            let encoded =
                encode(context, order, Threads::One, heartbeat, &mut writer, AudioDigest::WhileWriting);
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
    context: &Arc<RenderContext>,
    stem: &StemPlan,
    work: impl FnOnce(&RenderContext, &StemPlan, &Heartbeat) -> Result<T, RenderError> + Send + 'static,
) -> Result<T, RenderError> {
    let source = &stem.sources[0];
    let seconds = stem.source_frames() as f64 / f64::from(source.rate_hz.max(1));
    let seconds = seconds.max(stem.output.frames as f64 / f64::from(stem.output.rate_hz.max(1)));
    let (own_context, own_stem) = (Arc::clone(context), stem.clone());
    watched(context.work.patience, seconds, move |heartbeat| work(&own_context, &own_stem, heartbeat))
        .unwrap_or_else(|error| {
            Err(match error {
                // A decoder that panics has said so itself.
                WatchdogError::GaveUp => RenderError::Fault,
                other => RenderError::Source(other.to_string()),
            })
        })
}

/// Waits until a rendered stem is safe on the disk, and reads it back.
pub(crate) fn settle(
    context: &RenderContext,
    stem: &StemPlan,
    written: Written<Measured>,
    renders: Renders<'_>,
) -> Result<(Measured, Stored), RenderError> {
    let settled = written.settle_after(&*context.disk, |stored| make_room(context, stem, stored, renders));
    let settled = settled.map_err(|error| RenderError::Store(Box::new(error)));
    let result = settled.map(|Settled { mut made, stored, part }| {
        if made.audio_sha256.is_empty() {
            made.audio_sha256 = part;
        }
        (made, stored)
    });
    let text = result.as_ref().err().map(ToString::to_string);
    context.work.tell(Event::Ended { step: Step::Render, path: stem.path(), error: text.as_deref() });
    result
}

/// Before a whole output gets its name: the journal knows it from here on, and a promised output that it replaces is set
/// aside. Until now that one lay in its place.
fn make_room(
    context: &RenderContext,
    stem: &StemPlan,
    stored: &Stored,
    renders: Renders<'_>,
) -> Result<(), StoreError> {
    let path = stem.output_path();
    let real = context.out.join(&path);
    let at_disk = |source| StoreError::Disk { path: real.clone(), source };
    let written = KnownOutput { path: path.clone(), sha256: stored.sha256.clone() };
    renders.record_written(&written).map_err(at_disk)?;
    match context.replaced.get(&path) {
        Some((promised, goes)) if digest_file(&real).is_ok_and(|there| there.sha256 == *promised) => {
            match goes {
                Goes::SetAside => set_aside(&*context.disk, &context.out, &real),
                Goes::Away => take_away(&*context.disk, &context.out, &real),
            }
        }
        _ => Ok(()),
    }
}

fn write(
    context: &RenderContext,
    stem: &StemPlan,
    threads: Threads,
    heartbeat: &Heartbeat,
) -> Result<Written<Measured>, RenderError> {
    let path = context.out.join(stem.output_path());
    audio_folder::make_way(&*context.disk, &context.out, &path)
        .map_err(|error| RenderError::Store(Box::new(error)))?;
    let order = Order::of(context, stem)?;
    let plain = order.target.plain_samples(&order.spec).map_err(|e| RenderError::Promise(e.to_string()))?;
    let digest = if plain.is_some() { AudioDigest::WhenReadBack } else { AudioDigest::WhileWriting };
    // Other containers may write their head once more, so what is read before the end is not what they will hold.
    let beside = threads == Threads::Two && plain.is_some();
    let check = Check { part: plain.unwrap_or(0..0), beside };
    let contents = |writer: &mut dyn Output| encode(context, order, threads, heartbeat, writer, digest);
    let result = store::write(&*context.disk, &path, check, contents);
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
    fn of(context: &RenderContext, stem: &'a StemPlan) -> Result<Self, RenderError> {
        let source = Source::open(context, stem)?;
        let (container, storage, dither) = stem
            .write()
            .ok_or_else(|| RenderError::Promise("the plan has no re-encode decision".to_owned()))?;
        let beside = metadata::beside(stem, container, storage, &source.metadata());
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
    context: &RenderContext,
    order: Order<'_>,
    threads: Threads,
    heartbeat: &Heartbeat,
    writer: &mut dyn Output,
    digest: AudioDigest,
) -> Result<Measured, WriteFailure<RenderError>> {
    let Order { stem, mut source, target, spec, storage, dither, metadata } = order;
    let mut sink = Sink::new(writer, target, spec, dither, digest)?;
    produce_consume(
        threads,
        |push| process(context, stem, &mut source, heartbeat, push),
        |block| sink.push(block),
    )?;
    let measured = Measured { metadata, ..sink.finish()? };
    keep_promise(stem, storage, &measured).map_err(WriteFailure::Contents)?;
    Ok(measured)
}

/// Sends every block of the source through the processors.
fn process(
    context: &RenderContext,
    stem: &StemPlan,
    source: &mut Source,
    heartbeat: &Heartbeat,
    push: &mut Push<'_, WriteFailure<RenderError>>,
) -> Result<(), Option<WriteFailure<RenderError>>> {
    let mut chain = Chain::new(stem);
    let mut block = Block::default();
    chain.begin(&mut block, push)?;
    while source.next(&mut block).map_err(WriteFailure::Contents)? {
        if context.work.stop.is_asked() || !heartbeat.beat() {
            return Err(Some(WriteFailure::Contents(RenderError::Stopped)));
        }
        chain.process(&mut block, push)?;
        let frames = source.frames();
        context.work.tell(Event::Advanced { step: Step::Render, path: stem.path(), frames });
    }
    chain.finish(&mut block, push)?;
    source.check(&context.sample_digests).map_err(WriteFailure::Contents)?;
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
