//! Where stems and markers stand on the time line of the delivery, and the stated markers in the outputs whose recipe asks
//! for them.

use loadin_session::facts::At;

use crate::plan::{Plan, StemPlan};
use crate::recipe::Recipe;
use crate::shape::PlannedMarker;
use crate::stages::{Decision, re_encode};

impl Plan {
    /// Where the first frame of a stem's source stands on the time line of the delivery, in seconds: zero is where the
    /// first stem starts. Every stem starts there where the recipe aligns nothing.
    pub fn start_seconds(&self, stem: &StemPlan) -> f64 {
        let aligned = self.link.timestamp_frames.is_some();
        let frames = if aligned { self.link.trim_head_frames as i64 - stem.output.shift_frames } else { 0 };
        frames as f64 / f64::from(stem.output.rate_hz.max(1))
    }
}

/// Gives the markers, in seconds on the time line of the delivery, to the stems whose recipe asks for them. What lies outside
/// of an output is not in it.
pub(crate) fn write_markers(plan: &mut Plan, recipe: &Recipe, markers: &[At<String>]) {
    let starts: Vec<f64> = plan.stems.iter().map(|stem| plan.start_seconds(stem)).collect();
    for (stem, start) in plan.stems.iter_mut().zip(starts) {
        if !recipe.settings::<re_encode::Settings>(stem.path()).is_some_and(|settings| settings.markers) {
            continue;
        }
        let planned = planned(stem, start, markers);
        for decision in &mut stem.decisions {
            if let Decision::ReEncode(re_encode::Decision::Write { markers, .. }) = decision {
                markers.clone_from(&planned);
            }
        }
    }
}

fn planned(stem: &StemPlan, start_seconds: f64, markers: &[At<String>]) -> Vec<PlannedMarker> {
    let output = &stem.output;
    let frame = |seconds: f64| {
        let of_source = ((seconds - start_seconds) * f64::from(output.rate_hz)).round() as i64;
        u64::try_from(of_source - output.shift_frames).ok().filter(|frame| *frame <= output.frames)
    };
    // A name ends with its first NUL, and readers show no other control characters.
    let name = |at: &At<String>| at.what.chars().filter(|c| !c.is_control()).collect::<String>();
    let marker = |at: &At<String>| Some(PlannedMarker { frame: frame(at.seconds)?, name: name(at) });
    markers.iter().filter_map(marker).filter(|marker| !marker.name.trim().is_empty()).collect()
}

#[cfg(test)]
mod tests {
    use loadin_record::survey::MarkerFacts;

    use super::*;
    use crate::planning::Planned;
    use crate::testing::{self, Beside, Stem, planned, stem};

    /// A recipe that trims, aligns and writes the markers; not for effects.
    fn recipe() -> Recipe {
        let stages = ["resample", "trim-silence", "align-starts"];
        let stages = stages.map(|name| format!("[[stage]]\nstage = \"{name}\"\n")).concat();
        let text = testing::recipe(&stages).text;
        let chosen =
            "stage = \"re-encode\"\nmarkers = true\n[[stage.for]]\nstems = \"*fx*\"\nmarkers = false\n";
        Recipe::parse(&text.replace("stage = \"re-encode\"\n", chosen)).unwrap()
    }

    fn marked(one: Stem, markers: &[(u64, &str)]) -> Stem {
        let marker = |&(frame, name): &(u64, &str)| MarkerFacts { frame, name: name.to_owned() };
        one.with_format(|format| format.markers = markers.iter().map(marker).collect())
    }

    #[test]
    fn a_marker_is_within_an_output_up_to_its_end() {
        let one = |frame: u64| marked(stem("Bass.wav").sounding(96_000..192_000), &[(frame, "X")]);
        let frames = |frame: u64| -> Vec<u64> {
            let Planned { plan, .. } = planned(&recipe(), [one(frame)], &Beside::default());
            plan.stems[0].markers().iter().map(|marker| marker.frame).collect()
        };
        // One second is cut from the start.
        assert_eq!(frames(47_999), [0; 0]);
        assert_eq!(frames(48_000), [0]);
        assert_eq!(frames(192_000), [144_000]);
        assert_eq!(frames(192_001), [0; 0]);
    }

    #[test]
    fn every_stem_is_asked_whether_it_gets_markers() {
        let stems = [marked(stem("Bass.wav"), &[(480, "Verse")]), stem("FX.wav")];
        let Planned { plan, .. } = planned(&recipe(), stems, &Beside::default());
        let counts: Vec<(&str, usize)> =
            plan.stems.iter().map(|stem| (stem.path(), stem.markers().len())).collect();
        assert_eq!(counts, [("Bass.wav", 1), ("FX.wav", 0)]);
    }

    /// A name ends with its first NUL in most formats (EBU Tech 3285 and the chunks of RIFF; common practice).
    #[test]
    fn names_have_no_control_characters_and_none_is_empty() {
        let names = ["Ver\u{0}se", "\u{7}", " \u{9}", "", " Two words ", "Été\n"];
        let markers: Vec<(u64, &str)> = (0..).map(|index| index * 48_000 / 2).zip(names).collect();
        let Planned { plan, .. } =
            planned(&recipe(), [marked(stem("Bass.wav"), &markers)], &Beside::default());
        let found: Vec<(u64, &str)> =
            plan.stems[0].markers().iter().map(|marker| (marker.frame, marker.name.as_str())).collect();
        assert_eq!(found, [(0, "Verse"), (96_000, " Two words "), (120_000, "Été")]);
    }

    /// 1/3 s at 44.1 kHz is frame 14 700, at 48 kHz frame 16 000; a frame is rounded to the nearest.
    #[test]
    fn frames_are_those_of_the_output() {
        let one = stem("Bass.wav").rate(44_100).frames(176_400).measured_at(48_000);
        let stems = [marked(one, &[(14_700, "Third"), (14_701, "Next")]), stem("Kick.wav"), stem("Vox.wav")];
        let Planned { plan, .. } = planned(&recipe(), stems, &Beside::default());
        for stem in plan.rendered() {
            let frames: Vec<u64> = stem.markers().iter().map(|marker| marker.frame).collect();
            assert_eq!(frames, [16_000, 16_001], "{}", stem.path());
        }
    }
}
