//! # resample
//!
//! *What it does:* brings a stem to the target rate, linear phase, first and last frame in place.
//! *Reads:* the rates. *Decides:* the target rate. *Changes:* the sound's rate and length.
//! *Settings:* `rate`.
//! *Sources:* the majority rate of a delivery as its target: common practice, no source.

use loadin_audio::{Block, Resampler, rescale_frames};
use loadin_record::manifest::Change;
use loadin_record::written::Measured;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::draft::Draft;
use crate::shape::{Fate, Shape};
use crate::stages::stage::{NOT_RENDERED, Processor};
use crate::values::Rate;

/// Settings of `resample`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case", deny_unknown_fields, default)]
pub struct Settings {
    /// The wanted rate.
    pub rate: Rate,
}

impl Default for Settings {
    fn default() -> Self {
        Self { rate: Rate::Majority }
    }
}

impl Settings {
    /// The rate that a stem of `source_hz` is brought to.
    pub fn target_hz(&self, source_hz: u32, majority_hz: u32) -> u32 {
        match self.rate {
            Rate::Source => source_hz,
            Rate::Majority => majority_hz,
            Rate::Fixed(hz) => hz,
        }
    }
}

/// The rate that most of `rates_hz` have; of equals, the higher. `None` for an empty list.
pub fn majority(rates_hz: impl IntoIterator<Item = u32>) -> Option<u32> {
    let mut counts = std::collections::BTreeMap::<u32, usize>::new();
    for rate in rates_hz {
        *counts.entry(rate).or_default() += 1;
    }
    counts.into_iter().max_by_key(|&(rate, count)| (count, rate)).map(|(rate, _)| rate)
}

/// Decision of `resample`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(tag = "do", rename_all = "kebab-case")]
pub enum Decision {
    /// The rate stays.
    Leave {
        /// Why.
        why: String,
    },
    /// The rate changes.
    Convert {
        /// From, in Hz.
        from_hz: u32,
        /// To, in Hz.
        to_hz: u32,
        /// Frames that come in.
        from_frames: u64,
        /// Frames that go out: `round(n · to / from)`.
        to_frames: u64,
        /// Why.
        why: String,
    },
}

/// Decides the rate of every stem.
pub fn decide(settings: &[Settings], draft: &mut Draft<'_>) -> Vec<Decision> {
    let majority_hz = draft.majority_hz;
    draft
        .stems
        .iter_mut()
        .zip(settings)
        .map(|(stem, settings)| {
            if !stem.is_active() {
                return Decision::Leave { why: NOT_RENDERED.to_owned() };
            }
            let (from_hz, to_hz) = (stem.rate_hz, settings.target_hz(stem.rate_hz, majority_hz));
            if from_hz == to_hz {
                return Decision::Leave { why: format!("it is at {to_hz} Hz already") };
            }
            let (from_frames, to_frames) = (stem.frames, rescale_frames(stem.frames, from_hz, to_hz));
            if to_frames == 0 && from_frames > 0 {
                let why = format!(
                    "it has {from_frames} frame at {from_hz} Hz, and nothing of it remains at {to_hz} Hz"
                );
                stem.fate = Fate::Fail { why: why.clone() };
                return Decision::Leave { why };
            }
            stem.rate_hz = to_hz;
            stem.frames = to_frames;
            stem.touch();
            let why = match settings.rate {
                Rate::Majority => format!("most stems of the delivery are at {to_hz} Hz"),
                _ => format!("the recipe asks for {to_hz} Hz"),
            };
            Decision::Convert { from_hz, to_hz, from_frames, to_frames, why }
        })
        .collect()
}

/// A change of rate, of as many channels as come: a stage before it may have dropped or doubled some.
pub struct Converter {
    from_hz: u32,
    to_hz: u32,
    phase: i64,
    resampler: Option<Resampler>,
}

impl Converter {
    /// A converter between two rates in Hz that begins at this phase: see [`Resampler::starting_at`].
    pub fn new(from_hz: u32, to_hz: u32, phase: i64) -> Self {
        Self { from_hz, to_hz, phase, resampler: None }
    }
}

impl Processor for Converter {
    fn process(&mut self, block: &mut Block) {
        let (from_hz, to_hz, phase) = (self.from_hz, self.to_hz, self.phase);
        let made = || Resampler::starting_at(from_hz, to_hz, block.channels(), phase);
        self.resampler.get_or_insert_with(made).process(block);
    }

    fn finish(&mut self, block: &mut Block) {
        if let Some(resampler) = &mut self.resampler {
            resampler.finish(block);
        }
    }
}

/// The rate converter.
pub fn processor(decision: &Decision, shape: Shape<'_>) -> Option<Box<dyn Processor>> {
    match decision {
        Decision::Leave { .. } => None,
        Decision::Convert { from_hz, to_hz, .. } => {
            // A plan may come out of a file.
            let taken = |phase: &i64| Resampler::takes(*from_hz, *to_hz, *phase);
            let phase = Some(shape.output.phase).filter(taken).unwrap_or(0);
            Some(Box::new(Converter::new(*from_hz, *to_hz, phase)))
        }
    }
}

/// The change of rate, its phase, and whose arithmetic its bytes are: with `processor` the last bits may follow its instructions.
pub fn change(decision: &Decision, shape: Shape<'_>, _: &Measured) -> Option<Change> {
    match decision {
        Decision::Leave { .. } => None,
        Decision::Convert { from_hz, to_hz, why, .. } => {
            let arithmetic = if Resampler::is_fixed(*from_hz, *to_hz) { "fixed" } else { "processor" };
            let change = Change::new("resample", "rate", *from_hz, *to_hz, "Hz", why);
            let change = change.with("arithmetic", arithmetic);
            let phase = shape.output.phase;
            Some(if phase == 0 { change } else { change.with("phase", phase) })
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::draft::DraftStem;
    use crate::recipe::Recipe;
    use crate::shape::{OutputPlan, SourcePlan};
    use crate::testing::{HEAD, Stem, decide_by, processed, recipe, stem, with_draft};

    fn settings(text: &str) -> Settings {
        toml::from_str(text).unwrap()
    }

    /// The decisions by these settings, one text for all stems or one a stem. That rate and length follow them, and that
    /// nothing else of the draft changes, is checked on the way.
    fn decided(texts: &[&str], draft: &mut Draft<'_>) -> Vec<Decision> {
        let (before, decisions) = decide_by(texts, draft, decide);
        for ((decision, before), stem) in decisions.iter().zip(before).zip(&draft.stems) {
            let wanted = match *decision {
                Decision::Leave { .. } => before,
                Decision::Convert { to_hz, to_frames, .. } => DraftStem {
                    rate_hz: to_hz,
                    frames: to_frames,
                    grid_bits: None,
                    untouched: false,
                    ..before
                },
            };
            assert_eq!(format!("{stem:?}"), format!("{wanted:?}"));
        }
        decisions
    }

    fn check(text: &str, stems: impl IntoIterator<Item = Stem>) -> Vec<Decision> {
        with_draft(&recipe(""), stems, |draft| decided(&[text], draft))
    }

    fn left(why: &str) -> Decision {
        Decision::Leave { why: why.to_owned() }
    }

    fn convert(from: (u32, u64), to: (u32, u64), why: &str) -> Decision {
        let ((from_hz, from_frames), (to_hz, to_frames)) = (from, to);
        Decision::Convert { from_hz, to_hz, from_frames, to_frames, why: why.to_owned() }
    }

    #[test]
    fn without_settings_the_rate_of_most_stems_is_wanted() {
        assert_eq!(settings(""), Settings::default());
        assert_eq!(Settings::default(), Settings { rate: Rate::Majority });
        assert_eq!(settings("rate = \"44.1 kHz\""), Settings { rate: Rate::Fixed(44_100) });
    }

    #[test]
    fn rates_that_cannot_be_are_refused_with_what_can() {
        for text in ["rate = \"7999 Hz\"", "rate = \"384001 Hz\"", "rate = \"best\"", "rate = 48000"] {
            let message = toml::from_str::<Settings>(text).unwrap_err().to_string();
            assert!(message.contains("\"majority\"") || message.contains("a string"), "{message}");
        }
        for (text, hz) in [("rate = \"8 kHz\"", 8_000), ("rate = \"384 kHz\"", 384_000)] {
            assert_eq!(settings(text).rate, Rate::Fixed(hz));
        }
        let message = toml::from_str::<Settings>("quality = \"best\"").unwrap_err().to_string();
        assert!(message.contains("expected `rate`"), "{message}");
    }

    /// The majority rate as the target of a delivery: common practice, no source.
    #[test]
    fn the_majority_is_the_rate_of_most_and_of_equals_the_higher() {
        for (rates_hz, most) in [
            (vec![], None),
            (vec![44_100], Some(44_100)),
            (vec![44_100, 44_100, 48_000], Some(44_100)),
            (vec![48_000, 44_100, 44_100], Some(44_100)),
            (vec![44_100, 48_000], Some(48_000)),
            (vec![48_000, 44_100], Some(48_000)),
            (vec![96_000, 44_100, 48_000, 48_000, 44_100], Some(48_000)),
        ] {
            assert_eq!(majority(rates_hz.iter().copied()), most, "{rates_hz:?}");
        }
    }

    #[test]
    fn each_setting_has_its_target_rate() {
        for (text, target_hz) in
            [("rate = \"source\"", 44_100), ("rate = \"majority\"", 48_000), ("rate = \"96 kHz\"", 96_000)]
        {
            assert_eq!(settings(text).target_hz(44_100, 48_000), target_hz, "{text}");
        }
    }

    #[test]
    fn a_stem_is_left_at_the_target_rate_alone() {
        // One second at 48 kHz is 47 999 or 48 001 frames at a rate that is 1 Hz off (arithmetic).
        for (rate, decision) in [
            ("47999 Hz", convert((48_000, 48_000), (47_999, 47_999), "the recipe asks for 47999 Hz")),
            ("48000 Hz", left("it is at 48000 Hz already")),
            ("48001 Hz", convert((48_000, 48_000), (48_001, 48_001), "the recipe asks for 48001 Hz")),
        ] {
            let text = format!("rate = \"{rate}\"");
            assert_eq!(check(&text, [stem("Kick.wav").frames(48_000)]), [decision]);
        }
    }

    #[test]
    fn the_odd_one_out_is_brought_to_the_rate_of_most() {
        let stems = || ["Bass.wav", "Kick.wav", "Snare.wav"].map(|path| stem(path).frames(48_000));
        let odd = || stems().into_iter().chain([stem("Vox.wav").rate(44_100).frames(147)]);
        let most = "most stems of the delivery are at 48000 Hz";
        for (text, last) in [
            ("", convert((44_100, 147), (48_000, 160), most)),
            ("rate = \"majority\"", convert((44_100, 147), (48_000, 160), most)),
            ("rate = \"source\"", left("it is at 44100 Hz already")),
        ] {
            let same = left("it is at 48000 Hz already");
            assert_eq!(check(text, odd()), [same.clone(), same.clone(), same, last], "{text}");
        }
    }

    #[test]
    fn a_new_length_is_rounded_to_the_nearest_frame_halves_up() {
        // n · 48 000 / 44 100, and n / 2 (arithmetic).
        for (rate_hz, frames, to_frames) in [
            (44_100, 0, 0),
            (44_100, 1, 1),
            (44_100, 6, 7),
            (44_100, 441, 480),
            (96_000, 1, 1),
            (96_000, 2, 1),
        ] {
            let decisions = check("rate = \"48 kHz\"", [stem("a.wav").rate(rate_hz).frames(frames)]);
            let why = "the recipe asks for 48000 Hz";
            assert_eq!(decisions, [convert((rate_hz, frames), (48_000, to_frames), why)]);
        }
    }

    /// A frame at 192 kHz is a quarter of one at 48 kHz (arithmetic).
    #[test]
    fn a_stem_of_which_nothing_remains_fails() {
        let stems = || [176_400, 192_000].map(|rate| stem(&format!("{rate}.wav")).rate(rate).frames(1));
        with_draft(&recipe(""), stems(), |draft| {
            for (stem, decision) in
                [0, 1].into_iter().zip(decide(&vec![settings("rate = \"48 kHz\""); 2], draft))
            {
                let Decision::Leave { why } = decision else { panic!("{decision:?}") };
                assert!(
                    why.starts_with("it has 1 frame at")
                        && why.ends_with("nothing of it remains at 48000 Hz"),
                    "{why}"
                );
                assert_eq!(draft.stems[stem].fate, Fate::Fail { why });
            }
        });
        assert_eq!(
            check("rate = \"96 kHz\"", [stem("a.wav").rate(192_000).frames(1)]).len(),
            1,
            "half of one is one"
        );
    }

    #[test]
    fn every_stem_has_its_own_settings_and_references_are_converted_too() {
        let stems = ["Bass.wav", "Kick.wav", "Rough mix.wav"].map(|path| stem(path).rate(96_000).frames(960));
        with_draft(&recipe(""), stems, |draft| {
            assert!(draft.stems[2].reference);
            let texts = ["rate = \"source\"", "rate = \"majority\"", "rate = \"48 kHz\""];
            let left = left("it is at 96000 Hz already");
            let asked = convert((96_000, 960), (48_000, 480), "the recipe asks for 48000 Hz");
            assert_eq!(decided(&texts, draft), [left.clone(), left, asked]);
        });
    }

    #[test]
    fn a_stem_that_is_not_rendered_is_left() {
        for fate in [Fate::SetAside { why: "x".to_owned() }, Fate::Fail { why: "x".to_owned() }] {
            with_draft(&recipe(""), [stem("a.wav")], |draft| {
                draft.stems[0].fate = fate;
                assert_eq!(decided(&["rate = \"96 kHz\""], draft), [left("the stem is not rendered")]);
            });
        }
    }

    #[test]
    fn a_for_table_gives_one_stem_another_rate() {
        let text = format!(
            "{HEAD}[[stage]]\nstage = \"decode\"\n[[stage]]\nstage = \"resample\"\n[[stage.for]]\nstems = [\"Vox*\"]\nrate = \"source\"\n[[stage]]\nstage = \"label\"\n[[stage]]\nstage = \"re-encode\"\n"
        );
        let recipe = Recipe::parse(&text).unwrap();
        assert_eq!(recipe.target_hz("Vox.wav", 44_100, 48_000), 44_100);
        assert_eq!(recipe.target_hz("Kick.wav", 44_100, 48_000), 48_000);
    }

    #[test]
    fn the_converter_keeps_channels_apart_and_an_impulse_in_its_place() {
        let source = |channels| SourcePlan {
            path: "a.wav".to_owned(),
            sha256: String::new(),
            channels,
            frames: 8_820,
            rate_hz: 44_100,
        };
        let mut impulse = vec![0.0; 8_820];
        impulse[4_410] = 1.0;
        // One stereo file, or two mono files that are joined.
        for sources in [vec![source(2)], vec![source(1), source(1)]] {
            let output = OutputPlan::default();
            let shape = Shape { sources: &sources, output: &output };
            let decision = convert((44_100, 8_820), (48_000, 9_600), "");
            let given =
                processed(processor(&decision, shape).unwrap(), &[impulse.clone(), vec![0.0; 8_820]], 1_000);
            assert_eq!(given.iter().map(Vec::len).collect::<Vec<_>>(), [9_600, 9_600]);
            assert!(given[1].iter().all(|&sample| sample == 0.0));
            let largest = (0..9_600).max_by(|&a, &b| given[0][a].abs().total_cmp(&given[0][b].abs()));
            // Frame 4410 at 44.1 kHz is frame 4800 at 48 kHz (arithmetic).
            assert_eq!(largest, Some(4_800));
            assert!(processor(&left(""), shape).is_none());
        }
    }

    #[test]
    fn the_change_names_both_rates() {
        let why = "the recipe asks for 48000 Hz";
        let cases = [(44_100, 0, "fixed"), (44_100, -13, "fixed"), (47_999, 0, "processor")];
        for (from_hz, phase, arithmetic) in cases {
            let shape = Shape { sources: &[], output: &OutputPlan { phase, ..OutputPlan::default() } };
            let decision = convert((from_hz, 147), (48_000, 160), why);
            let wanted = Change::new("resample", "rate", from_hz, 48_000, "Hz", why);
            let wanted = wanted.with("arithmetic", arithmetic);
            let wanted = if phase == 0 { wanted } else { wanted.with("phase", phase) };
            assert_eq!(change(&decision, shape, &Measured::default()), Some(wanted));
            assert_eq!(change(&left(""), shape, &Measured::default()), None);
        }
    }
}
