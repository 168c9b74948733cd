//! # trim-silence
//!
//! *What it does:* cuts dead air before the first and after the last sound of the linked stems, at one common
//! place, so that nobody's place is lost.
//! *Reads:* the envelopes: what passes the threshold after the gain is sound, but not the noise floor of a stem where that is
//! dithered silence (see `draft::noise_floor`). *Decides:* one head and one tail cut a link. *Changes:* start and length.
//! *Settings:* `threshold`, `head`, `tail`, `link`, `whole-bars`, `fade`.
//! *Sources:* no public norm exists for threshold, head and tail; the defaults are common practice, no source.

use loadin_audio::{Block, Fade};
use loadin_record::link::Linked;
use loadin_record::manifest::Change;
use loadin_record::written::Measured;
use schemars::JsonSchema;
use serde::{Deserialize, Deserializer, Serialize, de};

use crate::draft::{Draft, DraftStem};
use crate::shape::Shape;
use crate::stages::stage::{LinkScope, NOT_RENDERED, Processor};
use crate::values::{Level, Seconds, Span};

/// A time to keep: the first span that can be used holds, so that bars may have seconds to fall back on.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
#[serde(untagged)]
pub enum Keep {
    /// One time.
    One(Seconds),
    /// The first of these that can be used; a span in bars needs a known tempo, so the last is in clock time.
    First(Vec<Span>),
}

impl<'de> Deserialize<'de> for Keep {
    /// One span or several; by hand, since a derived reader would not say which of them is wrong.
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        struct Spans;

        impl<'de> de::Visitor<'de> for Spans {
            type Value = Keep;

            fn expecting(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
                f.write_str("a time span such as \"1 s\", or a list of them such as [\"1 bar\", \"1 s\"]")
            }

            fn visit_str<E: de::Error>(self, text: &str) -> Result<Keep, E> {
                match text.parse().map_err(E::custom)? {
                    Span::Seconds(seconds) => Ok(Keep::One(Seconds(seconds))),
                    bars @ Span::Bars(_) => Err(E::custom(format!(
                        "found \"{bars}\" alone, and a tempo is not always known: allowed is a list that ends in ms, s or min, such as [\"{bars}\", \"1 s\"]"
                    ))),
                }
            }

            fn visit_seq<A: de::SeqAccess<'de>>(self, mut list: A) -> Result<Keep, A::Error> {
                let mut spans = Vec::new();
                while let Some(span) = list.next_element()? {
                    spans.push(span);
                }
                if matches!(spans.last(), Some(Span::Seconds(_))) {
                    Ok(Keep::First(spans))
                } else {
                    Err(de::Error::custom(
                        "the last span of a list must be in ms, s or min, since a tempo is not always known",
                    ))
                }
            }
        }

        deserializer.deserialize_any(Spans)
    }
}

impl Keep {
    fn frames(&self, rate_hz: u32, bar_seconds: Option<f64>) -> u64 {
        match self {
            Self::One(seconds) => seconds.frames(rate_hz),
            // The reader refuses a list that does not end in seconds.
            Self::First(spans) => {
                spans.iter().find_map(|span| span.frames(rate_hz, bar_seconds)).unwrap_or(u64::from(rate_hz))
            }
        }
    }
}

/// Settings of `trim-silence`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case", deny_unknown_fields, default)]
pub struct Settings {
    /// Sound is what passes this peak level, as it stands after the stages before; dithered silence in a stem's own noise
    /// floor is none, however much it was raised.
    pub threshold: Level,
    /// How much to keep before the first sound; never less.
    pub head: Keep,
    /// How much to keep after the last sound; never less.
    pub tail: Keep,
    /// Which stems are cut together.
    pub link: LinkScope,
    /// Whether the head cut is rounded down to whole bars, where the tempo is known.
    pub whole_bars: bool,
    /// Length of the fade at a cut that is not silent.
    pub fade: Seconds,
}

impl Default for Settings {
    fn default() -> Self {
        Self {
            threshold: Level(-90.0),
            head: Keep::First(vec![Span::Bars(1.0), Span::Seconds(1.0)]),
            tail: Keep::One(Seconds(3.0)),
            link: LinkScope::Delivery,
            whole_bars: false,
            fade: Seconds(0.005),
        }
    }
}

/// Decision of `trim-silence`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(tag = "do", rename_all = "kebab-case")]
pub enum Decision {
    /// Nothing is cut.
    Leave {
        /// Why.
        why: String,
    },
    /// Frames are cut at the start, the end, or both.
    Cut {
        /// Frames that are dropped first.
        head_frames: u64,
        /// Frames that are kept after that.
        keep_frames: u64,
        /// Frames that are dropped last.
        tail_frames: u64,
        /// Length of the fade in; 0 where the cut is silent.
        fade_in_frames: u64,
        /// Length of the fade out; 0 where the cut is silent.
        fade_out_frames: u64,
        /// Whether nothing but digital silence is dropped.
        digital_silence: bool,
        /// Why.
        why: String,
    },
}

/// Decides one window of the common time line for every link, and each stem's cuts from it.
pub fn decide(settings: &[Settings], draft: &mut Draft<'_>) -> Vec<Decision> {
    let links: Vec<LinkScope> = settings.iter().map(|s| s.link).collect();
    let mut decisions: Vec<Decision> = draft
        .stems
        .iter()
        .map(|stem| Decision::Leave {
            why: match (stem.is_active(), stem.reference) {
                (false, _) => NOT_RENDERED,
                (true, true) => "it follows the cut of the delivery, and there was none",
                (true, false) => "there is no sound to keep",
            }
            .to_owned(),
        })
        .collect();
    for (scope, mut members) in LinkScope::scopes(&links, draft) {
        let own = settings[members[0]].clone();
        let rate_hz = draft.stems[members[0]].rate_hz;
        let pinned = draft.pinned_window(rate_hz).filter(|_| scope == Linked::Delivery);
        let Some((from, to)) = pinned.or_else(|| window(&own, draft, &members)) else { continue };
        if pinned.is_some() {
            note_late_cuts(&own, draft, &members, from, to);
        }
        if scope == Linked::Delivery {
            let origin = members.iter().map(|&i| draft.stems[i].position).min().unwrap_or(0);
            let end = members.iter().map(|&i| end(&draft.stems[i])).max().unwrap_or(to);
            draft.link.trim_head_frames = (from - origin).max(0) as u64;
            draft.link.trim_tail_frames = (end - to).max(0) as u64;
            // References follow the cut; they had no say in it.
            members.extend(draft.active().filter(|(_, stem)| stem.reference).map(|(index, _)| index));
        }
        for index in members {
            decisions[index] = cut(&own, &mut draft.stems[index], from, to, &scope);
        }
    }
    decisions
}

fn end(stem: &DraftStem<'_>) -> i64 {
    stem.position + stem.frames as i64
}

/// The part of the common time line that stays: the widest sounding span of the members, and what is kept around it.
fn window(own: &Settings, draft: &Draft<'_>, members: &[usize]) -> Option<(i64, i64)> {
    let stems = || members.iter().map(|&i| &draft.stems[i]);
    let threshold = own.threshold.amplitude();
    let rate_hz = stems().next()?.rate_hz;
    let spans = || stems().filter_map(|stem| stem.sounding(threshold).map(|span| (stem.position, span)));
    let first = spans().map(|(position, (from, _))| position + from as i64).min()?;
    let last = spans().map(|(position, (_, to))| position + to as i64).max()?;
    let origin = stems().map(|stem| stem.position).min()?;
    let head = first - own.head.frames(rate_hz, draft.bar_seconds) as i64;
    let cut = whole_bars(own, (head - origin).max(0), rate_hz, draft.bar_seconds);
    Some((origin + cut, last + own.tail.frames(rate_hz, draft.bar_seconds) as i64))
}

fn whole_bars(own: &Settings, cut: i64, rate_hz: u32, bar_seconds: Option<f64>) -> i64 {
    match bar_seconds {
        Some(bar) if own.whole_bars && bar > 0.0 => {
            let bar = bar * f64::from(rate_hz);
            ((cut as f64 / bar).floor() * bar).floor() as i64
        }
        _ => cut,
    }
}

fn cut(own: &Settings, stem: &mut DraftStem<'_>, from: i64, to: i64, scope: &Linked) -> Decision {
    let frames = stem.frames as i64;
    let head = (from - stem.position).clamp(0, frames);
    let keep = (to - stem.position).clamp(head, frames) - head;
    let tail = frames - head - keep;
    // A reference that still sounds where the stems have ended is cut like them, but a person should know.
    if stem.reference {
        stem.note_cut_reference(own.threshold.amplitude(), head + keep);
    }
    if head == 0 && tail == 0 {
        return Decision::Leave {
            why: format!("no dead air beyond what is kept around the sound of the {scope}"),
        };
    }
    let fade = own.fade.frames(stem.rate_hz).min(keep as u64 / 2);
    let fade_at =
        |cut: bool, frame: i64| if cut && keep > 0 && !stem.is_silent_at(frame as u64) { fade } else { 0 };
    let decision = Decision::Cut {
        head_frames: head as u64,
        keep_frames: keep as u64,
        tail_frames: tail as u64,
        fade_in_frames: fade_at(head > 0, head),
        fade_out_frames: fade_at(tail > 0, head + keep - 1),
        digital_silence: stem.is_silent_in(0..head as u64)
            && stem.is_silent_in((head + keep) as u64..stem.frames),
        why: format!("dead air around the sound of the {scope}, quieter than {}", own.threshold),
    };
    if let Decision::Cut { fade_in_frames, fade_out_frames, .. } = decision
        && fade_in_frames + fade_out_frames > 0
    {
        stem.touch();
    }
    stem.position += head;
    stem.shift_frames += head;
    stem.frames = keep as u64;
    decision
}

/// Sound that a late stem has outside the place of those before it is cut, and a person should know.
fn note_late_cuts(own: &Settings, draft: &mut Draft<'_>, members: &[usize], from: i64, to: i64) {
    for &index in members {
        let late = draft.is_late(&draft.stems[index]);
        let stem = &mut draft.stems[index];
        if let Some((first, last)) = stem.sounding(own.threshold.amplitude()).filter(|_| late) {
            stem.note_late_cut(from - stem.position - first as i64, stem.position + last as i64 - to);
        }
    }
}

struct Cutter {
    skip: u64,
    keep: u64,
    fade: Fade,
}

impl Processor for Cutter {
    fn process(&mut self, block: &mut Block) {
        let skipped = self.skip.min(block.frames() as u64);
        block.drop_front(skipped as usize);
        self.skip -= skipped;
        block.truncate(self.keep.min(block.frames() as u64) as usize);
        self.keep -= block.frames() as u64;
        self.fade.process(block);
    }
}

/// The cut with its fades.
pub fn processor(decision: &Decision, _: Shape<'_>) -> Option<Box<dyn Processor>> {
    match decision {
        Decision::Leave { .. } => None,
        Decision::Cut { head_frames, keep_frames, fade_in_frames, fade_out_frames, .. } => {
            Some(Box::new(Cutter {
                skip: *head_frames,
                keep: *keep_frames,
                fade: Fade::new(*fade_in_frames, *fade_out_frames, *keep_frames),
            }))
        }
    }
}

/// The change of start and length.
pub fn change(decision: &Decision, _: Shape<'_>, _: &Measured) -> Option<Change> {
    match decision {
        Decision::Leave { .. } => None,
        Decision::Cut {
            head_frames,
            keep_frames,
            tail_frames,
            fade_in_frames,
            fade_out_frames,
            digital_silence,
            why,
        } => Some(
            Change::new(
                "trim-silence",
                "frames",
                head_frames + keep_frames + tail_frames,
                *keep_frames,
                "frames",
                why,
            )
            .with("head_frames", *head_frames)
            .with("tail_frames", *tail_frames)
            .with("fade_in_frames", *fade_in_frames)
            .with("fade_out_frames", *fade_out_frames)
            .with("digital_silence", *digital_silence),
        ),
    }
}

#[cfg(test)]
mod tests;
