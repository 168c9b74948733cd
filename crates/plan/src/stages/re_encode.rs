//! # re-encode
//!
//! *What it does:* writes the prepared stem: container, depth, dither.
//! *Reads:* the grid that the samples lie on and the expected peak. *Decides:* sample kind and dither.
//! *Changes:* the depth; dither is added once, last, and only when the depth falls.
//! *Settings:* `container`, `depth`, `dither`, `when-over`, `markers`.
//! *Sources:* TPDF of 2 LSB peak to peak (Wannamaker, Lipshitz, Vanderkooy, Wright, IEEE Trans. SP 48(2), 2000);
//! `bext` as in EBU Tech 3285.

use loadin_codec::{SampleKind, Target, fits_aiff, flac_refusal};
use loadin_record::finding::{Finding, Id, rounded};
use loadin_record::manifest::Change;
use loadin_record::survey::FormatFacts;
use loadin_record::written::Measured;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::draft::{Draft, DraftStem};
use crate::shape::{Fate, PlannedMarker, Shape};
use crate::stages::stage::{NOT_RENDERED, Processor};
use crate::values::PeakKind;

/// The container of the outputs.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
#[schemars(rename = "ContainerSetting")]
pub enum OutputContainer {
    /// Broadcast WAV: with a `bext` chunk (EBU Tech 3285); RF64 past 4 GiB.
    Bwf,
    /// Plain WAV for importers that take nothing else: no `bext`, no reserve, and a `fmt ` of 16 bytes for integers
    /// in one or two channels; RF64 past 4 GiB.
    Wav,
    /// AIFF; AIFF-C for floats. Up to 4 GiB.
    Aiff,
    /// CAF.
    Caf,
    /// FLAC; integers of up to 8 channels. Not every program reads it at 32 bits.
    Flac,
}

impl OutputContainer {
    /// The extension of a file's name, without dot.
    pub fn extension(self) -> &'static str {
        match self {
            Self::Bwf | Self::Wav => "wav",
            Self::Aiff => "aif",
            Self::Caf => "caf",
            Self::Flac => "flac",
        }
    }

    /// Whether `bext` and other chunks go along.
    pub fn carries_metadata(self) -> bool {
        self != Self::Wav
    }

    /// The writer's word for it.
    pub fn target(self) -> Target {
        match self {
            Self::Bwf | Self::Wav => Target::Wav,
            Self::Aiff => Target::Aiff,
            Self::Caf => Target::Caf,
            Self::Flac => Target::Flac,
        }
    }
}

/// The depth of the outputs.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub enum Depth {
    /// Each stem keeps its own; lossy sources become 24-bit.
    #[serde(rename = "source")]
    Source,
    /// 16-bit integers.
    #[serde(rename = "16-bit")]
    I16,
    /// 24-bit integers.
    #[serde(rename = "24-bit")]
    I24,
    /// 32-bit integers.
    #[serde(rename = "32-bit")]
    I32,
    /// 32-bit floats.
    #[serde(rename = "32-bit float")]
    F32,
    /// 64-bit floats.
    #[serde(rename = "64-bit float")]
    F64,
}

/// Whether dither is added when the depth falls.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Dither {
    /// Triangular, 2 LSB peak to peak.
    Tpdf,
    /// None: values are rounded.
    None,
}

/// What to do with a stem that would pass full scale in integers.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum WhenOver {
    /// Write that stem in 32-bit float, where nothing clips.
    Float,
    /// Fail that stem.
    Fail,
}

/// Settings of `re-encode`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case", deny_unknown_fields, default)]
pub struct Settings {
    /// Container of the outputs.
    pub container: OutputContainer,
    /// Depth of the outputs.
    pub depth: Depth,
    /// Dither when the depth falls.
    pub dither: Dither,
    /// What to do with a stem that would pass full scale.
    pub when_over: WhenOver,
    /// Whether the markers that the client states are written into every output (`cue ` and `LIST`/`adtl`, or what the
    /// container has for them; plain `wav` has none). Markers that a stem has itself are carried in any case.
    pub markers: bool,
}

impl Default for Settings {
    fn default() -> Self {
        Self {
            container: OutputContainer::Bwf,
            depth: Depth::I24,
            dither: Dither::Tpdf,
            when_over: WhenOver::Float,
            markers: false,
        }
    }
}

/// How samples are stored, in a form that can be serialised.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[schemars(rename = "Storage")]
pub enum SampleFormat {
    /// 16-bit integers.
    #[serde(rename = "16-bit")]
    I16,
    /// 24-bit integers.
    #[serde(rename = "24-bit")]
    I24,
    /// 32-bit integers.
    #[serde(rename = "32-bit")]
    I32,
    /// 32-bit floats.
    #[serde(rename = "32-bit float")]
    F32,
    /// 64-bit floats.
    #[serde(rename = "64-bit float")]
    F64,
}

impl SampleFormat {
    /// The codec's word for it.
    pub fn kind(self) -> SampleKind {
        match self {
            Self::I16 => SampleKind::I16,
            Self::I24 => SampleKind::I24,
            Self::I32 => SampleKind::I32,
            Self::F32 => SampleKind::F32,
            Self::F64 => SampleKind::F64,
        }
    }

    /// The word in papers.
    pub fn as_str(self) -> &'static str {
        match self {
            Self::I16 => "16-bit",
            Self::I24 => "24-bit",
            Self::I32 => "32-bit",
            Self::F32 => "32-bit float",
            Self::F64 => "64-bit float",
        }
    }

    /// The smallest storage that holds a source without loss.
    fn of_source(format: &FormatFacts) -> Self {
        match (format.float, format.lossy, format.bits) {
            (true, _, 64) => Self::F64,
            (true, ..) => Self::F32,
            (false, false, 0..=16) => Self::I16,
            (false, true, _) | (false, _, ..=24) => Self::I24,
            (false, _, 25..=32) => Self::I32,
            _ => Self::F64,
        }
    }
}

/// Decision of `re-encode`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(tag = "do", rename_all = "kebab-case")]
pub enum Decision {
    /// The stem is not written.
    Leave {
        /// Why.
        why: String,
    },
    /// The stem is written.
    Write {
        /// The container.
        container: OutputContainer,
        /// How samples are stored.
        storage: SampleFormat,
        /// Whether dither is added.
        dither: bool,
        /// Whether the samples are those of the source, bit for bit.
        exact: bool,
        /// Depth of the source, in words.
        from: String,
        /// Stated markers that are written; the plan as a whole knows where they stand.
        #[serde(default, skip_serializing_if = "Vec::is_empty")]
        markers: Vec<PlannedMarker>,
        /// Why.
        why: String,
    },
}

/// Decides storage and dither for every stem.
pub fn decide(settings: &[Settings], draft: &mut Draft<'_>) -> Vec<Decision> {
    draft
        .stems
        .iter_mut()
        .zip(settings)
        .map(|(stem, settings)| {
            if stem.is_active() {
                decide_one(settings, stem)
            } else {
                Decision::Leave { why: NOT_RENDERED.to_owned() }
            }
        })
        .collect()
}

/// Decides for an active stem: integers that would clip become floats or a failure, and what the container cannot hold fails.
fn decide_one(settings: &Settings, stem: &mut DraftStem<'_>) -> Decision {
    let format = stem.sources[0].format.as_ref().expect("an active stem has a format");
    let asked = asked(settings.depth, format);
    let mut storage = asked;
    let peak = stem.peak(PeakKind::Sample);
    if !asked.kind().is_float() && would_clip(peak, asked, stem.grid_bits) {
        let text = over_text(peak, asked);
        if settings.when_over == WhenOver::Fail {
            let why = format!("{text}; lower it with gain-stage or write floats");
            stem.fate = Fate::Fail { why: why.clone() };
            return Decision::Leave { why };
        }
        storage = SampleFormat::F32;
        stem.note(
            Finding::new(
                Id::OverFullScale,
                format!("{text}; it is written in 32-bit float, where nothing clips"),
            )
            .with("peak_dbfs", rounded(loadin_audio::Decibels::from_ratio(peak).0, 3)),
        );
    }
    let bits = storage.kind().bits();
    let falls = !storage.kind().is_float() && stem.grid_bits.is_none_or(|grid| grid > bits);
    let exact = match storage {
        SampleFormat::F32 => {
            stem.grid_bits.is_some_and(|grid| grid <= 24)
                || (stem.untouched && format.float && format.bits == 32)
        }
        SampleFormat::F64 => stem.grid_bits.is_some() || stem.untouched,
        _ => !falls,
    };
    if let Some(why) = too_large(storage, peak).or_else(|| refusal(settings.container, storage, stem)) {
        stem.fate = Fate::Fail { why: why.clone() };
        return Decision::Leave { why };
    }
    Decision::Write {
        container: settings.container,
        storage,
        dither: falls && settings.dither == Dither::Tpdf,
        exact,
        from: describe(format),
        markers: Vec::new(),
        why: if settings.depth == Depth::Source {
            "every stem keeps its own depth"
        } else {
            "one depth for all stems"
        }
        .to_owned(),
    }
}

/// Says how far a peak passes full scale; one that only rounding and dither may carry over it is not called above it.
fn over_text(peak: f64, asked: SampleFormat) -> String {
    let (db, format) = (loadin_audio::Decibels::from_ratio(peak).0, asked.as_str());
    if db < 0.005 {
        format!("rounding to {format} integers could carry the peak over full scale")
    } else {
        format!("the peak would be {db:.2} dB above full scale in {format} integers")
    }
}

/// How the recipe wants the samples of a source to be stored.
fn asked(depth: Depth, format: &FormatFacts) -> SampleFormat {
    match depth {
        Depth::Source => SampleFormat::of_source(format),
        Depth::I16 => SampleFormat::I16,
        Depth::I24 => SampleFormat::I24,
        Depth::I32 => SampleFormat::I32,
        Depth::F32 => SampleFormat::F32,
        Depth::F64 => SampleFormat::F64,
    }
}

/// Why floats cannot hold a peak; `None` where they can.
fn too_large(storage: SampleFormat, peak: f64) -> Option<String> {
    (storage == SampleFormat::F32 && peak > f64::from(f32::MAX)).then(|| {
        format!(
            "a sample would be {peak:e}, and 32-bit floats end at {:e}; ask for the file again, or write depth = \"64-bit float\"",
            f32::MAX
        )
    })
}

/// Why a container cannot hold a stem; `None` where it can.
fn refusal(container: OutputContainer, storage: SampleFormat, stem: &DraftStem<'_>) -> Option<String> {
    let (channels, rate_hz) = (stem.channels.len() as u16, stem.rate_hz);
    let bytes = stem.frames.saturating_mul(u64::from(channels) * storage.kind().bytes() as u64);
    match container {
        OutputContainer::Flac => {
            let float = storage.kind().is_float();
            // Another depth would help floats alone.
            let or_depth = if float { " or another depth" } else { "" };
            flac_refusal(channels, rate_hz, float)
                .map(|why| format!("{why}; set container = \"bwf\"{or_depth} for this stem"))
        }
        OutputContainer::Aiff if !fits_aiff(bytes) => Some(format!(
            "an AIFF file ends at 4 GiB, this would be {bytes} bytes of samples; set container = \"bwf\" or \"caf\""
        )),
        _ => None,
    }
}

/// Integers reach from −1 to just below 1; samples that already lie on such a grid cannot pass it.
fn would_clip(peak: f64, storage: SampleFormat, grid_bits: Option<u32>) -> bool {
    let step = 2f64.powi(1 - storage.kind().bits() as i32);
    match grid_bits {
        Some(grid) if grid <= storage.kind().bits() => false,
        // Rounding and dither can add one step and a half.
        _ => peak > 1.0 - 2.5 * step,
    }
}

fn describe(format: &FormatFacts) -> String {
    let float = if format.float { " float" } else { "" };
    if format.lossy { format!("{} (lossy)", format.codec) } else { format!("{}-bit{float}", format.bits) }
}

/// Writing is the end of the chain; `render` does it.
pub fn processor(_: &Decision, _: Shape<'_>) -> Option<Box<dyn Processor>> {
    None
}

/// The change of depth.
pub fn change(decision: &Decision, _: Shape<'_>, measured: &Measured) -> Option<Change> {
    match decision {
        Decision::Leave { .. } => None,
        Decision::Write { storage, dither, from, why, .. } => {
            let added = if *dither { "TPDF" } else { "none" };
            let same = *from == storage.as_str();
            let change = match (same, *dither) {
                (true, false) if measured.clipped == 0 => return None,
                // The depth is the same, but the samples are no longer on its grid before they are rounded.
                (true, true) => Change::new("re-encode", "dither", "none", added, "", why),
                _ => Change::new("re-encode", "depth", from.as_str(), storage.as_str(), "", why),
            };
            Some(change.with("dither", added).with("samples_clipped", measured.clipped))
        }
    }
}

#[cfg(test)]
mod tests;
