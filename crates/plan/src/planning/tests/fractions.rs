//! Fractions of a frame that stay where a stamp at another rate falls between frames.

use super::*;

/// A stamp at 44.1 kHz falls between two frames at 48 kHz: 48 000 / 44 100 is 160 / 147 (arithmetic).
#[test]
fn what_is_left_of_a_fraction_of_a_frame_is_named() {
    let kick = |stamp: u64| {
        stem("Kick.wav").rate(44_100).frames(176_400).stamp(3600 * 44_100 + stamp).measured_at(48_000)
    };
    let bass = || [stem("Bass.wav").stamp(HOUR), stem("Vox.wav").stamp(HOUR)];
    for (stamp, error) in [
        (0, None),
        (147, None),
        // 1 · 160 / 147 is 1.088, 2 are 2.177, 73 are 79.456, 74 are 80.544.
        (1, Some(-0.088_435)),
        (2, Some(-0.176_871)),
        (73, Some(-0.455_782)),
        (74, Some(0.455_782)),
    ] {
        let Planned { plan, .. } =
            planned(&recipe(ALL), bass().into_iter().chain([kick(stamp)]), &Beside::default());
        for stem in plan.rendered() {
            let wanted = error.filter(|_| stem.path() == "Kick.wav");
            assert_eq!(stem.output.place_error_frames, wanted, "{} {stamp}", stem.path());
            let noted = stem.findings.iter().any(|finding| finding.id == Id::PlaceFraction);
            assert_eq!(noted, wanted.is_some_and(|error: f64| error.abs() > 0.1), "{} {stamp}", stem.path());
        }
    }
    let text = "its time stamp falls between two frames at 48000 Hz: it stands 0.46 of a frame (9.5 µs) later than it says, \
                which matters only beside another microphone of the same source";
    let Planned { plan, .. } =
        planned(&recipe(ALL), bass().into_iter().chain([kick(74)]), &Beside::default());
    let found = plan.stems.iter().flat_map(|stem| &stem.findings).find(|f| f.id == Id::PlaceFraction);
    let wanted = Finding::new(Id::PlaceFraction, text).with("frames", 0.455_782).with("rate_hz", 48_000);
    assert_eq!(found, Some(&wanted));
}

/// The stems at the rate of the outputs stand where they say, also where the one that starts first has another rate.
#[test]
fn a_fraction_belongs_to_the_stem_at_another_rate() {
    let kick = stem("Kick.wav").rate(44_100).frames(176_400).stamp(3600 * 44_100 - 2).measured_at(48_000);
    let stems = [stem("Bass.wav").stamp(HOUR), kick, stem("Vox.wav").stamp(HOUR)];
    let Planned { plan, .. } = planned(&recipe(ALL), stems, &Beside::default());
    let errors = |path: &str| plan.stems.iter().find(|s| s.path() == path).unwrap().output.place_error_frames;
    assert_eq!((errors("Bass.wav"), errors("Kick.wav"), errors("Vox.wav")), (None, Some(0.176_871), None));
    let by_file = recipe(&ALL.replace("align-starts\"\n", "align-starts\"\nstarts = \"file\"\n"));
    let kick = stem("Kick.wav").rate(44_100).frames(176_400).stamp(3600 * 44_100 - 2).measured_at(48_000);
    let stems = [stem("Bass.wav").stamp(HOUR), kick, stem("Vox.wav").stamp(HOUR)];
    let Planned { plan, .. } = planned(&by_file, stems, &Beside::default());
    assert!(plan.stems.iter().all(|stem| stem.output.place_error_frames.is_none()), "no stamp was asked");
}
