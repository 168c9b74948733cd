//! What `align-starts` is asked for, what its processor does and what it writes down. No audio file.

use super::*;
use crate::testing::{no_shape, through, written};

mod decisions;
mod places;

fn settings(text: &str) -> Settings {
    toml::from_str(text).unwrap()
}

fn left(why: &str) -> Decision {
    Decision::Leave { why: why.to_owned() }
}

/// More silence than a quarter of an hour before a stem is a clock time: common practice, no source.
#[test]
fn the_defaults_take_plausible_stamps_and_only_report_what_the_rough_mix_shows() {
    let own = settings("");
    assert_eq!(own, Settings::default());
    let max_implied_silence = Seconds(900.0);
    assert_eq!(own, Settings { starts: Starts::Auto, max_implied_silence, by_rough_mix: false });
}

#[test]
fn every_setting_is_read_and_no_other() {
    for (text, starts) in [("auto", Starts::Auto), ("stamp", Starts::Stamp), ("file", Starts::File)] {
        let text = format!("starts = \"{text}\"\nmax-implied-silence = \"2 min\"\nby-rough-mix = true");
        let max_implied_silence = Seconds(120.0);
        assert_eq!(settings(&text), Settings { starts, max_implied_silence, by_rough_mix: true });
    }
    for wrong in
        ["starts = \"bext\"", "origin = \"file\"", "max-implied-silence = 3", "by-rough-mix = \"yes\""]
    {
        assert!(toml::from_str::<Settings>(wrong).is_err(), "{wrong}");
    }
}

fn place(pad: u64, drop: u64, from: u64, length: u64) -> Decision {
    Decision::Place {
        pad_head_frames: pad,
        drop_head_frames: drop,
        from_frames: from,
        length_frames: length,
        why: "it starts late".to_owned(),
    }
}

/// Frames `from..from + length` of `sound` with silence around it, by index: what the processor shall make.
fn window(sound: &[f64], from: i64, length: u64) -> Vec<f64> {
    let at = |frame: i64| usize::try_from(frame).ok().and_then(|frame| sound.get(frame)).copied();
    (from..from + length as i64).map(|frame| at(frame).unwrap_or(0.0)).collect()
}

#[test]
fn the_processor_places_alike_however_the_stream_is_cut_into_blocks() {
    let sound: Vec<f64> = (1..=12).map(f64::from).collect();
    no_shape(|shape| {
        assert!(processor(&left("so"), shape).is_none());
        for (pad, drop) in [(0, 0), (1, 0), (5, 0), (0, 1), (0, 5), (0, 12), (0, 15), (30, 0)] {
            for length in [0, 1, 5, 7, 12, 17, 25] {
                for block_frames in 1..=13 {
                    let mut placer = processor(&place(pad, drop, 12, length), shape).unwrap();
                    let found = through(&mut *placer, &sound, block_frames);
                    let expected = window(&sound, drop as i64 - pad as i64, length);
                    assert_eq!(found, expected, "{pad}, {drop}, {length}, {block_frames}");
                }
            }
        }
    });
}

#[test]
fn long_silence_comes_in_pieces_so_that_it_needs_no_memory() {
    for (from, length, pieces) in [
        (-65_535, 65_536, &[65_535_usize, 0][..]),
        (-65_536, 65_537, &[65_536, 0]),
        (-65_537, 65_538, &[65_536, 1, 0]),
        (-200_000, 100_000, &[65_536, 34_464, 0]),
        (0, 65_537, &[0]),
    ] {
        let mut placer = Placer::new(from, length);
        let mut block = Block::new(2);
        for &piece in pieces {
            block.clear();
            placer.begin(&mut block);
            assert_eq!((block.frames(), block.channels()), (piece, 2), "{from}, {length}");
        }
    }
    let mut placer = Placer::new(0, 140_000);
    let mut block = Block::from_channels(vec![vec![1.0; 4]]);
    placer.process(&mut block);
    for piece in [65_536, 65_536, 8_924, 0, 0] {
        block.clear();
        placer.finish(&mut block);
        assert_eq!(block, Block::silence(1, piece));
    }
}

#[test]
fn the_change_says_the_start_or_the_length_alone_and_leaving_is_no_change() {
    no_shape(|shape| {
        assert_eq!(change(&left("so"), shape, &written(10)), None);
        let why = "it starts late";
        let of = |change: Change| change.with("from_frames", 12).with("frames_written", 10);
        let start = |frames: i64| {
            of(Change::new("align-starts", "start", 0, frames, "frames", why).with("length_frames", 20))
        };
        let length = of(Change::new("align-starts", "length", 12, 20, "frames", why));
        for (pad, drop, expected) in [(0, 0, length), (5, 0, start(5)), (0, 5, start(-5))] {
            assert_eq!(change(&place(pad, drop, 12, 20), shape, &written(10)), Some(expected));
        }
    });
}

#[test]
fn a_decision_is_read_as_it_is_written() {
    for (decision, word) in [(place(1, 2, 3, 4), "place"), (left("so"), "leave")] {
        let text = serde_json::to_value(&decision).unwrap();
        assert_eq!(text["do"], word);
        assert_eq!(serde_json::from_value::<Decision>(text).unwrap(), decision);
    }
}
