//! The draft of a plan: what each stem will sound like so far, while the stages decide one after the other.
//!
//! The stages before quantising are linear, so the peak after channel selection, offset and gain follows exactly
//! from the signed extremes that the survey measured: a channel is predicted as `scale · x + shift`.

use std::collections::BTreeMap;

use loadin_audio::{Resampler, SILENCE, rescale_frames};
use loadin_record::evidence::{Evidence, Proposal};
use loadin_record::finding::{Finding, Id};
use loadin_record::late::Pin;
use loadin_record::link::Link;
use loadin_record::survey::{EnvelopeFacts, Measures, OffsetFacts, Range, Survey};
use loadin_session::{Group, Role};

use crate::answers::StemAnswer;
use crate::placement::StemStarts;
use crate::shape::Fate;
use crate::values::PeakKind;

/// One channel of a drafted stem, as a linear function of a surveyed channel.
#[derive(Debug, Clone, PartialEq)]
pub struct DraftChannel {
    /// Index into the stem's sources.
    pub source: usize,
    /// Channel of that source.
    pub channel: usize,
    /// Factor so far.
    pub scale: f64,
    /// Constant so far; digital silence stays silent all the same.
    pub shift: f64,
}

impl DraftChannel {
    fn apply(&self, range: Range) -> Range {
        Range { min: self.scale * range.min + self.shift, max: self.scale * range.max + self.shift }
    }
}

/// Who says where a stem stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum PlacedBy {
    /// Its file: by a time stamp, or by its start.
    File,
    /// The rough mix.
    RoughMix,
    /// The answers.
    Answers,
}

/// One stem while the stages decide.
#[derive(Debug, Clone)]
pub struct DraftStem<'a> {
    /// The surveyed files: one, or two that are joined as left and right.
    pub sources: Vec<&'a Survey>,
    /// What the name says it is.
    pub role: Role,
    /// The family that it is sorted in.
    pub group: Group,
    /// Whether it is the rough mix or another reference: never part of a link.
    pub reference: bool,
    /// Whether it goes on.
    pub fate: Fate,
    /// Rate at this point in Hz.
    pub rate_hz: u32,
    /// Frames at this point.
    pub frames: u64,
    /// Channels at this point.
    pub channels: Vec<DraftChannel>,
    /// First frame on the common time line, at the present rate.
    pub position: i64,
    /// Who says that place.
    pub placed_by: PlacedBy,
    /// Output frame 0 is this source-time frame at the output rate: cuts add, padding subtracts.
    pub shift_frames: i64,
    /// The integer grid that every sample still lies on, in bits; `None` after arithmetic and for floats.
    pub grid_bits: Option<u32>,
    /// Whether every sample is still the source's: no stage has calculated with it. Channels and places aside.
    pub untouched: bool,
    /// What was noticed.
    pub findings: Vec<Finding>,
    /// Name without extension, once the label stage has run.
    pub label: Option<String>,
    /// What it sounds like, where its name says nothing.
    pub proposal: Option<Proposal>,
    /// Folder below `audio/`; empty where there is none.
    pub folder: String,
    /// What the answers say of it.
    pub said: StemAnswer,
    /// Who leaves it out, "answers" or "recipe", and in which words.
    pub left_out: Option<(&'static str, String)>,
}

impl<'a> DraftStem<'a> {
    /// Path of the first source.
    pub fn path(&self) -> &'a str {
        &self.sources[0].path
    }

    /// Whether the stem will be rendered.
    pub fn is_active(&self) -> bool {
        self.fate == Fate::Render
    }

    /// The measures of a source of an active stem.
    pub fn measures(&self, source: usize) -> &'a Measures {
        self.sources[source].measures.as_ref().expect("an active stem has been measured")
    }

    /// The peak at this point, as an amplitude.
    pub fn peak(&self, kind: PeakKind) -> f64 {
        self.channels.iter().map(|channel| self.channel_range(channel, kind).peak()).fold(0.0, f64::max)
    }

    /// What shows whether a channel has an offset.
    pub fn offset(&self, channel: &DraftChannel) -> &'a OffsetFacts {
        &self.measures(channel.source).channels[channel.channel].offset
    }

    fn channel_range(&self, channel: &DraftChannel, kind: PeakKind) -> Range {
        let measured = &self.measures(channel.source).channels[channel.channel];
        channel.apply(match kind {
            PeakKind::Sample => measured.sample,
            PeakKind::True => measured.true_peak,
        })
    }

    /// First frame of the first window, and end of the last one, whose peak passes `threshold` at this point;
    /// in frames of this stem as it has been cut and padded so far. `None` for a stem that never does.
    ///
    /// Noise of the source that was silence is none either, however much it is raised: see `noise_floor`.
    pub fn sounding(&self, threshold: f64) -> Option<(u64, u64)> {
        let (first, last) = self.sounding_source(threshold)?;
        let own = |frame: u64| (frame as i64 - self.shift_frames).clamp(0, self.frames as i64) as u64;
        Some((own(first), own(last))).filter(|(first, last)| first < last)
    }

    /// The same in frames of the source at the present rate, whatever was cut or padded. What a change of rate rings around a
    /// sound is no sound.
    fn sounding_source(&self, threshold: f64) -> Option<(u64, u64)> {
        let mut span: Option<(u64, u64)> = None;
        for channel in &self.channels {
            let envelope = &self.measures(channel.source).envelope;
            let floor = noise_floor(envelope, channel) * channel.scale.abs();
            if let Some((first, last)) = channel_span(envelope, channel, threshold.max(floor)) {
                let (first, last) = frames_at((first, last), envelope.rate_hz, self.rate_hz);
                let (from, to) = span.unwrap_or((first, last));
                span = Some((from.min(first), to.max(last)));
            }
        }
        span
    }

    /// Whether the window around `frame` is digital silence on every channel.
    pub fn is_silent_at(&self, frame: u64) -> bool {
        self.is_silent_in(frame..frame + 1)
    }

    /// Whether every window that these frames touch, or are converted from, is digital silence on every channel.
    pub fn is_silent_in(&self, frames: std::ops::Range<u64>) -> bool {
        self.channels.iter().all(|channel| {
            let envelope = &self.measures(channel.source).envelope;
            let values = &envelope.channels[channel.channel];
            let window = envelope.window_frames.max(1);
            // Padding is silent.
            let source = |frame: u64| frame.saturating_add_signed(self.shift_frames);
            let (from, to) = (source(frames.start), source(frames.end));
            if from >= to {
                return true;
            }
            let (from, to) = frames_at((from, to), self.rate_hz, envelope.rate_hz);
            let reach = Resampler::reach_frames(envelope.rate_hz.max(1), self.rate_hz.max(1));
            let (from, to) = (from.saturating_sub(reach), to.saturating_add(reach));
            let (from, to) = ((from / window) as usize, to.div_ceil(window) as usize);
            let silent = |values: &[f32]| {
                let to = to.min(values.len());
                values.get(from.min(to)..to).is_none_or(|values| values.iter().all(|&value| value == 0.0))
            };
            silent(&values.min) && silent(&values.max)
        })
    }

    /// Says what is cut of a late stem: frames of sound before the common start and after the common end.
    pub fn note_late_cut(&mut self, before: i64, after: i64) {
        let (before, after) = (before.max(0), after.max(0));
        if before == 0 && after == 0 {
            return;
        }
        let seconds = |frames: i64| frames as f64 / f64::from(self.rate_hz);
        let text = format!(
            "it came late and passes the start and end that the others have: {:.3} s before and {:.3} s after are cut; --relink gives all stems a new start and length",
            seconds(before),
            seconds(after)
        );
        self.note(Finding::new(Id::LateCut, text).with("before_frames", before).with("after_frames", after));
    }

    /// Says how many frames of a reference's sound lie behind `kept_to`, its end in frames as it is before that cut. The last
    /// stage that cuts has the last word.
    pub fn note_cut_reference(&mut self, threshold: f64, kept_to: i64) {
        let kept_to = kept_to + self.shift_frames;
        let Some((_, last)) = self.sounding_source(threshold).filter(|(_, last)| *last as i64 > kept_to)
        else {
            return;
        };
        let text =
            "the reference goes on after the stems have ended; what follows is only in the client's file";
        self.findings.retain(|finding| finding.id != Id::ReferenceCut);
        self.note(Finding::new(Id::ReferenceCut, text).with("frames_cut", last as i64 - kept_to));
    }

    /// Says that samples are calculated with: they lie on no grid any more.
    pub fn touch(&mut self) {
        self.grid_bits = None;
        self.untouched = false;
    }

    /// What was corrected by hand, for the record.
    pub fn corrected(&self) -> BTreeMap<String, String> {
        let mut words = self.said.words();
        if let Some(("answers", why)) = &self.left_out {
            words.insert("leave-out".to_owned(), why.clone());
        }
        words
    }

    /// Adds a finding.
    pub fn note(&mut self, finding: Finding) {
        self.findings.push(finding);
    }
}

/// Noise up to four steps of 16 bits may be dithered silence: dither of two steps from peak to peak, rounded, is one step
/// high, and a change of rate draws peaks of up to four between them.
const DITHERED_SILENCE: f64 = 4.0 / 32_768.0;

/// The level up to which a channel rests, as it was delivered: twice the peak of the quietest hundredth of all tenths of a
/// second that are not digital silence, where that is dithered silence; else 0.
pub(crate) fn noise_floor(envelope: &EnvelopeFacts, channel: &DraftChannel) -> f64 {
    let values = &envelope.channels[channel.channel];
    let long = (u64::from(envelope.rate_hz) / 10).div_ceil(envelope.window_frames.max(1)).max(1) as usize;
    let shift = channel.shift / channel.scale;
    let level = |(min, max): (&f32, &f32)| {
        let silent = *min == 0.0 && *max == 0.0;
        if silent { 0.0 } else { (f64::from(*max) + shift).max(-f64::from(*min) - shift) }
    };
    let levels: Vec<f64> = values.min.iter().zip(&values.max).map(level).collect();
    let mut peaks: Vec<f64> = levels
        .chunks_exact(long)
        .filter(|chunk| chunk.iter().all(|level| *level > SILENCE))
        .map(|chunk| chunk.iter().copied().fold(0.0, f64::max))
        .collect();
    peaks.sort_by(f64::total_cmp);
    let quietest = peaks.get((peaks.len() / 100).max(2)).copied().unwrap_or(f64::INFINITY);
    if quietest <= DITHERED_SILENCE { (2.0 * quietest).min(DITHERED_SILENCE) } else { 0.0 }
}

/// A span of frames at another rate, rounded outward.
fn frames_at((first, end): (u64, u64), from_hz: u32, to_hz: u32) -> (u64, u64) {
    let (from, to) = (u128::from(from_hz.max(1)), u128::from(to_hz));
    let scaled = |frames: u64| u128::from(frames) * to;
    ((scaled(first) / from) as u64, scaled(end).div_ceil(from) as u64)
}

fn channel_span(envelope: &EnvelopeFacts, channel: &DraftChannel, threshold: f64) -> Option<(u64, u64)> {
    let values = &envelope.channels[channel.channel];
    let loud = |index: usize| {
        let (min, max) = (f64::from(values.min[index]), f64::from(values.max[index]));
        // A silent window stays silent whatever constant is subtracted elsewhere.
        (min != 0.0 || max != 0.0) && channel.apply(Range { min, max }).peak() > threshold
    };
    let windows = values.min.len();
    let first = (0..windows).find(|&i| loud(i))? as u64;
    let last = (0..windows).rfind(|&i| loud(i))? as u64;
    let window = envelope.window_frames;
    Some((first * window, ((last + 1) * window).min(envelope.frames)))
}

/// The whole delivery while the stages decide.
#[derive(Debug)]
pub struct Draft<'a> {
    /// Every stem, sorted by path; joined pairs are one stem.
    pub stems: Vec<DraftStem<'a>>,
    /// The rate that most stems have.
    pub majority_hz: u32,
    /// Length of a bar in seconds, where tempo and meter are known.
    pub bar_seconds: Option<f64>,
    /// Where every stem starts, where the recipe gives all stems one start.
    pub starts: Option<&'a StemStarts>,
    /// What comparing the stems has shown.
    pub evidence: &'a Evidence,
    /// What was noticed about the delivery as a whole.
    pub findings: Vec<Finding>,
    /// What the linked stems share so far.
    pub link: Link,
    /// What they shared before some of the files came.
    pub pin: Option<&'a Pin>,
}

impl<'a> Draft<'a> {
    /// The stems that will be rendered.
    pub fn active(&self) -> impl Iterator<Item = (usize, &DraftStem<'a>)> {
        self.stems.iter().enumerate().filter(|(_, stem)| stem.is_active())
    }

    /// Where the common time line begins, in frames since midnight at `rate_hz`; 0 where files start together.
    pub fn origin_frames(&self, rate_hz: u32) -> i64 {
        let origin = self.starts.and_then(StemStarts::origin);
        origin.map_or(0, |(frames, origin_hz)| rescale_frames(frames, origin_hz, rate_hz) as i64)
    }

    /// Whether a stem has come after the first preparation, or is another file than it was.
    pub fn is_late(&self, stem: &DraftStem<'_>) -> bool {
        self.pin.is_some_and(|pin| !stem.sources.iter().all(|source| pin.is_same(source)))
    }

    /// Whether a stem was prepared before and is what it was.
    pub fn is_at_work(&self, stem: &DraftStem<'_>) -> bool {
        self.pin.is_some() && !self.is_late(stem)
    }

    /// The part of the common time line that a pin gives to every stem: first frame and end, at `rate_hz`.
    pub fn pinned_window(&self, rate_hz: u32) -> Option<(i64, i64)> {
        let link = &self.pin?.link;
        let from = link.timestamp_frames? as i64 - self.origin_frames(rate_hz);
        Some((from, from + link.length_frames as i64))
    }

    /// The rendered stems that take part in links: all but the references.
    pub fn linked(&self) -> impl Iterator<Item = (usize, &DraftStem<'a>)> {
        self.active().filter(|(_, stem)| !stem.reference)
    }
}

#[cfg(test)]
mod tests;
