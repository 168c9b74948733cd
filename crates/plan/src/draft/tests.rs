//! What a draft says of its stems, from hand-built surveys. No audio.

use loadin_audio::Decibels;
use loadin_record::survey::{EnvelopeChannel, Measures};
use serde_json::{Value, json};

use super::*;
use crate::testing::{Stem, WINDOW, ids, pin, recipe, stem, with_draft, with_given};

/// Asks the draft of one stem.
fn check<R>(stem: Stem, ask: impl FnOnce(&mut DraftStem<'_>) -> R) -> R {
    with_draft(&recipe(""), [stem], |draft| ask(&mut draft.stems[0]))
}

/// A stem of two channels whose envelope has these extremes, a window of 480 frames each.
fn drawn(channels: [[(f32, f32); 5]; 2]) -> Stem {
    let frames = 4 * WINDOW + 100;
    stem("Keys.wav").channels(&[0.5, 0.25]).frames(frames).with(|measures| {
        let drawn = channels.map(|windows| EnvelopeChannel {
            min: windows.map(|window| window.0).to_vec(),
            max: windows.map(|window| window.1).to_vec(),
            sum: vec![0.0; 5],
            sum_sq: vec![0.0; 5],
        });
        measures.envelope.channels = drawn.to_vec();
    })
}

const NONE: (f32, f32) = (0.0, 0.0);

#[test]
fn the_peak_is_that_of_the_loudest_channel_after_what_was_decided() {
    let measured = |measures: &mut Measures| {
        measures.channels[0].sample = Range { min: -0.25, max: 0.5 };
        measures.channels[0].true_peak = Range { min: -0.75, max: 0.625 };
        measures.channels[1].sample = Range { min: -0.375, max: 0.125 };
        measures.channels[1].true_peak = Range { min: -0.375, max: 0.25 };
    };
    for (name, scale, shift, sample, oversampled) in [
        ("as it came", 1.0, 0.0, 0.5, 0.75),
        ("half as loud", 0.5, 0.0, 0.25, 0.375),
        ("shifted up", 1.0, 0.125, 0.625, 0.75),
        ("shifted down", 1.0, -0.25, 0.625, 1.0),
        ("halved and shifted", 0.5, 0.25, 0.5, 0.5625),
        ("shifted far", 1.0, 1.0, 1.5, 1.625),
        ("silenced", 0.0, 0.0, 0.0, 0.0),
    ] {
        check(stem("Keys.wav").channels(&[0.5, 0.375]).with(measured), |stem| {
            for channel in &mut stem.channels {
                (channel.scale, channel.shift) = (scale, shift);
            }
            assert_eq!(
                (stem.peak(PeakKind::Sample), stem.peak(PeakKind::True)),
                (sample, oversampled),
                "{name}"
            );
        });
    }
    // A channel that was dropped counts no more, and one without channels has no peak.
    check(stem("Keys.wav").channels(&[0.5, 0.375]).with(measured), |stem| {
        stem.channels.remove(0);
        assert_eq!(stem.peak(PeakKind::Sample), 0.375);
        stem.channels.clear();
        assert_eq!(stem.peak(PeakKind::Sample), 0.0);
    });
}

#[test]
fn a_joined_pair_has_the_peak_and_the_sound_of_both_files() {
    let stems =
        [stem("Keys L.wav").sounding(960..1_920), stem("Keys R.wav").channels(&[0.75]).sounding(480..960)];
    with_draft(&recipe(""), stems, |draft| {
        let right = draft.stems.remove(1).sources[0];
        let stem = &mut draft.stems[0];
        stem.sources.push(right);
        stem.channels.push(DraftChannel { source: 1, channel: 0, scale: 1.0, shift: 0.0 });
        assert_eq!(stem.path(), "Keys L.wav");
        assert_eq!(stem.measures(1).source_peak, 0.75);
        assert_eq!(stem.peak(PeakKind::Sample), 0.75);
        assert_eq!(stem.sounding(0.1), Some((480, 1_920)));
        assert!(
            stem.is_silent_in(0..480) && !stem.is_silent_in(480..481) && !stem.is_silent_in(1_919..1_920)
        );
    });
}

#[test]
fn a_stem_sounds_from_the_first_window_that_passes_the_threshold_to_the_last() {
    let quiet = (-0.25, 0.125);
    let low = (-0.5, 0.0);
    for (name, channels, threshold, span) in [
        ("nothing", [[NONE; 5], [NONE; 5]], 0.0, None),
        ("all", [[quiet; 5], [NONE; 5]], 0.1, Some((0, 2_020))),
        ("at the threshold", [[quiet; 5], [NONE; 5]], 0.25, None),
        ("just above it", [[quiet; 5], [NONE; 5]], 0.249, Some((0, 2_020))),
        ("one window", [[NONE, NONE, quiet, NONE, NONE], [NONE; 5]], 0.1, Some((960, 1_440))),
        ("with a rest", [[NONE, quiet, NONE, quiet, NONE], [NONE; 5]], 0.1, Some((480, 1_920))),
        ("a short last window", [[NONE, NONE, NONE, NONE, quiet], [NONE; 5]], 0.1, Some((1_920, 2_020))),
        ("one side", [[NONE, low, NONE, NONE, NONE], [NONE; 5]], 0.1, Some((480, 960))),
        ("the second channel", [[NONE; 5], [NONE, quiet, NONE, NONE, NONE]], 0.1, Some((480, 960))),
        (
            "both channels",
            [[NONE, quiet, quiet, NONE, NONE], [NONE, NONE, quiet, quiet, NONE]],
            0.1,
            Some((480, 1_920)),
        ),
        (
            "the other way round",
            [[NONE, NONE, quiet, quiet, NONE], [NONE, quiet, quiet, NONE, NONE]],
            0.1,
            Some((480, 1_920)),
        ),
    ] {
        check(drawn(channels), |stem| assert_eq!(stem.sounding(threshold), span, "{name}"));
    }
}

#[test]
fn what_was_decided_counts_for_what_sounds_but_digital_silence_stays_silent() {
    let sound = [(0.25, 0.25), (-0.25, 0.0), (0.0, 0.25), NONE, NONE];
    for (name, scale, shift, threshold, span) in [
        ("as it came", 1.0, 0.0, 0.2, Some((0, 1_440))),
        ("half as loud", 0.5, 0.0, 0.2, None),
        ("shifted up", 1.0, 0.25, 0.4, Some((0, 1_440))),
        ("an offset that is taken away", 1.0, -0.25, 0.1, Some((480, 1_440))),
        ("a shift alone", 1.0, 0.125, 0.13, Some((0, 1_440))),
    ] {
        check(drawn([sound, [NONE; 5]]), |stem| {
            for channel in &mut stem.channels {
                (channel.scale, channel.shift) = (scale, shift);
            }
            assert_eq!(stem.sounding(threshold), span, "{name}");
        });
    }
}

#[test]
fn silence_is_asked_of_every_window_that_is_touched_on_every_channel() {
    // Windows of 480 frames; the last one has 100.
    let sound = drawn([[NONE, NONE, (-0.25, 0.0), NONE, NONE], [NONE, (0.0, 0.25), NONE, NONE, NONE]]);
    check(sound, |stem| {
        for (frames, silent) in [
            (0..480, true),
            (0..481, false),
            (479..480, true),
            (480..481, false),
            (959..960, false),
            (960..1_440, false),
            (1_439..1_440, false),
            (1_440..2_020, true),
            (1_439..2_020, false),
            (0..2_020, false),
            // What lies behind the end is silent, and so is nothing at all.
            (1_440..100_000, true),
            (1_400..100_000, false),
            (50_000..100_000, true),
            (480..480, true),
        ] {
            assert_eq!(stem.is_silent_in(frames.clone()), silent, "{frames:?}");
        }
        for (frame, silent) in [(0, true), (479, true), (480, false), (1_439, false), (1_440, true)] {
            assert_eq!(stem.is_silent_at(frame), silent, "{frame}");
        }
        stem.channels.remove(0);
        assert!(stem.is_silent_in(960..1_440) && !stem.is_silent_in(480..960));
    });
}

/// The envelope is that of the source: places are moved to the rate that the stem has, outward, and what a change of rate
/// rings around a sound is no digital silence. 44.1 to 48 kHz reads 72 frames to either side.
#[test]
fn places_are_moved_to_the_rate_that_the_stem_has() {
    let at = |rate_hz: u32| stem("Keys.wav").rate(rate_hz).sounding(960..1_920);
    check(at(44_100), |stem| {
        assert_eq!(stem.sounding(0.1), Some((960, 1_920)));
        stem.rate_hz = 48_000;
        assert_eq!(stem.sounding(0.1), Some((1_044, 2_090)), "960 and 1 920 times 160 / 147");
        for (frame, silent) in [(965, true), (966, false), (2_168, false), (2_169, true)] {
            assert_eq!(stem.is_silent_at(frame), silent, "{frame}");
        }
        stem.shift_frames = -1_000;
        assert_eq!(stem.sounding(0.1), Some((2_044, 3_090)), "padding comes before");
        assert!(stem.is_silent_in(0..1_966) && !stem.is_silent_in(0..1_967));
    });
}

#[test]
fn an_envelope_without_windows_is_silent_and_never_divided_by() {
    let empty = stem("Keys.wav").with(|measures| {
        measures.envelope.window_frames = 0;
        measures.envelope.channels[0].min.clear();
        measures.envelope.channels[0].max.clear();
    });
    check(empty, |stem| {
        assert!(stem.is_silent_in(0..10));
        assert_eq!(stem.sounding(0.1), None);
    });
}

#[test]
fn calculating_leaves_the_grid_and_the_source() {
    check(stem("Keys.wav"), |stem| {
        assert_eq!((stem.grid_bits, stem.untouched), (Some(24), true));
        stem.touch();
        assert_eq!((stem.grid_bits, stem.untouched), (None, false));
    });
}

#[test]
fn a_late_cut_is_told_with_what_is_lost_before_and_after() {
    for (before, after, expected, seconds) in [
        (0, 0, None, ""),
        (-5, -7, None, ""),
        (1, 0, Some((1, 0)), "0.000 s before and 0.000 s after"),
        (0, 1, Some((0, 1)), "0.000 s before and 0.000 s after"),
        (24_000, -3, Some((24_000, 0)), "0.500 s before and 0.000 s after"),
        (-3, 72_000, Some((0, 72_000)), "0.000 s before and 1.500 s after"),
    ] {
        check(stem("Keys.wav"), |stem| {
            stem.note_late_cut(before, after);
            assert_eq!(
                ids(&stem.findings),
                expected.map_or(vec![], |_| vec!["late-cut"]),
                "{before}, {after}"
            );
            if let Some((before, after)) = expected {
                let text = format!(
                    "it came late and passes the start and end that the others have: {seconds} are cut; --relink gives all stems a new start and length"
                );
                assert_eq!(stem.findings[0].text, text);
                let evidence = json!({ "before_frames": before, "after_frames": after });
                assert_eq!(Value::from(stem.findings[0].evidence.clone()), evidence);
            }
        });
    }
}

#[test]
fn only_what_is_rendered_is_active_and_only_stems_are_linked() {
    let stems = [stem("Bass.wav"), stem("Hat.wav"), stem("Kick.wav"), stem("Rough Mix.wav")];
    with_draft(&recipe(""), stems, |draft| {
        draft.stems[0].fate = Fate::SetAside { why: "another take".to_owned() };
        draft.stems[1].fate = Fate::Fail { why: "it is torn".to_owned() };
        let active: Vec<_> = draft.active().map(|(index, stem)| (index, stem.path())).collect();
        assert_eq!(active, [(2, "Kick.wav"), (3, "Rough Mix.wav")]);
        let linked: Vec<_> = draft.linked().map(|(index, stem)| (index, stem.path())).collect();
        assert_eq!(linked, [(2, "Kick.wav")]);
    });
}

/// Frames since midnight move between rates with them: 2 s at 48 kHz are 88 200 frames at 44.1 kHz (arithmetic).
#[test]
fn the_time_line_begins_at_the_earliest_stamp_that_is_used() {
    let stamped = [stem("Bass.wav").stamp(96_000), stem("Kick.wav").stamp(96_480)];
    with_draft(&recipe(""), stamped, |draft| {
        for (rate_hz, frames) in [(48_000, 96_000), (44_100, 88_200), (96_000, 192_000)] {
            assert_eq!(draft.origin_frames(rate_hz), frames);
        }
        draft.starts = None;
        assert_eq!(draft.origin_frames(48_000), 0);
    });
    with_draft(&recipe(""), [stem("Bass.wav")], |draft| assert_eq!(draft.origin_frames(48_000), 0));
}

#[test]
fn a_pin_gives_the_window_on_the_time_line_that_the_others_have() {
    let stamped = || [stem("Bass.wav").stamp(96_000), stem("Kick.wav").stamp(96_480)];
    for (by_stamps, timestamp_frames, window) in [
        (true, Some(96_000), Some((0, 1_000))),
        (true, Some(100_000), Some((4_000, 5_000))),
        (true, Some(90_000), Some((-6_000, -5_000))),
        (false, Some(4_000), Some((4_000, 5_000))),
        (true, None, None),
    ] {
        let pinned = pin(Link { by_stamps, timestamp_frames, length_frames: 1_000, ..Link::default() });
        with_given(&recipe(""), stamped(), &Evidence::default(), Some(&pinned), |draft| {
            assert_eq!(draft.pinned_window(48_000), window, "{by_stamps}, {timestamp_frames:?}");
        });
    }
    with_draft(&recipe(""), stamped(), |draft| assert_eq!(draft.pinned_window(48_000), None));
}

/// A stem of 2 s with so many tenths of a second at each peak.
fn levels(rate_hz: u32, parts: &[(f64, usize)]) -> Stem {
    stem("Keys.wav").rate(rate_hz).with(|measures| {
        let window = u64::from(rate_hz / 100);
        let peaks: Vec<f32> =
            parts.iter().flat_map(|&(peak, tenths)| vec![peak as f32; 10 * tenths]).collect();
        measures.envelope.window_frames = window;
        measures.envelope.frames = window * peaks.len() as u64;
        measures.envelope.channels[0].min = peaks.iter().map(|peak| -peak).collect();
        measures.envelope.channels[0].max = peaks;
    })
}

/// A step of 16 bits is -90.3 dBFS, and dither that is rounded to it is one step high (arithmetic).
#[test]
fn dithered_silence_is_silence_however_much_it_is_raised() {
    let step = 1.0 / 32_768.0;
    for rate_hz in [44_100, 48_000] {
        let tenth = u64::from(rate_hz / 10);
        let sound = Some((5 * tenth, 8 * tenth));
        for (noise, wanted) in [
            // Below the threshold anyway, and above it by the gain alone.
            (0.0, sound),
            (0.25 * step, sound),
            (step, sound),
            (4.0 * step, sound),
            // What is louder than silence can be is no silence.
            (4.01 * step, Some((0, 20 * tenth))),
        ] {
            let stem = levels(rate_hz, &[(noise, 5), (0.1, 3), (noise, 12)]);
            check(stem, |stem| {
                stem.channels[0].scale = 10.0;
                assert_eq!(stem.sounding(Decibels(-90.0).ratio()), wanted, "{noise} at {rate_hz} Hz");
            });
        }
        // A tail that dies away passes all levels and rests at none of them.
        let tail: Vec<(f64, usize)> = (0..30).map(|n| (0.1 * 0.5f64.powi(n), 1)).collect();
        check(levels(rate_hz, &tail), |stem| {
            stem.channels[0].scale = 10.0;
            let last = (0..30).filter(|n| 0.5f64.powi(*n) > Decibels(-90.0).ratio()).count() as u64;
            assert_eq!(stem.sounding(Decibels(-90.0).ratio()), Some((0, last * tenth)));
        });
    }
}

#[test]
fn a_stem_of_dithered_silence_has_no_sound() {
    let step = 1.0 / 32_768.0;
    check(levels(48_000, &[(step, 20)]), |stem| {
        stem.channels[0].scale = 2.0;
        assert_eq!(stem.sounding(Decibels(-90.0).ratio()), None);
    });
    // The level of a rest counts from what is left of it without its offset.
    check(levels(48_000, &[(step, 5), (0.1, 3), (step, 12)]), |stem| {
        (stem.channels[0].scale, stem.channels[0].shift) = (2.0, 2.0 * 0.01);
        assert_eq!(stem.sounding(Decibels(-90.0).ratio()), Some((0, 96_000)));
    });
}
