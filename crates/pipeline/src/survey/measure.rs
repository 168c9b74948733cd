//! One read of a stem that measures all that any stage needs, and changes nothing.

use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::Path;

use loadin_audio::{
    Activity, Block, ClipRuns, ConvertedPeaks, DcRemover, Edges, EdgesOf, Envelope, Loudness, Relation,
    Rests, Sketch, Sketcher, rescale_frames, rests,
};
use loadin_codec::Decoder;
use loadin_record::finding::{Finding, Id};
use loadin_record::survey::{
    BeyondFacts, ChannelMeasures, DamageFacts, EnvelopeFacts, Failure, FileFacts, FormatFacts, Measures,
    OffsetFacts, Range, Scope, Survey,
};

use super::facts::{clip_facts, damage_facts, envelope_facts, relation_facts};
use crate::source::digesting::{DigestingReader, split};
use crate::source::file;
use crate::source::sample_digest::SampleDigest;
use crate::work::context::Context;
use crate::work::event::{Event, Step};
use crate::work::handoff::{Push, Threads, produce_consume};
use crate::work::watchdog::{Heartbeat, WatchdogError, watched};

/// Surveys one listed file of the delivery in `root`, and draws its sketch. Never fails: what is wrong with the file is
/// in the result. What pays to be kept for the render goes into the sound cache.
pub(crate) fn survey_stem(
    root: &Path,
    file: &FileFacts,
    scope: &Scope,
    threads: Threads,
    work: &Context,
) -> (Survey, Option<Sketch>) {
    let format = file.format.as_ref().ok();
    let frames = format.and_then(|f| f.frames).unwrap_or(0);
    work.tell(Event::Started { step: Step::Survey, path: &file.path, frames });
    let seconds = format.map_or(0.0, |format| frames as f64 / f64::from(format.rate_hz.max(1)));
    let (root, listed, scope, own) = (root.to_owned(), file.clone(), scope.clone(), work.clone());
    let task = move |heartbeat: &Heartbeat| {
        read(&root, &listed, &scope, &SurveyContext { threads, work: &own, heartbeat })
    };
    let result = watched(work.patience, seconds, task);
    let (survey, sketch) =
        result.unwrap_or_else(|error| (unmeasured(file, unreadable(error.to_string())), None));
    let error = survey.measures.as_ref().err().map(|failure| failure.text.clone());
    work.tell(Event::Ended { step: Step::Survey, path: &file.path, error: error.as_deref() });
    (survey, sketch)
}

fn unmeasured(file: &FileFacts, failure: Failure) -> Survey {
    Survey {
        path: file.path.clone(),
        bytes: file.bytes,
        sha256: String::new(),
        format: file.format.as_ref().ok().cloned(),
        measures: Err(failure),
    }
}

fn unreadable(text: String) -> Failure {
    Failure { finding: Box::new(Finding::new(Id::Unreadable, text.clone())), text }
}

/// How a survey is done.
struct SurveyContext<'a> {
    threads: Threads,
    work: &'a Context,
    heartbeat: &'a Heartbeat,
}

/// What is said of a file that somebody wrote to while it was read.
const CHANGED: &str = "somebody wrote to it while it was read; wait until the transfer has ended, and give the same \
                       command again";

/// Measures and digests the file, at one read.
fn read(
    root: &Path,
    file: &FileFacts,
    scope: &Scope,
    context: &SurveyContext<'_>,
) -> (Survey, Option<Sketch>) {
    let mut survey = unmeasured(file, unreadable(String::new()));
    let mut sketch = None;
    if let (true, Err(why)) = (file.unread, &file.format) {
        survey.measures = Err(unreadable(why.0.clone()));
        return (survey, None);
    }
    let place = file::locate(root, &file.path);
    let stored = place.and_then(|place| {
        let before = place.state()?;
        let (source, remainder) = split(place.open()?, context.threads)?;
        survey.measures = match &file.format {
            Err(why) => Err(unreadable(why.0.clone())),
            Ok(format) => measured(source, &file.path, format, scope, context).map(|(measures, drawn)| {
                sketch = Some(drawn);
                measures
            }),
        };
        let stored = remainder.finish(|| context.heartbeat.beat())?;
        Ok((stored, place.state()? == before))
    });
    match stored {
        Ok((stored, untouched)) => {
            (survey.bytes, survey.sha256) = (stored.bytes, stored.sha256);
            if !untouched {
                // What was read may be the half of one file and the half of another.
                drop(context.work.sound_cache.take(&file.path));
                survey.measures = Err(unreadable(CHANGED.to_owned()));
            }
        }
        Err(error) => survey.measures = Err(unreadable(format!("it cannot be read: {error}"))),
    }
    (survey, sketch)
}

/// A decoder that panics leaves the digest of its file, which says which file that was.
fn measured(
    source: DigestingReader,
    path: &str,
    format: &FormatFacts,
    scope: &Scope,
    context: &SurveyContext<'_>,
) -> Result<(Measures, Sketch), Failure> {
    let task = AssertUnwindSafe(|| measure(source, path, format, scope, context));
    catch_unwind(task).unwrap_or_else(|_| Err(unreadable(WatchdogError::GaveUp.to_string())))
}

/// Decodes the stream through all meters. What pays to be kept for the render goes into the cache.
fn measure(
    source: DigestingReader,
    path: &str,
    format: &FormatFacts,
    scope: &Scope,
    context: &SurveyContext<'_>,
) -> Result<(Measures, Sketch), Failure> {
    let mut decoder = loadin_codec::open(source, true).map_err(decode_failure)?;
    let faults = FaultMeters::new(&decoder, format, scope);
    let mut levels = LevelMeters::new(format, scope);
    let mut writer = context.work.sound_cache.writer(format);
    let mut digest = decoder.take_digest();
    // A digest of the stream is as much work as decoding it: then faults are looked for where blocks are made, and
    // otherwise where they are taken, so that two threads have about the same to do.
    let (mut where_made, mut where_taken) =
        if digest.is_some() { (Some(faults), None) } else { (None, Some(faults)) };
    let decode = |push: &mut Push<'_, Failure>| {
        let mut block = Block::new(usize::from(format.channels));
        while decoder.next_block(&mut block).map_err(decode_failure)? {
            if context.work.stop.is_asked() || !context.heartbeat.beat() {
                return Err(Some(unreadable("the run was stopped".to_owned())));
            }
            if let Some(faults) = &mut where_made {
                faults.push(&block);
            }
            push(&mut block)?;
        }
        Ok(())
    };
    let mut frames = 0;
    produce_consume(context.threads, decode, |block| {
        if let Some(digest) = &mut digest {
            digest.push(block);
        }
        if let Some(faults) = &mut where_taken {
            faults.push(block);
        }
        frames += block.frames() as u64;
        context.work.tell(Event::Advanced { step: Step::Survey, path, frames });
        writer = writer.take().and_then(|mut writer| writer.put(block).then_some(writer));
        levels.push(block);
        Ok(())
    })?;
    if let Some(digest) = digest {
        decoder.judge(digest);
    }
    let faults = where_made.or(where_taken).expect("one of the two has them");
    if frames == 0 {
        return Err(unreadable("there is no audio in it, only a header; ask for the file again".to_owned()));
    }
    levels.end_stream(usize::from(format.channels));
    if let Some(writer) = writer {
        context.work.sound_cache.keep(path, writer, decoder.metadata().clone());
    }
    let damage = decoder.damage().iter().map(damage_facts).collect();
    let (measures, sketch) = finish(frames, (format.rate_hz, scope), faults, levels, damage);
    calculable(&measures)?;
    Ok((measures, sketch))
}

/// Samples so large that sums of them are no numbers give no measures.
fn calculable(measures: &Measures) -> Result<(), Failure> {
    let finite = |range: Range| range.min.is_finite() && range.max.is_finite();
    if measures.channels.iter().all(|channel| finite(channel.sample) && finite(channel.true_peak)) {
        return Ok(());
    }
    let what = measures.beyond.map_or_else(String::new, |beyond| beyond.sentence());
    Err(unreadable(format!("{what}; nothing can be calculated with it")))
}

#[expect(clippy::needless_pass_by_value, reason = "it stands in map_err")]
fn decode_failure(error: loadin_codec::Error) -> Failure {
    let text = error.to_string();
    let id =
        if matches!(error, loadin_codec::Error::NotFinite { .. }) { Id::NotFinite } else { Id::Unreadable };
    Failure { finding: Box::new(Finding::new(id, text.clone())), text }
}

/// The meters of one stem that look for faults in it as it was delivered.
struct FaultMeters {
    content: SampleDigest,
    clips: ClipRuns,
    relation: Option<Relation>,
    activity: Activity,
    edges: Edges,
    /// The envelope with the offset, where that of the levels is without it.
    envelope: Option<Envelope>,
}

impl FaultMeters {
    fn new(decoder: &Decoder, format: &FormatFacts, scope: &Scope) -> Self {
        let channels = usize::from(format.channels);
        Self {
            activity: Activity::new(format.rate_hz),
            edges: Edges::new(channels, format.rate_hz),
            envelope: (!scope.subtract.is_empty()).then(|| Envelope::new(channels, format.rate_hz)),
            content: SampleDigest::new(channels, format.rate_hz),
            clips: ClipRuns::new(channels),
            relation: (channels == 2).then(|| Relation::new(format.rate_hz, decoder.format().lsb())),
        }
    }

    fn push(&mut self, block: &Block) {
        self.content.push(block);
        self.clips.push(block);
        self.activity.push(block);
        self.edges.push(block);
        if let Some(envelope) = &mut self.envelope {
            envelope.push(block);
        }
        if let Some(relation) = &mut self.relation {
            relation.push(block);
        }
    }
}

/// The meters of one stem that measure levels: of the sound without the offset that goes before its rate is converted, and
/// its peaks as they will be at the target rate.
struct LevelMeters {
    remover: Option<DcRemover>,
    peaks: ConvertedPeaks,
    envelope: Envelope,
    sketcher: Sketcher,
    loudness: Option<Loudness>,
}

impl LevelMeters {
    fn new(format: &FormatFacts, scope: &Scope) -> Self {
        let (channels, rate_hz) = (usize::from(format.channels), format.rate_hz);
        Self {
            remover: (!scope.subtract.is_empty()).then(|| DcRemover::new(scope.subtract.clone(), rate_hz)),
            peaks: ConvertedPeaks::new(rate_hz, scope.target_hz, channels, scope.phase),
            envelope: Envelope::new(channels, rate_hz),
            sketcher: Sketcher::new(rate_hz, scope.target_hz),
            loudness: scope.loudness.then(|| Loudness::new(channels, rate_hz)),
        }
    }

    /// Takes the next frames of the source.
    fn push(&mut self, block: &mut Block) {
        if let Some(remover) = &mut self.remover {
            remover.process(block);
        }
        self.peaks.push(block);
        self.envelope.push(block);
        self.sketcher.push(block);
        if let Some(loudness) = &mut self.loudness {
            loudness.push(block);
        }
    }

    /// Measures what the remover still holds.
    fn end_stream(&mut self, channels: usize) {
        if let Some(mut remover) = self.remover.take() {
            let mut rest = Block::new(channels);
            remover.finish(&mut rest);
            self.push(&mut rest);
        }
    }
}

/// What all meters of a stem have found in so many frames of the source.
fn finish(
    source_frames: u64,
    (source_hz, scope): (u32, &Scope),
    faults: FaultMeters,
    levels: LevelMeters,
    damage: Vec<DamageFacts>,
) -> (Measures, Sketch) {
    let over = faults.clips.over_full_scale();
    let beyond = faults.clips.beyond().map(|found| BeyondFacts {
        samples: found.samples,
        first_frame: found.first_frame,
        channel: found.channel,
        value: found.value,
    });
    let (window_frames, mut envelopes) = levels.envelope.finish();
    let delivered = faults.envelope.map(Envelope::finish);
    let delivered = delivered.as_ref().map_or(&envelopes, |(_, delivered)| delivered);
    let resting = delivered.iter().map(|envelope| rests(envelope, window_frames, source_frames, source_hz));
    let offsets = resting.zip(faults.edges.finish()).map(|(rests, edges)| offset_facts(rests, edges));
    let offsets: Vec<OffsetFacts> = offsets.collect();
    let range = |(min, max): (f64, f64)| Range { min, max };
    let peaks = levels.peaks.finish();
    envelopes.iter_mut().zip(&peaks).for_each(|(envelope, peaks)| envelope.reach(peaks.sample));
    let channels = peaks.into_iter().zip(offsets).map(|(peaks, offset)| ChannelMeasures {
        sample: range(peaks.sample),
        true_peak: range(peaks.between),
        offset,
    });
    let measures = Measures {
        source_frames,
        source_peak: faults.clips.peak(),
        target_hz: scope.target_hz,
        target_frames: rescale_frames(source_frames, source_hz, scope.target_hz),
        channels: channels.collect(),
        relation: faults.relation.map(|relation| relation_facts(relation.finish())),
        clips: faults.clips.finish().into_iter().map(clip_facts).collect(),
        over_full_scale: over.samples,
        beyond,
        active_frames: faults.activity.finish(),
        subtracted: scope.subtract.clone(),
        phase: scope.phase,
        loudness_lufs: levels.loudness.as_ref().and_then(Loudness::integrated),
        content: faults.content.finish(),
        damage,
        envelope: EnvelopeFacts {
            rate_hz: source_hz,
            window_frames,
            frames: source_frames,
            channels: envelopes.into_iter().map(envelope_facts).collect(),
        },
    };
    (measures, levels.sketcher.finish())
}

fn offset_facts(rests: Rests, edges: EdgesOf) -> OffsetFacts {
    let sums = [rests.mean, rests.level, rests.spread, rests.swing, rests.lean];
    if !sums.iter().all(|sum| sum.is_finite()) {
        // What adds up to more than there are numbers is damage, and no offset.
        return OffsetFacts { silent: edges.silent, ..OffsetFacts::default() };
    }
    OffsetFacts {
        mean: rests.mean,
        level: rests.level,
        spread: rests.spread,
        swing: rests.swing,
        lean: rests.lean,
        certain: rests.certain,
        edges: Range { min: edges.range.0, max: edges.range.1 },
        least_edge: edges.least_peak,
        silent: edges.silent,
    }
}
