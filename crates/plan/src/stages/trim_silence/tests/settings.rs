//! The settings of `trim-silence`: how they are read, and what is kept where no tempo is known.

use super::*;

/// No public norm exists: common practice, no source.
#[test]
fn the_defaults_keep_a_bar_or_a_second_before_and_three_seconds_behind() {
    let own = settings("");
    assert_eq!(own, Settings::default());
    assert_eq!(own.threshold, Level(-90.0));
    assert_eq!(own.head, Keep::First(vec![Span::Bars(1.0), Span::Seconds(1.0)]));
    assert_eq!(own.tail, Keep::One(Seconds(3.0)));
    assert_eq!((own.link, own.whole_bars, own.fade), (LinkScope::Delivery, false, Seconds(0.005)));
}

#[test]
fn every_setting_is_read_and_no_other() {
    let own = settings(
        "threshold = \"-60 dBFS\"\nhead = [\"2 bars\", \"500 ms\"]\ntail = \"2 s\"\nlink = \"group\"\nwhole-bars = true\nfade = \"10 ms\"",
    );
    let expected = Settings {
        threshold: Level(-60.0),
        head: Keep::First(vec![Span::Bars(2.0), Span::Seconds(0.5)]),
        tail: Keep::One(Seconds(2.0)),
        link: LinkScope::Group,
        whole_bars: true,
        fade: Seconds(0.01),
    };
    assert_eq!(own, expected);
    for wrong in
        ["gate = \"1 s\"", "threshold = \"-60 dB\"", "whole-bars = 1", "fade = [\"1 s\"]", "fade = \"1 bar\""]
    {
        assert!(toml::from_str::<Settings>(wrong).is_err(), "{wrong}");
    }
}

#[test]
fn what_is_kept_is_one_span_or_a_list_that_ends_in_seconds() {
    for (text, keep) in [
        ("\"1 s\"", Keep::One(Seconds(1.0))),
        ("[\"1 s\"]", Keep::First(vec![Span::Seconds(1.0)])),
        ("[\"1 bar\", \"100 ms\"]", Keep::First(vec![Span::Bars(1.0), Span::Seconds(0.1)])),
    ] {
        assert_eq!(settings(&format!("tail = {text}")).tail, keep);
    }
    let last = "the last span of a list must be in ms, s or min, since a tempo is not always known";
    let span = "expected a time span such as \"1 s\", or a list of them such as [\"1 bar\", \"1 s\"]";
    for (text, why) in [
        ("[]", last),
        ("[\"1 s\", \"1 bar\"]", last),
        (
            "\"4 bars\"",
            "found \"4 bars\" alone, and a tempo is not always known: allowed is a list that ends in ms, s or min, such as [\"4 bars\", \"1 s\"]",
        ),
        ("3", span),
        ("true", span),
        ("\"3 dB\"", "found \"3 dB\", allowed is a time from 0 to one day"),
        ("[\"1 s\", \"3 dB\"]", "found \"3 dB\", allowed is a time from 0 to one day"),
    ] {
        let error = toml::from_str::<Settings>(&format!("head = {text}")).unwrap_err().to_string();
        assert!(error.contains(why), "{text}: {error}");
    }
}

/// A bar of 4/4 at 120 BPM lasts 2 s (arithmetic).
#[test]
fn the_first_span_that_can_be_used_is_kept() {
    for (text, bar_seconds, frames) in [
        ("\"1 s\"", Some(2.0), 48_000),
        ("[\"1 bar\", \"500 ms\"]", Some(2.0), 96_000),
        ("[\"1 bar\", \"500 ms\"]", None, 24_000),
        ("[\"250 ms\", \"500 ms\"]", None, 12_000),
    ] {
        assert_eq!(settings(&format!("head = {text}")).head.frames(48_000, bar_seconds), frames, "{text}");
    }
}
