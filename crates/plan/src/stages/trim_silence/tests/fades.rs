//! The edges of a cut of `trim-silence`: where they are faded, and what the processor makes of a stream.

use super::*;

#[test]
fn a_cut_that_is_not_silent_is_faded_and_that_is_arithmetic() {
    let quiet = Level(-100.0).amplitude() as f32;
    let base = || stem("Kick.wav").sounding(48_000..96_000);
    for (name, stem, fades, silence) in [
        ("clean", base(), (0, 0), true),
        ("before", hiss(base(), 0..48_000, quiet), (240, 0), false),
        ("behind", hiss(base(), 96_000..192_000, quiet), (0, 240), false),
        ("both", hiss(hiss(base(), 0..48_000, quiet), 96_000..192_000, quiet), (240, 240), false),
        // What is dropped is not silent, but the place of the cut is.
        ("dropped", hiss(hiss(base(), 0..960, quiet), 191_040..192_000, quiet), (0, 0), false),
        ("dropped first", hiss(base(), 0..960, quiet), (0, 0), false),
        ("dropped last", hiss(base(), 191_040..192_000, quiet), (0, 0), false),
        // The place of the cut is not silent, but what is dropped is.
        ("kept", hiss(hiss(base(), 24_000..24_480, quiet), 107_520..108_000, quiet), (240, 240), true),
        ("next to it", hiss(hiss(base(), 24_480..24_960, quiet), 107_040..107_520, quiet), (0, 0), true),
    ] {
        check(SHORT, None, &[stem], as_they_are, |decisions, draft| {
            assert_eq!(cut_of(&decisions[0]), Some((24_000, 84_000, 84_000, fades, silence)), "{name}");
            let untouched = fades == (0, 0);
            assert_eq!(
                (draft.stems[0].untouched, draft.stems[0].grid_bits.is_some()),
                (untouched, untouched)
            );
        });
    }
}

#[test]
fn nothing_is_faded_where_nothing_is_cut() {
    let quiet = Level(-100.0).amplitude() as f32;
    let first =
        hiss(hiss(stem("Kick.wav").sounding(24_000..96_000), 0..24_000, quiet), 96_000..192_000, quiet);
    assert_eq!(cuts(SHORT, &[first], as_they_are), [Some((0, 108_000, 84_000, (0, 240), false))]);
    let last =
        hiss(hiss(stem("Kick.wav").sounding(48_000..180_000), 0..48_000, quiet), 180_000..192_000, quiet);
    assert_eq!(cuts(SHORT, &[last], as_they_are), [Some((24_000, 168_000, 0, (240, 0), false))]);
}

#[test]
fn a_fade_has_the_length_of_the_setting_but_never_more_than_half_of_what_is_kept() {
    let quiet = Level(-100.0).amplitude() as f32;
    let stems =
        [hiss(hiss(stem("Kick.wav").sounding(48_000..48_480), 0..48_000, quiet), 48_480..192_000, quiet)];
    for (fade, keep, frames) in [
        ("10 ms", "500 ms", 480),
        ("0 ms", "500 ms", 0),
        ("5 ms", "0 ms", 240),
        ("6 ms", "0 ms", 240),
        ("4 ms", "0 ms", 192),
    ] {
        let text = format!("head = \"{keep}\"\ntail = \"{keep}\"\nfade = \"{fade}\"");
        let decided = cuts(&text, &stems, |draft| draft.bar_seconds = Some(2.0));
        assert_eq!(decided[0].unwrap().3, (frames, frames), "{fade}, {keep}");
    }
}

#[test]
fn the_processor_cuts_alike_however_the_stream_is_cut_into_blocks() {
    let sound: Vec<f64> = (1..=20).map(f64::from).collect();
    no_shape(|shape| {
        assert!(processor(&left("so"), shape).is_none());
        for (head, keep) in [(0, 20), (5, 10), (0, 10), (10, 10), (19, 1), (20, 0), (3, 0)] {
            let decision = example(head, keep, 20 - head - keep, (0, 0));
            for block_frames in 1..=21 {
                let mut cut = processor(&decision, shape).unwrap();
                let found = through(&mut *cut, &sound, block_frames);
                assert_eq!(
                    found,
                    sound[head as usize..(head + keep) as usize],
                    "{head}, {keep}, {block_frames}"
                );
            }
        }
    });
}

/// A raised cosine at frame centres: sin² of the quarter wave (arithmetic).
#[test]
fn the_processor_fades_the_edges_of_what_it_keeps() {
    let rise = |frame: f64, frames: f64| ((frame + 0.5) / frames * std::f64::consts::FRAC_PI_2).sin().powi(2);
    let expected =
        [rise(0.0, 3.0), rise(1.0, 3.0), rise(2.0, 3.0), 1.0, 1.0, 1.0, rise(1.0, 2.0), rise(0.0, 2.0)];
    no_shape(|shape| {
        for block_frames in [1, 2, 3, 5, 12] {
            let mut cut = processor(&example(2, 8, 2, (3, 2)), shape).unwrap();
            let found = through(&mut *cut, &[1.0; 12], block_frames);
            assert_eq!(found.len(), 8);
            for (found, expected) in found.iter().zip(expected) {
                assert!((found - expected).abs() < 1e-12, "{found} {expected}");
            }
        }
    });
}
