//! # dc-removal
//!
//! *What it does:* subtracts one constant a channel; never a filter, so no phase and no bass is touched.
//! *Reads:* the mean of the sounding parts and how steady it is. *Decides:* subtract or leave.
//! *Changes:* sounding frames; stretches of digital silence stay digital silence.
//! *Settings:* `threshold`.
//! *Sources:* no public norm exists for the threshold; -60 dBFS is common practice, no source.

use loadin_audio::{Block, DcRemover, Decibels};
use loadin_record::manifest::Change;
use loadin_record::survey::ChannelMeasures;
use loadin_record::written::Measured;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::draft::Draft;
use crate::shape::Shape;
use crate::stages::stage::{NOT_RENDERED, Processor};
use crate::values::Level;

/// Settings of `dc-removal`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case", deny_unknown_fields, default)]
pub struct Settings {
    /// An offset above this level is removed where it is steady.
    pub threshold: Level,
}

impl Default for Settings {
    fn default() -> Self {
        Self { threshold: Level(-60.0) }
    }
}

/// Decision of `dc-removal`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(tag = "do", rename_all = "kebab-case")]
pub enum Decision {
    /// The offset stays.
    Leave {
        /// Why.
        why: String,
    },
    /// One constant a channel is subtracted.
    Subtract {
        /// The constants, as amplitudes.
        constants: Vec<f64>,
        /// Why.
        why: String,
    },
}

/// How an offset behaves along the file.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Steadiness {
    /// The same from start to end.
    Steady,
    /// It changes, or it comes and goes.
    Drifting,
    /// There is too little sound to tell.
    Unknown,
}

/// Judges an offset: steady when 80 % of the smoothed means lie within half of the mean, around the mean.
pub fn steadiness(channel: &ChannelMeasures) -> Steadiness {
    if !channel.mean_certain {
        return Steadiness::Unknown;
    }
    let half = channel.mean.abs() * 0.5;
    if channel.mean_spread <= half && (channel.mean_median - channel.mean).abs() <= half {
        Steadiness::Steady
    } else {
        Steadiness::Drifting
    }
}

/// Decides for every stem which constants are subtracted.
pub fn decide(settings: &[Settings], draft: &mut Draft<'_>) -> Vec<Decision> {
    draft
        .stems
        .iter_mut()
        .zip(settings)
        .map(|(stem, settings)| {
            if !stem.is_active() {
                return Decision::Leave { why: NOT_RENDERED.to_owned() };
            }
            let threshold = settings.threshold.amplitude();
            let offsets: Vec<(f64, Steadiness)> = stem
                .channels
                .iter()
                .map(|channel| {
                    let measured = &stem.measures(channel.source).channels[channel.channel];
                    (measured.mean * channel.scale, steadiness(measured))
                })
                .collect();
            let over = |offset: f64| offset.abs() > threshold;
            if !offsets.iter().any(|&(offset, _)| over(offset)) {
                return Decision::Leave { why: format!("no offset above {}", settings.threshold) };
            }
            if offsets.iter().any(|&(offset, steady)| over(offset) && steady != Steadiness::Steady) {
                return Decision::Leave { why: "the offset is not proven to be steady".to_owned() };
            }
            let constants: Vec<f64> = offsets.iter().map(|&(o, _)| if over(o) { o } else { 0.0 }).collect();
            for (channel, constant) in stem.channels.iter_mut().zip(&constants) {
                channel.shift -= constant;
            }
            stem.touch();
            Decision::Subtract { constants, why: format!("a steady offset above {}", settings.threshold) }
        })
        .collect()
}

impl Processor for DcRemover {
    fn process(&mut self, block: &mut Block) {
        DcRemover::process(self, block);
    }

    fn finish(&mut self, block: &mut Block) {
        DcRemover::finish(self, block);
    }
}

/// The subtraction.
pub fn processor(decision: &Decision, shape: Shape<'_>) -> Option<Box<dyn Processor>> {
    match decision {
        Decision::Leave { .. } => None,
        Decision::Subtract { constants, .. } => {
            Some(Box::new(DcRemover::new(constants.clone(), shape.output.rate_hz)))
        }
    }
}

/// The change of offset.
pub fn change(decision: &Decision, _: Shape<'_>, _: &Measured) -> Option<Change> {
    match decision {
        Decision::Leave { .. } => None,
        Decision::Subtract { constants, why } => {
            let largest =
                constants.iter().fold(0.0f64, |most, c| if c.abs() > most.abs() { *c } else { most });
            let level = loadin_record::finding::rounded(Decibels::from_ratio(largest).0, 2);
            let change = Change::new("dc-removal", "offset", level, serde_json::Value::Null, "dBFS", why);
            Some(change.with("constants", constants.clone()))
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::draft::DraftStem;
    use crate::shape::{Fate, OutputPlan};
    use crate::testing::{Stem, decide_by, join_first_two, processed, recipe, stem, with_draft};

    fn settings(text: &str) -> Settings {
        toml::from_str(text).unwrap()
    }

    /// The decisions by these settings, one text for all stems or one a stem. That the channels follow them, and that
    /// nothing else of the draft changes, is checked on the way.
    fn decided(texts: &[&str], draft: &mut Draft<'_>) -> Vec<Decision> {
        let (before, decisions) = decide_by(texts, draft, decide);
        for ((decision, before), stem) in decisions.iter().zip(before).zip(&draft.stems) {
            let wanted = match decision {
                Decision::Leave { .. } => before,
                Decision::Subtract { constants, .. } => {
                    let mut channels = before.channels.clone();
                    channels.iter_mut().zip(constants).for_each(|(channel, c)| channel.shift -= c);
                    DraftStem { channels, grid_bits: None, untouched: false, ..before }
                }
            };
            assert_eq!(format!("{stem:?}"), format!("{wanted:?}"));
        }
        decisions
    }

    fn check(text: &str, stem: Stem) -> Decision {
        with_draft(&recipe(""), [stem], |draft| decided(&[text], draft).remove(0))
    }

    fn left(why: &str) -> Decision {
        Decision::Leave { why: why.to_owned() }
    }

    fn subtract(constants: &[f64], why: &str) -> Decision {
        Decision::Subtract { constants: constants.to_vec(), why: why.to_owned() }
    }

    /// A stem with these steady offsets, one a channel.
    fn offsets(path: &str, means: &[f64]) -> Stem {
        stem(path).channels(&vec![0.5; means.len()]).with(|measures| {
            for (channel, &mean) in measures.channels.iter_mut().zip(means) {
                (channel.mean, channel.mean_median) = (mean, mean);
            }
        })
    }

    const STEADY: &str = "a steady offset above -60 dBFS";
    const NONE: &str = "no offset above -60 dBFS";
    const DOUBTFUL: &str = "the offset is not proven to be steady";

    /// -60 dBFS: common practice, no source.
    #[test]
    fn without_settings_offsets_above_a_thousandth_of_full_scale_are_removed() {
        assert_eq!(settings(""), Settings::default());
        assert_eq!(settings("threshold = \"-60 dBFS\""), Settings { threshold: Level(-60.0) });
        assert_eq!(Settings::default().threshold, Level(-60.0));
    }

    #[test]
    fn thresholds_that_cannot_be_are_refused_with_what_can() {
        for text in ["\"1 dBFS\"", "\"-201 dBFS\"", "\"-60 dB\"", "\"-60\""] {
            let message = toml::from_str::<Settings>(&format!("threshold = {text}")).unwrap_err().to_string();
            assert!(message.contains("such as \"-90 dBFS\""), "{message}");
        }
        assert_eq!(settings("threshold = \"0 dBFS\"").threshold, Level(0.0));
        assert_eq!(settings("threshold = \"-200 dBFS\"").threshold, Level(-200.0));
        let message = toml::from_str::<Settings>("filter = true").unwrap_err().to_string();
        assert!(message.contains("expected `threshold`"), "{message}");
    }

    #[test]
    fn an_offset_is_removed_above_the_threshold_and_left_at_it() {
        for (text, db) in [("", -60.0), ("threshold = \"-40 dBFS\"", -40.0)] {
            let limit = Decibels(db).ratio();
            let none = format!("no offset above {db} dBFS");
            let steady = format!("a steady offset above {db} dBFS");
            for sign in [1.0, -1.0] {
                for (mean, decision) in [
                    (0.0, left(&none)),
                    (limit.next_down(), left(&none)),
                    (limit, left(&none)),
                    (limit.next_up(), subtract(&[sign * limit.next_up()], &steady)),
                ] {
                    assert_eq!(check(text, offsets("a.wav", &[sign * mean])), decision, "{text} {mean}");
                }
            }
        }
    }

    #[test]
    fn an_offset_is_steady_while_its_means_stay_within_half_of_it() {
        for mean in [0.01, -0.01] {
            let half = 0.005;
            for (median, spread, certain, wanted) in [
                (mean, 0.0, true, Steadiness::Steady),
                (mean, half, true, Steadiness::Steady),
                (mean, f64::next_up(half), true, Steadiness::Drifting),
                (1.499 * mean, 0.0, true, Steadiness::Steady),
                (1.501 * mean, 0.0, true, Steadiness::Drifting),
                (0.5 * mean, 0.0, true, Steadiness::Steady),
                (0.499 * mean, 0.0, true, Steadiness::Drifting),
                (-mean, half, true, Steadiness::Drifting),
                (mean, 0.0, false, Steadiness::Unknown),
                (mean, 1.0, false, Steadiness::Unknown),
            ] {
                let survey = offsets("a.wav", &[mean]).survey();
                let channel = ChannelMeasures {
                    mean_median: median,
                    mean_spread: spread,
                    mean_certain: certain,
                    ..survey.measures.unwrap().channels[0]
                };
                assert_eq!(steadiness(&channel), wanted, "{median} {spread} {certain}");
                let decision =
                    check("", offsets("a.wav", &[mean]).with(|measures| measures.channels = vec![channel]));
                let steady = wanted == Steadiness::Steady;
                let wanted = if steady { subtract(&[mean], STEADY) } else { left(DOUBTFUL) };
                assert_eq!(decision, wanted, "{median} {spread} {certain}");
            }
        }
    }

    #[test]
    fn each_channel_has_its_own_constant_and_one_in_doubt_keeps_all() {
        let drifting = |means: &[f64], channel: usize| {
            offsets("a.wav", means).with(|measures| measures.channels[channel].mean_spread = 1.0)
        };
        for (stem, decision) in [
            (offsets("a.wav", &[0.01, -0.02]), subtract(&[0.01, -0.02], STEADY)),
            (offsets("a.wav", &[0.01, 0.0005]), subtract(&[0.01, 0.0], STEADY)),
            (offsets("a.wav", &[-0.0005, 0.01]), subtract(&[0.0, 0.01], STEADY)),
            (offsets("a.wav", &[0.0005, 0.0005]), left(NONE)),
            (drifting(&[0.01, -0.02], 1), left(DOUBTFUL)),
            (drifting(&[0.01, -0.02], 0), left(DOUBTFUL)),
            // What lies below the threshold may drift as it likes.
            (drifting(&[0.01, 0.0005], 1), subtract(&[0.01, 0.0], STEADY)),
            (drifting(&[0.0005, 0.0005], 1), left(NONE)),
        ] {
            assert_eq!(check("", stem), decision);
        }
    }

    #[test]
    fn an_offset_counts_as_loud_as_it_has_become() {
        for (scale, mean, decision) in [
            (2.0, 0.0005, left(NONE)),
            (2.0, 0.0006, subtract(&[0.0012], STEADY)),
            (-2.0, 0.0006, subtract(&[-0.0012], STEADY)),
            (0.5, 0.0015, left(NONE)),
        ] {
            with_draft(&recipe(""), [offsets("a.wav", &[mean])], |draft| {
                (draft.stems[0].channels[0].scale, draft.stems[0].channels[0].shift) = (scale, 0.25);
                assert_eq!(decided(&[""], draft), [decision], "{scale} {mean}");
            });
        }
    }

    #[test]
    fn a_channel_is_judged_by_what_was_measured_of_it() {
        with_draft(&recipe(""), [offsets("a.wav", &[0.01, 0.02])], |draft| {
            draft.stems[0].channels.remove(0);
            assert_eq!(decided(&[""], draft), [subtract(&[0.02], STEADY)]);
        });
        with_draft(&recipe(""), [offsets("a L.wav", &[0.01]), offsets("a R.wav", &[0.02])], |draft| {
            join_first_two(draft);
            assert_eq!(decided(&[""], draft), [subtract(&[0.01, 0.02], STEADY)]);
        });
    }

    #[test]
    fn every_stem_has_its_own_threshold() {
        let stems = ["a.wav", "b.wav"].map(|path| offsets(path, &[0.005]));
        with_draft(&recipe(""), stems, |draft| {
            let decisions = decided(&["threshold = \"-40 dBFS\"", ""], draft);
            assert_eq!(decisions, [left("no offset above -40 dBFS"), subtract(&[0.005], STEADY)]);
        });
    }

    #[test]
    fn a_stem_that_is_not_rendered_is_left() {
        for fate in [Fate::SetAside { why: "x".to_owned() }, Fate::Fail { why: "x".to_owned() }] {
            with_draft(&recipe(""), [offsets("a.wav", &[0.01])], |draft| {
                draft.stems[0].fate = fate;
                assert_eq!(decided(&[""], draft), [left("the stem is not rendered")]);
            });
        }
    }

    #[test]
    fn the_constants_are_subtracted_and_ten_milliseconds_of_silence_stay_silent() {
        // 10 ms are 480 frames at 48 kHz and 441 at 44.1 kHz (arithmetic).
        for (rate_hz, shortest) in [(48_000, 480), (44_100, 441)] {
            let output = OutputPlan { rate_hz, ..OutputPlan::default() };
            let shape = Shape { sources: &[], output: &output };
            for (frames, silent) in [(shortest - 1, false), (shortest, true)] {
                // Silence stands between two sounding frames and after them.
                let channel = |sample: f64| {
                    let mut samples = vec![0.0; 2 * frames + 2];
                    (samples[0], samples[frames + 1]) = (sample, sample);
                    samples
                };
                let decision = subtract(&[0.25, -0.125], STEADY);
                let processor = processor(&decision, shape).unwrap();
                let given = processed(processor, &[channel(0.5), channel(-0.5)], 100);
                for (channel, constant, sounding) in [(0, 0.25, 0.25), (1, -0.125, -0.375)] {
                    let mut wanted = vec![if silent { 0.0 } else { -constant }; 2 * frames + 2];
                    (wanted[0], wanted[frames + 1]) = (sounding, sounding);
                    assert!(given[channel] == wanted, "channel {channel}, {frames} frames of silence");
                }
            }
            assert!(processor(&left(NONE), shape).is_none());
        }
    }

    #[test]
    fn the_change_gives_the_largest_offset_in_decibels_and_every_constant() {
        let output = OutputPlan::default();
        let shape = Shape { sources: &[], output: &output };
        // 20 · log10 of the largest magnitude, with two decimals (arithmetic).
        for (constants, level) in [
            (vec![0.01], -40.0),
            (vec![0.0, -0.002], -53.98),
            (vec![-0.02, 0.01], -33.98),
            (vec![0.01, -0.02, 0.0], -33.98),
        ] {
            let wanted = Change::new("dc-removal", "offset", level, serde_json::Value::Null, "dBFS", STEADY)
                .with("constants", constants.clone());
            let found = change(&subtract(&constants, STEADY), shape, &Measured::default());
            assert_eq!(found, Some(wanted));
        }
        assert_eq!(change(&left(NONE), shape, &Measured::default()), None);
    }
}
