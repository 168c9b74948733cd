//! # align-starts
//!
//! *What it does:* gives all stems one start and one length, by padding with silence.
//! *Reads:* time stamps and lengths. *Decides:* where each stem stands on the common time line.
//! *Changes:* start and length. *Settings:* `starts`, `max-implied-silence`, `by-rough-mix`.
//! *Sources:* `TimeReference` of EBU Tech 3285; when stamps are plausible: common practice, no source.

use loadin_audio::{Block, Decibels, rescale_frames};
use loadin_record::evidence::StemPlace;
use loadin_record::finding::{Finding, Id, rounded};
use loadin_record::late::Pin;
use loadin_record::manifest::Change;
use loadin_record::written::Measured;
use loadin_session::{PlacementOptions, StartMode};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::draft::{Draft, PlacedBy};
use crate::placement::StemStarts;
use crate::shape::Shape;
use crate::stages::stage::{NOT_RENDERED, Processor};
use crate::values::Seconds;

/// What says where a stem starts.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Starts {
    /// The time stamps where they are plausible together, else the starts of the files.
    Auto,
    /// The time stamps, plausible or not.
    Stamp,
    /// The starts of the files.
    File,
}

/// Settings of `align-starts`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case", deny_unknown_fields, default)]
pub struct Settings {
    /// What says where a stem starts.
    pub starts: Starts,
    /// Time stamps that would put more silence than this before a stem are refused.
    pub max_implied_silence: Seconds,
    /// Whether stems that have no stamp and start at their own entry go where the rough mix has them, where that is sure
    /// to the frame and whatever the others carry; else the place is only reported.
    pub by_rough_mix: bool,
}

impl Default for Settings {
    fn default() -> Self {
        let most = PlacementOptions::default().max_implied_silence_seconds;
        Self { starts: Starts::Auto, max_implied_silence: Seconds(most), by_rough_mix: false }
    }
}

/// Decision of `align-starts`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(tag = "do", rename_all = "kebab-case")]
pub enum Decision {
    /// Start and length stay.
    Leave {
        /// Why.
        why: String,
    },
    /// Silence is added, or what lies outside the common span is dropped.
    Place {
        /// Frames of silence before the stem.
        pad_head_frames: u64,
        /// Frames dropped before the common start; references only.
        drop_head_frames: u64,
        /// Frames before.
        from_frames: u64,
        /// Frames of the result.
        length_frames: u64,
        /// Why.
        why: String,
    },
}

/// A place within this many frames of the file's start is the file's start.
pub(crate) const SAME_PLACE_FRAMES: u64 = 2;

/// Below this a reference is not heard where it is cut: as `trim-silence` has it unless a recipe says otherwise (common
/// practice, no source).
const SOUND_DBFS: f64 = -90.0;

/// How stems are placed by these settings, or as a finished preparation has placed its own.
pub fn placement_options(settings: &Settings, pin: Option<&Pin>) -> PlacementOptions {
    let mode = match (pin, settings.starts) {
        (Some(pin), _) if pin.link.by_stamps => StartMode::Stamp,
        (Some(_), _) | (None, Starts::File) => StartMode::File,
        (None, Starts::Auto) => StartMode::Auto,
        (None, Starts::Stamp) => StartMode::Stamp,
    };
    PlacementOptions { mode, max_implied_silence_seconds: settings.max_implied_silence.0 }
}

/// Puts every stem on the common time line, at `target_hz`: after `decode` has said which stems go on, and before the
/// other stages decide, so that trimming knows the places.
pub fn take_places(settings: &Settings, draft: &mut Draft<'_>, target_hz: u32) {
    let Some(starts) = draft.starts else { return };
    for stem in &mut draft.stems {
        stem.position = starts.start_frames(stem.path(), target_hz);
        if starts.is_answered(stem.path()) {
            stem.placed_by = PlacedBy::Answers;
        }
    }
    note_doubts(starts, draft);
    draft.link.by_stamps = starts.uses_stamps();
    take_heard_places(settings, draft, target_hz);
    keep_pinned_places(draft, target_hz);
}

/// Reports the places that the rough mix shows, and takes them where the recipe says so and no stamp says otherwise. A
/// finished preparation has its places already.
fn take_heard_places(settings: &Settings, draft: &mut Draft<'_>, target_hz: u32) {
    let evidence = draft.evidence;
    let free = draft.pin.is_none();
    for place in &evidence.places {
        let stem = draft.stems.iter_mut().find(|stem| stem.path() == place.path);
        let Some(stem) = stem.filter(|stem| stem.is_active() && !stem.reference) else { continue };
        if let Some(stated) = place.stated_frames {
            stem.note(contradicted(place, stated));
            continue;
        }
        // Now something says where it starts.
        stem.findings.retain(|finding| finding.id != Id::StampDoubt);
        if place.start_frames.unsigned_abs() <= SAME_PLACE_FRAMES {
            continue;
        }
        let taken = free && settings.by_rough_mix && stem.placed_by == PlacedBy::File;
        let seconds = seconds(place.start_frames, place.rate_hz);
        let done = if taken {
            "it is placed there"
        } else {
            "it stays at the start; by-rough-mix in the recipe would place it"
        };
        let text = format!(
            "no time stamp says where it starts, and the rough mix \"{}\" has it {seconds:.3} s after the start: {done}",
            place.by
        );
        stem.note(
            Finding::new(Id::PlaceFound, text)
                .with("start_frames", place.start_frames)
                .with("rate_hz", place.rate_hz)
                .with("peak_ratio", rounded(place.peak_ratio, 2))
                .with("second_best_frames", place.second_best_frames)
                .with("uncertainty_frames", rounded(place.uncertainty_frames, 3))
                .with("applied", taken),
        );
        if taken {
            stem.position = at_rate(place.start_frames, place.rate_hz, target_hz);
            stem.placed_by = PlacedBy::RoughMix;
        }
    }
}

/// A stamp that the rough mix contradicts: which of the two is wrong, only the client knows.
fn contradicted(place: &StemPlace, stated: i64) -> Finding {
    let text = format!(
        "its time stamp puts it {:.3} s after the start, and the rough mix \"{}\" has it {:.3} s after the start: it stays where \
         the stamp says",
        seconds(stated, place.rate_hz),
        place.by,
        seconds(place.start_frames, place.rate_hz)
    );
    Finding::new(Id::StampContradicted, text)
        .with("stated_frames", stated)
        .with("start_frames", place.start_frames)
        .with("rate_hz", place.rate_hz)
        .with("peak_ratio", rounded(place.peak_ratio, 2))
        .with("uncertainty_frames", rounded(place.uncertainty_frames, 3))
}

fn seconds(frames: i64, rate_hz: u32) -> f64 {
    frames as f64 / f64::from(rate_hz.max(1))
}

/// A place in frames at `from_hz`, counted at `to_hz`.
fn at_rate(frames: i64, from_hz: u32, to_hz: u32) -> i64 {
    rescale_frames(frames.unsigned_abs(), from_hz.max(1), to_hz) as i64 * frames.signum()
}

/// What stood somewhere before stands there again: the same file in any case, and a new file under an old name where
/// no stamp of its own says better.
fn keep_pinned_places(draft: &mut Draft<'_>, target_hz: u32) {
    let Some(pin) = draft.pin else { return };
    let origin = draft.origin_frames(target_hz);
    for stem in &mut draft.stems {
        let stamped = stem.sources[0].format.as_ref().is_some_and(|f| f.timestamp_frames.is_some());
        let own_place = pin.link.by_stamps && stamped && !pin.is_same(stem.sources[0]);
        // A late file without a stamp starts where such files started before, whatever stamps came with it.
        let start_frames = pin.stem(stem.path()).and_then(|pinned| pinned.start_frames).or(pin.origin_frames);
        // A start that is said holds for what is new, and for what was made anew.
        let bound = pin.stem(stem.path()).is_some_and(|pinned| !pinned.renewed);
        let said = stem.placed_by == PlacedBy::Answers && !bound;
        if let Some(start_frames) = start_frames.filter(|_| !own_place && !said) {
            stem.position = start_frames - origin;
        }
    }
}

fn note_doubts(starts: &StemStarts, draft: &mut Draft<'_>) {
    if let Some(why) = starts.refused() {
        draft.findings.push(Finding::new(Id::StampsRefused, format!("the time stamps are not used: {why}")));
    }
    for stem in &mut draft.stems {
        let doubts = starts.doubts(stem.path()).map(|text| Finding::new(Id::StampDoubt, text));
        stem.findings.extend(doubts);
    }
}

/// Decides padding and the common length.
pub fn decide(settings: &[Settings], draft: &mut Draft<'_>) -> Vec<Decision> {
    let _ = settings;
    let decisive: Vec<usize> = match draft.linked().map(|(i, _)| i).collect::<Vec<_>>() {
        linked if linked.is_empty() => draft.active().map(|(i, _)| i).collect(),
        linked => linked,
    };
    let stems = || decisive.iter().map(|&i| &draft.stems[i]);
    let target_hz = stems().next().map_or(draft.majority_hz, |stem| stem.rate_hz);
    let origin = stems().map(|stem| stem.position).min().unwrap_or(0);
    let end = stems().map(|s| s.position + s.frames as i64).max().unwrap_or(origin);
    let (origin, end) = draft.pinned_window(target_hz).unwrap_or((origin, end));
    let length = (end - origin).max(0) as u64;
    let stamped = draft.link.by_stamps;
    draft.link.length_frames = length;
    draft.link.timestamp_frames = Some((draft.origin_frames(target_hz) as u64).saturating_add_signed(origin));
    note_late_cuts(draft, origin, end);
    draft
        .stems
        .iter_mut()
        .map(|stem| {
            if !stem.is_active() {
                return Decision::Leave { why: NOT_RENDERED.to_owned() };
            }
            let offset = stem.position - origin;
            if offset == 0 && stem.frames == length {
                return Decision::Leave { why: "it has the common start and length".to_owned() };
            }
            let by_stamp = stamped && offset > 0 && stem.placed_by == PlacedBy::File;
            if by_stamp {
                let seconds = offset as f64 / f64::from(stem.rate_hz);
                let text = format!("its time stamp puts it +{seconds:.3} s later than the common start");
                stem.note(Finding::new(Id::Moved, text).with("frames", offset).with("rate_hz", stem.rate_hz));
            }
            if stem.reference {
                stem.note_cut_reference(Decibels(SOUND_DBFS).ratio(), length as i64 - offset);
            }
            let from_frames = stem.frames;
            stem.position = origin;
            stem.shift_frames -= offset;
            stem.frames = length;
            Decision::Place {
                pad_head_frames: offset.max(0) as u64,
                drop_head_frames: (-offset).max(0) as u64,
                from_frames,
                length_frames: length,
                why: if by_stamp {
                    "placed by its time stamp"
                } else if stem.placed_by == PlacedBy::Answers && offset != 0 {
                    "placed where the answers say"
                } else if stem.placed_by == PlacedBy::RoughMix {
                    "placed where the rough mix has it"
                } else {
                    "one start and one length for all stems"
                }
                .to_owned(),
            }
        })
        .collect()
}

/// A late stem is never cut in silence.
fn note_late_cuts(draft: &mut Draft<'_>, origin: i64, end: i64) {
    let late: Vec<bool> = draft.stems.iter().map(|stem| draft.is_late(stem)).collect();
    for (stem, _) in
        draft.stems.iter_mut().zip(late).filter(|(stem, late)| *late && stem.is_active() && !stem.reference)
    {
        let before = (origin - stem.position).max(0);
        let after = (stem.position + stem.frames as i64 - end).max(0);
        stem.note_late_cut(before, after);
    }
}

/// Gives a stream another start and length: silence before it or frames dropped, silence after it or an earlier end.
pub struct Placer {
    pad: u64,
    skip: u64,
    remaining: u64,
}

/// Silence is written in pieces of this size, so that long padding needs no memory.
const PIECE_FRAMES: u64 = 65_536;

impl Placer {
    /// A stream of `length_frames` whose first frame is frame `from` of what comes in; before that there is silence.
    pub fn new(from: i64, length_frames: u64) -> Self {
        Self { pad: (-from).max(0) as u64, skip: from.max(0) as u64, remaining: length_frames }
    }

    fn silence(&mut self, frames: u64, block: &mut Block) -> u64 {
        let piece = frames.min(self.remaining).min(PIECE_FRAMES);
        block.append_silence(piece as usize);
        self.remaining -= piece;
        piece
    }
}

impl Processor for Placer {
    fn begin(&mut self, block: &mut Block) {
        self.pad -= self.silence(self.pad, block);
    }

    fn process(&mut self, block: &mut Block) {
        let skipped = self.skip.min(block.frames() as u64);
        block.drop_front(skipped as usize);
        self.skip -= skipped;
        block.truncate(self.remaining.min(block.frames() as u64) as usize);
        self.remaining -= block.frames() as u64;
    }

    fn finish(&mut self, block: &mut Block) {
        self.silence(self.remaining, block);
    }
}

/// The padding.
pub fn processor(decision: &Decision, _: Shape<'_>) -> Option<Box<dyn Processor>> {
    match decision {
        Decision::Leave { .. } => None,
        Decision::Place { pad_head_frames, drop_head_frames, length_frames, .. } => {
            let from = *drop_head_frames as i64 - *pad_head_frames as i64;
            Some(Box::new(Placer::new(from, *length_frames)))
        }
    }
}

/// The change of start, or of length alone.
pub fn change(decision: &Decision, _: Shape<'_>, measured: &Measured) -> Option<Change> {
    let Decision::Place { pad_head_frames, drop_head_frames, from_frames, length_frames, why } = decision
    else {
        return None;
    };
    let start = *pad_head_frames as i64 - *drop_head_frames as i64;
    let change = if start == 0 {
        Change::new("align-starts", "length", *from_frames, *length_frames, "frames", why)
    } else {
        Change::new("align-starts", "start", 0, start, "frames", why).with("length_frames", *length_frames)
    };
    Some(change.with("from_frames", *from_frames).with("frames_written", measured.frames))
}

#[cfg(test)]
mod tests;
