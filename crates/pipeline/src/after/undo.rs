//! How each change is undone, and how near that comes to what was delivered. Everything is read from the manifest.

use loadin_audio::{Block, DcRemover, Decibels, Resampler};
use loadin_plan::stages::align_starts::Placer;
use loadin_plan::stages::gain_stage::Gain;
use loadin_plan::stages::resample::Converter;
use loadin_plan::stages::stage::Processor;
use loadin_record::manifest::{Change, OutputRecord, StemRecord};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use serde_json::Value;

use crate::render::chain::Chain;

/// How near an undone change comes to what was delivered.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum How {
    /// Nothing is missing.
    Exact,
    /// All but the rounding of the prepared file.
    Rounded,
    /// As near as a conversion there and back comes.
    Near,
    /// Something is gone; what stands in its place is said.
    Lost,
}

impl How {
    /// The word for people.
    pub fn as_str(self) -> &'static str {
        match self {
            Self::Exact => "exact",
            Self::Rounded => "rounded",
            Self::Near => "near",
            Self::Lost => "lost",
        }
    }
}

/// What became of one change.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct Step {
    /// The stage whose change is undone.
    pub stage: String,
    /// How near that comes.
    pub how: How,
    /// One sentence.
    pub text: String,
}

/// Why a source cannot be made again.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub(super) enum UndoError {
    /// A change lacks the numbers that undo it.
    #[error("the manifest does not say enough about its {stage} to undo it")]
    UnknownChange {
        /// The stage that made it.
        stage: String,
    },
    /// The form of the source is not on record.
    #[error("the manifest does not say what the source was like")]
    UnknownSource,
    /// Its path would be outside of the new folder.
    #[error("its path leads out of the delivery; nothing is written there")]
    LeadsOut,
}

/// The way back of one source.
pub(super) struct Way {
    pub(super) chain: Chain,
    /// In the order of undoing: the last change first.
    pub(super) steps: Vec<Step>,
    /// The factor that errors of the prepared samples are multiplied by.
    pub(super) factor: f64,
}

/// What is collected on the way back.
struct Back<'a> {
    stem: &'a StemRecord,
    output: &'a OutputRecord,
    channels: usize,
    processors: Vec<(Box<dyn Processor>, usize)>,
    steps: Vec<Step>,
    factor: f64,
}

/// The way from an output back to one source of a stem; an error names what the manifest does not say.
pub(super) fn way(stem: &StemRecord, output: &OutputRecord) -> Result<Way, UndoError> {
    let channels = usize::from(output.channels);
    let (processors, steps) = (Vec::new(), Vec::new());
    let mut back = Back { stem, output, channels, processors, steps, factor: 1.0 };
    for change in carried_out(&stem.changes).into_iter().rev() {
        back.undo(change).ok_or_else(|| UndoError::UnknownChange { stage: change.stage.clone() })?;
    }
    Ok(Way { chain: Chain::of(back.processors), steps: back.steps, factor: back.factor })
}

/// The changes in the order in which they were made to the sound: an offset that says at which rate it was subtracted has
/// gone before the rate was converted, and the channels that it was counted in were chosen before it.
fn carried_out(changes: &[Change]) -> Vec<&Change> {
    let early = |change: &&Change| {
        let is = |stage: &str, key: &str| {
            changes.iter().any(|c| c.stage == stage && (key.is_empty() || c.more.contains_key(key)))
        };
        is("resample", "")
            && is("dc-removal", "rate_hz")
            && matches!(change.stage.as_str(), "channel-fix" | "dc-removal")
    };
    let (first, then): (Vec<&Change>, Vec<&Change>) = changes.iter().partition(early);
    first.into_iter().chain(then).collect()
}

fn number(change: &Change, key: &str) -> Option<i64> {
    change.more.get(key)?.as_i64()
}

impl Back<'_> {
    fn push(&mut self, processor: impl Processor + 'static) {
        self.processors.push((Box::new(processor), self.channels));
    }

    fn say(&mut self, change: &Change, how: How, text: impl Into<String>) {
        self.steps.push(Step { stage: change.stage.clone(), how, text: text.into() });
    }

    fn undo(&mut self, change: &Change) -> Option<()> {
        match change.stage.as_str() {
            "re-encode" => self.depth(change),
            "label" => self.say(change, How::Exact, "the file has its own name again"),
            "align-starts" => self.place(change)?,
            "trim-silence" => self.cut(change)?,
            "gain-stage" => self.gain(change)?,
            "dc-removal" => self.offset(change)?,
            "channel-fix" => self.channels(change)?,
            "resample" => self.rate(change)?,
            _ => return None,
        }
        Some(())
    }

    fn depth(&mut self, change: &Change) {
        let dithered = change.more.get("dither").and_then(Value::as_str) == Some("TPDF");
        let text = if dithered {
            "the rounding and the dither of the prepared depth stay in the samples"
        } else {
            "samples are rounded to the depth that was delivered"
        };
        self.say(change, How::Rounded, text);
    }

    fn place(&mut self, change: &Change) -> Option<()> {
        let from_frames = number(change, "from_frames")?;
        let start = if change.what == "start" { change.to.as_i64()? } else { 0 };
        let length = number(change, "length_frames").or_else(|| change.to.as_i64())?;
        self.push(Placer::new(start, from_frames as u64));
        let before = (-start).max(0);
        let after = (start + from_frames - length).max(0);
        if before + after > 0 {
            let text = format!(
                "{} frames that passed the common start or end are gone; silence stands there",
                before + after
            );
            self.say(change, How::Lost, text);
        } else {
            self.say(change, How::Exact, "the silence that was added is gone");
        }
        Some(())
    }

    fn cut(&mut self, change: &Change) -> Option<()> {
        let (head, tail) = (number(change, "head_frames")?, number(change, "tail_frames")?);
        self.push(Placer::new(-head, change.from.as_u64()?));
        let fades = number(change, "fade_in_frames")? + number(change, "fade_out_frames")?;
        if change.more.get("digital_silence").and_then(Value::as_bool) == Some(true) && fades == 0 {
            self.say(change, How::Exact, "the digital silence that was cut is there again");
            return Some(());
        }
        let faded = if fades > 0 { format!("; {fades} frames stay faded") } else { String::new() };
        let text =
            format!("digital silence stands for the {} frames of dead air that were cut{faded}", head + tail);
        self.say(change, How::Lost, text);
        Some(())
    }

    fn gain(&mut self, change: &Change) -> Option<()> {
        let factor = 1.0 / Decibels(change.to.as_f64()?).ratio();
        self.push(Gain(factor));
        self.factor *= factor;
        self.say(change, How::Rounded, "the level is as delivered");
        Some(())
    }

    fn offset(&mut self, change: &Change) -> Option<()> {
        let constants = change.more.get("constants")?.as_array()?;
        let added: Option<Vec<f64>> = constants.iter().map(|c| c.as_f64().map(|c| -c)).collect();
        // A source without digital silence has its offset everywhere, also where it rested at nothing else.
        if change.more.get("silence").and_then(Value::as_bool) == Some(false) {
            self.push(Shift(added?.into_iter().map(|c| -c).collect()));
        } else {
            let rate_hz = number(change, "rate_hz").and_then(|hz| u32::try_from(hz).ok());
            self.push(DcRemover::new(added?, rate_hz.unwrap_or(self.output.rate_hz)));
        }
        self.say(change, How::Rounded, "the offset is there again");
        Some(())
    }

    fn channels(&mut self, change: &Change) -> Option<()> {
        if change.what == "files" {
            let right = change.more.get("right")?.as_str()? == self.stem.source.path;
            self.channels = 1;
            self.push(Pick(usize::from(right)));
            let short = if right { "right_short_frames" } else { "left_short_frames" };
            let Some(_) = number(change, short) else {
                self.say(change, How::Exact, "left and right are two files again");
                return Some(());
            };
            // At another rate the way back from the conversion ends the file.
            if self.stem.source.rate_hz == Some(self.output.rate_hz) {
                self.push(Placer::new(0, self.stem.source.frames?));
            }
            let text = "left and right are two files again, and the silence behind this one is gone";
            self.say(change, How::Exact, text);
            return Some(());
        }
        let kept = usize::try_from(number(change, "kept")?).ok()?;
        match (change.from.as_u64()?, change.to.as_u64()?) {
            (1, 2) => {
                self.channels = 1;
                self.push(Pick(0));
                self.say(change, How::Exact, "one of the two equal channels is gone again");
            }
            (2, 1 | 2) => {
                let silent = change.more.get("other_silent").and_then(Value::as_bool).unwrap_or(true);
                self.channels = 2;
                self.push(Spread { kept, silent });
                let text = if silent {
                    "the other channel is silent again"
                } else {
                    "the other channel is equal again"
                };
                // "Equal" may have been within the recipe's residual, which its reason states.
                let how = if silent || change.why.contains("identical") { How::Exact } else { How::Near };
                self.say(change, how, text);
            }
            _ => return None,
        }
        Some(())
    }

    fn rate(&mut self, change: &Change) -> Option<()> {
        let (from, to) =
            (u32::try_from(change.from.as_u64()?).ok()?, u32::try_from(change.to.as_u64()?).ok()?);
        // The first source frame stood that fraction before the first converted one. Both count it in the same part of a second.
        let phase = -number(change, "phase").unwrap_or(0);
        if !Resampler::takes(to, from, phase) {
            return None;
        }
        self.push(Converter::new(to, from, phase));
        self.push(Placer::new(0, self.stem.source.frames?));
        let text = format!(
            "converted back to {from} Hz: equal up to about nine tenths of half the lower rate, and not in the last digits"
        );
        self.say(change, How::Near, text);
        Some(())
    }
}

/// Adds a constant to each channel.
struct Shift(Vec<f64>);

impl Processor for Shift {
    fn process(&mut self, block: &mut Block) {
        for (channel, constant) in block.iter_mut().zip(&self.0) {
            for sample in channel {
                *sample += constant;
            }
        }
    }
}

/// Keeps one channel.
struct Pick(usize);

impl Processor for Pick {
    fn process(&mut self, block: &mut Block) {
        block.keep_channel(self.0);
    }
}

/// Makes two channels of one: the other is equal or silent.
struct Spread {
    kept: usize,
    silent: bool,
}

impl Processor for Spread {
    fn process(&mut self, block: &mut Block) {
        block.keep_channel(0);
        block.duplicate_channel();
        if self.silent {
            block.channel_mut(1 - self.kept.min(1)).fill(0.0);
        }
    }
}
