//! The plan: all decisions of a delivery as a value. It knows no survey and no draft; `planning` makes it.

use std::collections::BTreeMap;

use loadin_record::evidence::Proposal;
use loadin_record::finding::Finding;
use loadin_record::identity::Identity;
use loadin_record::layout::AUDIO;
use loadin_record::link::Link;
use loadin_record::manifest::Change;
use loadin_record::role::StemRole;
use loadin_record::written::Measured;
use serde::{Deserialize, Serialize};

use crate::shape::{Fate, OutputPlan, PlannedMarker, Shape, SourcePlan};
use crate::stages::{Decision, dc_removal, re_encode, resample};

/// All decisions of a delivery: pure data, printable, replayable.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Plan {
    /// The delivery's name.
    pub delivery: String,
    /// What the linked stems share.
    pub link: Link,
    /// Every stem, in the order of the outputs; stems without an output come last, by path.
    pub stems: Vec<StemPlan>,
    /// What was noticed about the delivery as a whole.
    pub findings: Vec<Finding>,
    /// By the paths of now, those by which the answers may speak of stems whose files have moved.
    #[serde(default, skip_serializing_if = "BTreeMap::is_empty")]
    pub said_as: BTreeMap<String, String>,
}

/// What will become of one stem.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct StemPlan {
    /// Paths of the sources inside the delivery: one, or left and right.
    pub sources: Vec<SourcePlan>,
    /// `stem` or `reference`.
    pub role: StemRole,
    /// The group's name.
    pub group: String,
    /// Who it is, as its name says it.
    #[serde(default)]
    pub identity: Identity,
    /// What the engineer has corrected by hand, by the keys of the answers, in words.
    #[serde(default)]
    pub corrected: BTreeMap<String, String>,
    /// What it sounds like, where its name says nothing.
    #[serde(default)]
    pub proposal: Option<Proposal>,
    /// What happens to the stem.
    pub fate: Fate,
    /// The decisions, in recipe order.
    pub decisions: Vec<Decision>,
    /// What was noticed.
    pub findings: Vec<Finding>,
    /// What the output will be; meaningful for rendered stems.
    pub output: OutputPlan,
}

impl Plan {
    /// The stems that are rendered, in the order of the outputs.
    pub fn rendered(&self) -> impl Iterator<Item = &StemPlan> {
        self.stems.iter().filter(|stem| stem.is_rendered())
    }
}

impl StemPlan {
    /// Path of the first source.
    pub fn path(&self) -> &str {
        &self.sources[0].path
    }

    /// Frames of the longest of its sources.
    pub fn source_frames(&self) -> u64 {
        self.sources.iter().map(|source| source.frames).max().unwrap_or(0)
    }

    /// Its sources and its output: what its decisions have to know of it.
    pub fn shape(&self) -> Shape<'_> {
        Shape { sources: &self.sources, output: &self.output }
    }

    /// The constants that are subtracted from the channels of all sources together before the rate is converted, whichever
    /// stage stands first: at the new rate, what rings around the steps of an offset could not be taken away any more.
    /// `None` where no rate is converted, or no constant subtracted.
    pub fn offsets(&self) -> Option<Vec<f64>> {
        let converted =
            |decision: &Decision| matches!(decision, Decision::Resample(resample::Decision::Convert { .. }));
        self.decisions.iter().find(|decision| converted(decision))?;
        let channels = self.shape().source_channels();
        let mut kept: Vec<usize> = (0..channels).collect();
        for decision in &self.decisions {
            match decision {
                Decision::ChannelFix(fix) => kept = fix.kept(channels),
                Decision::DcRemoval(dc_removal::Decision::Subtract { constants, .. }) => {
                    let mut all = vec![0.0; channels];
                    kept.iter().zip(constants).for_each(|(&channel, constant)| all[channel] = *constant);
                    return Some(all);
                }
                _ => {}
            }
        }
        None
    }

    /// Path of its output inside the output folder.
    pub fn output_path(&self) -> String {
        format!("{AUDIO}/{}.{}", self.output.name(), self.container().extension())
    }

    /// What is written in the manifest of a decision's change, with what was measured after the act; nothing for a decision
    /// that changes nothing.
    pub fn changes(&self, measured: &Measured) -> Vec<Change> {
        self.decisions.iter().filter_map(|decision| decision.change(self.shape(), measured)).collect()
    }

    /// Whether the stem is rendered.
    pub fn is_rendered(&self) -> bool {
        self.fate == Fate::Render
    }

    /// Whether nothing is prepared of it, and nobody has said that this is meant so.
    pub fn is_missed(&self) -> bool {
        let meant = self.corrected.contains_key("leave-out")
            || self.findings.iter().any(|f| f.answer.as_ref().is_some_and(|answer| answer.accepts));
        match self.fate {
            Fate::Render => false,
            Fate::SetAside { .. } => !meant,
            Fate::Fail { .. } => true,
        }
    }

    /// Bytes that the output's samples take.
    pub fn output_bytes(&self) -> u64 {
        let sample = self.write().map_or(0, |(_, storage, _)| storage.kind().bytes() as u64);
        self.output.frames.saturating_mul(u64::from(self.output.channels) * sample)
    }

    /// What is expected to be measured when it is written, for showing changes before they are made.
    pub fn expected(&self) -> Measured {
        Measured { frames: self.output.frames, peak: self.output.peak, ..Measured::default() }
    }

    /// Whether the output has the source's own depth.
    pub fn keeps_depth(&self) -> bool {
        self.decisions.iter().any(|decision| {
            matches!(decision, Decision::ReEncode(re_encode::Decision::Write { exact: true, storage, from, .. })
                if storage.as_str() == from)
        })
    }

    /// The container of the output.
    pub fn container(&self) -> re_encode::OutputContainer {
        self.write().map_or(re_encode::OutputContainer::Bwf, |(container, ..)| container)
    }

    /// The stated markers that its output gets.
    pub fn markers(&self) -> &[PlannedMarker] {
        let written = self.decisions.iter().find_map(|decision| match decision {
            Decision::ReEncode(re_encode::Decision::Write { markers, .. }) => Some(&markers[..]),
            _ => None,
        });
        written.unwrap_or_default()
    }

    /// How the output is stored: container, samples, and whether dither is added.
    pub fn write(&self) -> Option<(re_encode::OutputContainer, re_encode::SampleFormat, bool)> {
        self.decisions.iter().find_map(|decision| match decision {
            Decision::ReEncode(re_encode::Decision::Write { container, storage, dither, .. }) => {
                Some((*container, *storage, *dither))
            }
            _ => None,
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::planning::Planned;
    use crate::recipe::Recipe;
    use crate::stages::re_encode::{OutputContainer, SampleFormat};
    use crate::testing::{self, Beside, Stem, planned, stem};

    /// The plan of one stem whose output is written by these settings.
    fn one(re_encode: &str, stem: Stem) -> StemPlan {
        let text = testing::recipe("").text + re_encode;
        let Planned { mut plan, .. } = planned(&Recipe::parse(&text).unwrap(), [stem], &Beside::default());
        plan.stems.remove(0)
    }

    #[test]
    fn an_output_has_a_place_a_container_and_a_size() {
        let rows = [
            ("", "audio/01_Bass.wav", OutputContainer::Bwf, SampleFormat::I24, 3 * 192_000),
            (
                "container = \"aiff\"\ndepth = \"64-bit float\"",
                "audio/01_Bass.aif",
                OutputContainer::Aiff,
                SampleFormat::F64,
                8 * 192_000,
            ),
            (
                "container = \"caf\"\ndepth = \"16-bit\"",
                "audio/01_Bass.caf",
                OutputContainer::Caf,
                SampleFormat::I16,
                2 * 192_000,
            ),
        ];
        for (settings, path, container, storage, bytes) in rows {
            for channels in [1, 2] {
                let stem = one(settings, stem("Bass.wav").channels(&vec![0.5; channels]));
                assert_eq!((stem.output_path().as_str(), stem.container()), (path, container));
                assert_eq!(stem.write(), Some((container, storage, storage == SampleFormat::I16)));
                assert_eq!(stem.output_bytes(), bytes * channels as u64, "{path}");
                assert!(stem.is_rendered() && stem.markers().is_empty());
            }
        }
    }

    #[test]
    fn a_stem_that_is_not_written_has_no_size_and_changes_nothing() {
        let stem = one("container = \"caf\"", stem("Bass.wav").silent());
        assert_eq!((stem.write(), stem.output_bytes(), stem.container()), (None, 0, OutputContainer::Bwf));
        assert!(!stem.is_rendered() && !stem.keeps_depth() && stem.markers().is_empty());
        assert_eq!(stem.changes(&stem.expected()), []);
    }

    #[test]
    fn the_depth_is_kept_where_storage_and_source_have_one_word_for_it_and_no_sample_changes() {
        let source = |bits: u16, float: bool| {
            stem("Bass.wav").with_format(|format| (format.bits, format.float) = (bits, float))
        };
        for (settings, bits, float, kept) in [
            ("", 24, false, true),
            ("", 16, false, false),
            ("", 32, true, false),
            ("depth = \"32-bit float\"", 32, true, true),
            ("depth = \"32-bit float\"", 64, true, false),
            ("depth = \"source\"", 20, false, false),
            ("depth = \"source\"", 16, false, true),
        ] {
            assert_eq!(one(settings, source(bits, float)).keeps_depth(), kept, "{settings} {bits} {float}");
        }
    }

    #[test]
    fn changes_come_in_the_order_of_the_stages_and_only_where_something_changes() {
        let stem = one("depth = \"16-bit\"", stem("a/Bass.wav"));
        let stages: Vec<String> = stem.changes(&stem.expected()).into_iter().map(|c| c.stage).collect();
        assert_eq!(stages, ["label", "re-encode"]);
        assert_eq!(stem.expected(), Measured { frames: 192_000, peak: 0.5, ..Measured::default() });
        assert_eq!(stem.shape().source_channels(), 1);
        let value = serde_json::to_value(&stem).unwrap();
        assert_eq!(serde_json::from_value::<StemPlan>(value).unwrap(), stem);
    }
}
