//! What goes into a stem and what comes out of it: the values that draft, stages and plan share. It knows no decision.

use loadin_record::path_below::{folder_or_none, name_or_none};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// One source of a stem, with what the render must find again.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct SourcePlan {
    /// Path inside the delivery.
    pub path: String,
    /// SHA-256 of the file; a render of other bytes fails.
    pub sha256: String,
    /// Channel count.
    pub channels: u16,
    /// Frames.
    pub frames: u64,
    /// Rate in Hz.
    pub rate_hz: u32,
}

/// The output of one stem as promised.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct OutputPlan {
    /// Name without extension.
    #[serde(deserialize_with = "name_or_none")]
    pub label: String,
    /// Folder of its group below `audio/`; empty where there is none.
    #[serde(default, deserialize_with = "folder_or_none")]
    pub folder: String,
    /// Rate in Hz.
    pub rate_hz: u32,
    /// Channel count.
    pub channels: u16,
    /// Frames.
    pub frames: u64,
    /// Expected sample peak, as an amplitude.
    pub peak: f64,
    /// Expected true peak, as an amplitude.
    pub true_peak: f64,
    /// Output frame 0 is this frame of the source's time line at the output rate; negative where silence was added.
    pub shift_frames: i64,
    /// By how many output frames the stem stands later than its time stamp says; nothing where it stands just there.
    #[serde(default)]
    pub place_error_frames: Option<f64>,
    /// The fraction of a frame at which a converted stem begins, as `loadin_audio::starting_phase` counts it: by so much its
    /// first frame stands later than the first source frame.
    #[serde(default)]
    pub phase: i64,
    /// Time stamp of output frame 0, in frames since midnight.
    pub timestamp_frames: u64,
    /// Speaker mask of the output, where the source's still holds.
    pub channel_mask: Option<u32>,
}

impl OutputPlan {
    /// Folder and label: `02_Drums/03_Snare`.
    pub fn name(&self) -> String {
        if self.folder.is_empty() { self.label.clone() } else { format!("{}/{}", self.folder, self.label) }
    }
}

/// Whether a stem is rendered.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(tag = "do", rename_all = "kebab-case")]
pub enum Fate {
    /// It is prepared.
    Render,
    /// It is left out.
    SetAside {
        /// Why.
        why: String,
    },
    /// It cannot be prepared.
    Fail {
        /// What is wrong.
        why: String,
    },
}

impl Fate {
    /// Why it is not prepared.
    pub fn why(&self) -> Option<&str> {
        match self {
            Self::Render => None,
            Self::SetAside { why } | Self::Fail { why } => Some(why),
        }
    }
}

/// A marker that is written into an output.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct PlannedMarker {
    /// Frame of the output.
    pub frame: u64,
    /// Its name.
    pub name: String,
}

/// What a decision has to know of its stem to be carried out.
#[derive(Debug, Clone, Copy)]
pub struct Shape<'a> {
    /// One source, or left and right.
    pub sources: &'a [SourcePlan],
    /// What the output will be.
    pub output: &'a OutputPlan,
}

impl Shape<'_> {
    /// The rate of the sources in Hz; the output's where there is none.
    pub fn source_rate_hz(self) -> u32 {
        self.sources.first().map_or(self.output.rate_hz, |source| source.rate_hz)
    }

    /// Channels of all sources together.
    pub fn source_channels(self) -> usize {
        self.sources.iter().map(|source| usize::from(source.channels)).sum()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_output_is_named_with_its_folder_where_it_has_one() {
        let output = |folder: &str| OutputPlan {
            label: "03_Snare".to_owned(),
            folder: folder.to_owned(),
            ..OutputPlan::default()
        };
        assert_eq!(output("").name(), "03_Snare");
        assert_eq!(output("02_Drums").name(), "02_Drums/03_Snare");
    }

    #[test]
    fn the_channels_of_all_sources_come_in_together() {
        let source = |channels: u16| SourcePlan {
            path: String::new(),
            sha256: String::new(),
            channels,
            frames: 9,
            rate_hz: 48_000,
        };
        let output = &OutputPlan::default();
        for (sources, count) in [(vec![], 0), (vec![source(6)], 6), (vec![source(1), source(1)], 2)] {
            assert_eq!(Shape { sources: &sources, output }.source_channels(), count);
        }
    }
}
