//! Fractions of a frame where a stamp at another rate falls between frames: a converted stem begins at them, exactly, and where
//! its rate is too odd for that they stay and are named.

use super::*;
use crate::testing::files_of;

/// A stem that starts so many frames behind an hour, at this rate.
fn kick(rate_hz: u32, stamp: i64) -> Stem {
    let hour = 3600 * u64::from(rate_hz);
    let frames = 4 * u64::from(rate_hz);
    stem("Kick.wav").rate(rate_hz).frames(frames).stamp(hour.saturating_add_signed(stamp)).measured_at(48_000)
}

fn bass() -> [Stem; 2] {
    [stem("Bass.wav").stamp(HOUR), stem("Vox.wav").stamp(HOUR)]
}

/// A stamp at 44.1 kHz falls between two frames at 48 kHz: 48 000 / 44 100 is 160 / 147 (arithmetic). The nearest frame stands
/// that many 160ths of a source frame behind it.
#[test]
fn a_stem_at_a_usual_rate_begins_at_its_fraction() {
    // 1 · 160 / 147 is 1.088, 2 are 2.177, 73 are 79.456, 74 are 80.544; times 147.
    for (stamp, phase) in [(0, 0), (147, 0), (1, -13), (2, -26), (73, -67), (74, 67)] {
        let stems = bass().into_iter().chain([kick(44_100, stamp)]);
        let Planned { plan, .. } = planned(&recipe(ALL), stems, &Beside::default());
        for stem in plan.rendered() {
            let wanted = if stem.path() == "Kick.wav" { phase } else { 0 };
            assert_eq!(stem.output.phase, wanted, "{} {stamp}", stem.path());
            assert_eq!(stem.output.place_error_frames, None);
            assert!(stem.findings.iter().all(|finding| finding.id != Id::PlaceFraction));
        }
    }
}

/// The survey measures the sound that will be rendered: it begins at the same fraction, by the headers and by the surveys.
#[test]
fn a_survey_begins_at_the_fraction_of_the_plan() {
    for (recipe_text, stamped) in [(ALL.to_owned(), true), (by_file(), false)] {
        let recipe = recipe(&recipe_text);
        let surveys = surveys(bass().into_iter().chain([kick(44_100, 74)]));
        let files = files_of(&surveys);
        for seen in [&[][..], &surveys] {
            let phases: Vec<i64> =
                crate::scopes(&recipe, &files, seen, None).iter().map(|scope| scope.phase).collect();
            let wanted = surveys.iter().map(|s| if stamped && s.path == "Kick.wav" { 67 } else { 0 });
            assert_eq!(phases, wanted.collect::<Vec<_>>());
        }
    }
}

/// 44 101 Hz has nothing in common with 48 000 Hz.
#[test]
fn what_is_left_of_a_fraction_of_a_frame_is_named() {
    for (stamp, error) in [
        (0, None),
        // 1 · 48 000 / 44 101 is 1.0884, 73 are 79.4540, 74 are 80.5424 (arithmetic).
        (1, Some(-0.088_411)),
        (73, Some(-0.453_981)),
        (74, Some(0.457_609)),
    ] {
        let stems = bass().into_iter().chain([kick(44_101, stamp)]);
        let Planned { plan, .. } = planned(&recipe(ALL), stems, &Beside::default());
        for stem in plan.rendered() {
            let wanted = error.filter(|_| stem.path() == "Kick.wav");
            assert_eq!(stem.output.place_error_frames, wanted, "{} {stamp}", stem.path());
            assert_eq!(stem.output.phase, 0);
            let noted = stem.findings.iter().any(|finding| finding.id == Id::PlaceFraction);
            assert_eq!(noted, wanted.is_some_and(|error: f64| error.abs() > 0.1), "{} {stamp}", stem.path());
        }
    }
    let text = "its time stamp falls between two frames at 48000 Hz: it stands 0.46 of a frame (9.5 µs) later than it says, \
                which matters only beside another microphone of the same source";
    let stems = bass().into_iter().chain([kick(44_101, 74)]);
    let Planned { plan, .. } = planned(&recipe(ALL), stems, &Beside::default());
    let found = plan.stems.iter().flat_map(|stem| &stem.findings).find(|f| f.id == Id::PlaceFraction);
    let wanted = Finding::new(Id::PlaceFraction, text).with("frames", 0.457_609).with("rate_hz", 48_000);
    assert_eq!(found, Some(&wanted));
}

fn by_file() -> String {
    ALL.replace("align-starts\"\n", "align-starts\"\nstarts = \"file\"\n")
}

/// The stems at the rate of the outputs stand where they say, also where the one that starts first has another rate.
#[test]
fn a_fraction_belongs_to_the_stem_at_another_rate() {
    let fractions = |recipe_text: &str, rate_hz: u32| -> Vec<(String, i64, Option<f64>)> {
        let [bass, vox] = bass();
        let Planned { plan, .. } =
            planned(&recipe(recipe_text), [bass, kick(rate_hz, -2), vox], &Beside::default());
        let of =
            |stem: &StemPlan| (stem.path().to_owned(), stem.output.phase, stem.output.place_error_frames);
        let mut all: Vec<_> = plan.stems.iter().map(of).collect();
        all.sort_by(|a, b| a.0.cmp(&b.0));
        all
    };
    let wanted = |phase: i64, error: Option<f64>| {
        [("Bass.wav", 0, None), ("Kick.wav", phase, error), ("Vox.wav", 0, None)]
            .map(|(path, phase, error)| (path.to_owned(), phase, error))
    };
    // −2 · 160 / 147 is −2.177; −2 · 48 000 / 44 101 is −2.1768 (arithmetic).
    assert_eq!(fractions(ALL, 44_100), wanted(26, None));
    assert_eq!(fractions(ALL, 44_101), wanted(0, Some(0.176_821)));
    for rate_hz in [44_100, 44_101] {
        assert_eq!(fractions(&by_file(), rate_hz), wanted(0, None), "no stamp was asked");
    }
}
