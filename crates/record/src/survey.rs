//! What is known of a delivery before anything is decided: plain, serialisable facts.

use loadin_audio::Decibels;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::codec;
use crate::finding::Finding;

/// What a folder holds. No audio has been decoded yet.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Inventory {
    /// The delivery's name: the name of its folder.
    pub name: String,
    /// The files that are, or claim to be, audio; sorted by path.
    pub files: Vec<FileFacts>,
    /// The others, each with the reason.
    pub ignored: Vec<Ignored>,
    /// Which song of the delivery it is, where only that one counts.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub song: Option<SongPart>,
}

/// One song of a delivery that holds several.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct SongPart {
    /// Its name.
    pub name: String,
    /// What the paths of its files begin with.
    pub begins: String,
    /// What the paths of the other songs' files begin with.
    pub others: Vec<String>,
}

impl SongPart {
    /// Whether the file at `path` belongs to the song: it is its own, or nobody's, such as a note about all of them.
    pub fn has(&self, path: &str) -> bool {
        path.starts_with(&self.begins) || !self.others.iter().any(|begins| path.starts_with(begins))
    }
}

impl Inventory {
    /// What of the delivery counts: all of it, or what belongs to a song.
    #[must_use]
    pub fn of_song(mut self, song: Option<SongPart>) -> Self {
        let Some(song) = song else { return self };
        self.files.retain(|file| song.has(&file.path));
        self.ignored.retain(|file| song.has(&file.path));
        self.name.clone_from(&song.name);
        self.song = Some(song);
        self
    }
}

/// A file that takes no part.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct Ignored {
    /// Path inside the delivery.
    pub path: String,
    /// Why it takes no part.
    pub why: String,
}

/// An audio file as its header describes it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct FileFacts {
    /// Path inside the delivery, with `/`.
    pub path: String,
    /// Size in bytes.
    pub bytes: u64,
    /// The format, or why the file cannot be used.
    pub format: Result<FormatFacts, Unusable>,
    /// Whether nothing of it is read, not even for its digest: a link that is not followed.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub unread: bool,
}

/// Why a file cannot be used: what is wrong with its header and what to do, in the words that are shown.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(transparent)]
pub struct Unusable(pub String);

/// The format of an audio file.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct FormatFacts {
    /// Container, by content.
    pub container: String,
    /// Codec, by its name.
    pub codec: String,
    /// Sampling rate in Hz.
    pub rate_hz: u32,
    /// Channel count.
    pub channels: u16,
    /// Valid bits a sample.
    pub bits: u16,
    /// Whether the samples are floating point.
    pub float: bool,
    /// Whether the codec is lossy.
    pub lossy: bool,
    /// Speaker mask, where the file states one.
    pub channel_mask: Option<u32>,
    /// Frames by the header, where it says.
    pub frames: Option<u64>,
    /// Frames since midnight of the first frame, at the file's own rate (EBU Tech 3285 `TimeReference`).
    pub timestamp_frames: Option<u64>,
    /// Its markers that have a name.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub markers: Vec<MarkerFacts>,
    /// Header fields that were wrong, and what was used instead.
    pub repairs: Vec<String>,
}

impl FormatFacts {
    /// Whether the samples stand in the file as they are.
    pub fn is_pcm(&self) -> bool {
        codec::is_pcm(&self.codec)
    }

    /// Whether the codec is MPEG audio layer III.
    pub fn is_mp3(&self) -> bool {
        self.codec == codec::MP3
    }
}

/// A named marker of a file.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct MarkerFacts {
    /// Frame of the file.
    pub frame: u64,
    /// Its name.
    pub name: String,
}

/// Everything that one read of one stem has measured.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Survey {
    /// Path inside the delivery.
    pub path: String,
    /// Size in bytes.
    pub bytes: u64,
    /// SHA-256 of the file, in hex; empty when the file could not be read.
    pub sha256: String,
    /// The format; `None` when the file cannot be used at all.
    pub format: Option<FormatFacts>,
    /// The measures, or why there are none.
    pub measures: Result<Measures, Failure>,
}

/// Why a stem cannot be used.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Failure {
    /// What is wrong and what to do.
    pub text: String,
    /// The same as a finding.
    pub finding: Box<Finding>,
}

/// Samples between two values.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize)]
pub struct Range {
    /// The least.
    pub min: f64,
    /// The greatest.
    pub max: f64,
}

impl Range {
    /// The larger magnitude.
    pub fn peak(self) -> f64 {
        self.max.max(-self.min).max(0.0)
    }
}

/// What was measured on the whole of a stem. Levels are amplitudes (1.0 is full scale) unless the name says dB.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Measures {
    /// Frames that were decoded, at the source's rate.
    pub source_frames: u64,
    /// Sample peak at the source's rate.
    pub source_peak: f64,
    /// The rate that the stem will have, for which the peaks of `channels` hold.
    pub target_hz: u32,
    /// Frames at that rate.
    pub target_frames: u64,
    /// The offset of each channel that was taken away before anything else, where the rate will be converted; empty where none
    /// was.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub subtracted: Vec<f64>,
    /// The fraction of a frame at which the converted sound will begin, as `loadin_audio::starting_phase` counts it.
    #[serde(default, skip_serializing_if = "is_zero")]
    pub phase: i64,
    /// Every channel.
    pub channels: Vec<ChannelMeasures>,
    /// Two-channel stems: how the channels relate, at the source's rate.
    pub relation: Option<RelationFacts>,
    /// Runs of equal samples at the ceiling, at the source's rate.
    pub clips: Vec<ClipFacts>,
    /// Samples above full scale, at the source's rate.
    pub over_full_scale: u64,
    /// Samples that no export makes, at the source's rate.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub beyond: Option<BeyondFacts>,
    /// Frames that are not digital silence, at the source's rate.
    pub active_frames: u64,
    /// Integrated loudness (ITU-R BS.1770) in LUFS, where it was asked for and where there is any.
    pub loudness_lufs: Option<f64>,
    /// A digest of the decoded samples: equal for equal audio, whatever the container.
    pub content: String,
    /// Audio that is missing from the file.
    pub damage: Vec<DamageFacts>,
    /// Minimum, maximum, sum and sum of squares per window, at the source's rate; where it is loudest, it reaches the peaks that
    /// it will have.
    pub envelope: EnvelopeFacts,
}

impl Measures {
    /// What a stem is in which nothing sounds, as a noun; `None` where something does. Floats that are too small for any
    /// integer are no digital silence, and no sound either.
    pub fn silence(&self) -> Option<String> {
        let peak = self.source_peak;
        (self.active_frames == 0).then(|| match peak {
            0.0 => "digital silence from start to end".to_owned(),
            _ => format!(
                "no sound but numbers next to nothing: the largest sample is {peak:e} ({:.0} dBFS), below the last step of 32 bits",
                Decibels::from_ratio(peak).0
            ),
        })
    }
}

/// What was measured on one channel. Its peaks are those that it will have at the target rate.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ChannelMeasures {
    /// Samples.
    pub sample: Range,
    /// The oversampled signal.
    pub true_peak: Range,
    /// What shows whether it has an offset.
    pub offset: OffsetFacts,
}

/// What shows whether a channel has an offset, measured on the source at its own rate. Levels are amplitudes with their
/// sign; digital silence has no say.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize)]
pub struct OffsetFacts {
    /// Mean of all that sounds.
    pub mean: f64,
    /// Level of the quietest stretches.
    pub level: f64,
    /// 10th to 90th percentile of that level along the file.
    pub spread: f64,
    /// How far the quietest stretches swing around it.
    pub swing: f64,
    /// How far the louder stretches lean to one side, as a part of their swing.
    pub lean: f64,
    /// Whether there is a stretch of a tenth of a second to judge by.
    pub certain: bool,
    /// The samples beside digital silence and the ends of the file.
    pub edges: Range,
    /// The lowest peak of a quarter of a millisecond there.
    pub least_edge: f64,
    /// Samples of digital silence.
    pub silent: u64,
}

/// How the two channels of a stem relate; every figure holds for the whole file.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct RelationFacts {
    /// Greatest |L − R|.
    pub max_difference: f64,
    /// Worst |L − R| of a block relative to the block's peak, where it exceeds one step of the source.
    pub worst_difference_ratio: f64,
    /// Greatest |L + R|.
    pub max_sum: f64,
    /// Worst |L + R| of a block relative to the block's peak, where it exceeds one step of the source.
    pub worst_sum_ratio: f64,
    /// Correlation, −1 to 1.
    pub correlation: Option<f64>,
    /// RMS of (L − R) / 2 relative to RMS of (L + R) / 2, as a ratio.
    pub side_to_mid: Option<f64>,
}

/// Clipped runs of one channel.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ClipFacts {
    /// Channel, from 0.
    pub channel: usize,
    /// The value at which the runs stand.
    pub ceiling: f64,
    /// Number of runs of three equal samples or more.
    pub runs: u64,
    /// Samples in them.
    pub samples: u64,
    /// Length of the longest.
    pub longest: u64,
    /// Source frame of the first.
    pub first_frame: u64,
}

/// Samples that no export makes: damage.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct BeyondFacts {
    /// How many, over all channels.
    pub samples: u64,
    /// Source frame of the first.
    pub first_frame: u64,
    /// Its channel, from 0.
    pub channel: usize,
    /// Its value; 1.0 is full scale.
    pub value: f64,
}

impl BeyondFacts {
    /// Where it is, what it is, and why that is damage.
    pub fn sentence(&self) -> String {
        format!(
            "sample {} of channel {} is {:e} ({:+.1} dBFS), and no export makes samples above {:+.0} dBFS: a flipped bit, or \
             integers that nobody has scaled ({} such samples)",
            self.first_frame,
            self.channel + 1,
            self.value,
            Decibels::from_ratio(self.value).0,
            Decibels::from_ratio(loadin_audio::BEYOND).0,
            self.samples
        )
    }
}

/// Audio that is missing from a file.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct DamageFacts {
    /// First source frame that is missing.
    pub start_frame: u64,
    /// How many frames.
    pub frames: u64,
    /// What was wrong.
    pub cause: String,
}

/// The envelope of a stem at the source's rate: one value a window and channel.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct EnvelopeFacts {
    /// The source's rate in Hz.
    pub rate_hz: u32,
    /// Frames of a window; the last one may be shorter.
    pub window_frames: u64,
    /// Frames of the stem.
    pub frames: u64,
    /// Every channel.
    pub channels: Vec<EnvelopeChannel>,
}

impl EnvelopeFacts {
    /// Length of a window in seconds.
    pub fn window_seconds(&self) -> f64 {
        self.window_frames as f64 / f64::from(self.rate_hz.max(1))
    }
}

/// The envelope of one channel; minimum and maximum are rounded outward.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct EnvelopeChannel {
    /// Least sample of each window.
    pub min: Vec<f32>,
    /// Greatest sample of each window.
    pub max: Vec<f32>,
    /// Sum of the samples of each window.
    pub sum: Vec<f32>,
    /// Sum of their squares.
    pub sum_sq: Vec<f32>,
}

/// What a survey shall measure.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Scope {
    /// The rate that the stem will have, for which its peaks are measured.
    pub target_hz: u32,
    /// Whether integrated loudness is measured.
    pub loudness: bool,
    /// The offset of each channel that is taken away before the rate is converted; empty where none is.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub subtract: Vec<f64>,
    /// The fraction of a frame at which the converted sound begins, as `loadin_audio::starting_phase` counts it.
    #[serde(default, skip_serializing_if = "is_zero")]
    pub phase: i64,
}

#[expect(clippy::trivially_copy_pass_by_ref, reason = "serde asks with a reference")]
fn is_zero(phase: &i64) -> bool {
    *phase == 0
}
