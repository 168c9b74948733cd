//! Tests of the quantities that a recipe writes, and of globs.

use super::*;

#[test]
fn quantities_print_as_they_are_read() {
    for text in ["-6 dBFS", "-1 dBTP"] {
        assert_eq!(text.parse::<Peak>().unwrap().to_string(), text);
    }
    for text in ["10 ms", "2 s", "1 bar", "2 bars"] {
        assert_eq!(text.parse::<Span>().unwrap().to_string(), text);
    }
    for text in ["majority", "source", "48 kHz", "44.1 kHz"] {
        assert_eq!(text.parse::<Rate>().unwrap().to_string(), text);
    }
}

#[test]
fn wrong_units_and_ranges_are_refused_with_what_is_allowed() {
    for text in ["-6", "-6 dB", "-6dBFS", "3 dBFS", "NaN dBFS", "inf dBTP", ""] {
        let message = text.parse::<Peak>().unwrap_err().to_string();
        assert!(message.contains("-6 dBFS") && message.contains(text), "{message}");
    }
    for text in ["4 GHz", "7999 Hz", "384001 Hz", "44100.5 Hz", "48"] {
        assert!(text.parse::<Rate>().is_err(), "{text}");
    }
    for text in ["-1 s", "1 h", "90000 s"] {
        assert!(text.parse::<Span>().is_err(), "{text}");
    }
}

#[test]
fn spans_never_give_less_than_was_asked() {
    assert_eq!(Span::Seconds(0.01).frames(44_100, None), Some(441));
    assert_eq!(Span::Seconds(0.0101).frames(44_100, None), Some(446));
    assert_eq!(Span::Bars(1.0).frames(48_000, None), None);
    // 4/4 at 82 BPM is 140 487.804878 frames a bar at 48 kHz (arithmetic).
    assert_eq!(Span::Bars(1.0).frames(48_000, Some(4.0 * 60.0 / 82.0)), Some(140_488));
}

/// Ends of every range are allowed, and what lies beyond them is not.
#[test]
fn every_range_has_its_ends() {
    for text in ["0 dBFS", "-200 dBFS", "-0.5 dBTP"] {
        assert!(text.parse::<Peak>().is_ok(), "{text}");
    }
    for text in ["0.1 dBFS", "-200.1 dBTP"] {
        assert!(text.parse::<Peak>().is_err(), "{text}");
    }
    for (text, right) in [("-200 dBFS", true), ("0 dBFS", true), ("0.1 dBFS", false), ("-90 dBTP", false)] {
        assert_eq!(text.parse::<Level>().is_ok(), right, "{text}");
    }
    for (text, right) in [("200 dB", true), ("-200 dB", true), ("200.1 dB", false), ("6 dBFS", false)] {
        assert_eq!(text.parse::<Ratio>().is_ok(), right, "{text}");
    }
    for (text, right) in [("8 kHz", true), ("8000 Hz", true), ("384 kHz", true), ("7.999 kHz", false)] {
        assert_eq!(text.parse::<Rate>().is_ok(), right, "{text}");
    }
    for (text, right) in [("0 s", true), ("1440 min", true), ("1440.1 min", false), ("1000 bars", true)] {
        assert_eq!(text.parse::<Span>().is_ok(), right, "{text}");
    }
    assert!("1000.5 bars".parse::<Span>().is_err());
}

#[test]
fn units_are_read_as_what_they_mean() {
    assert_eq!("44100 Hz".parse::<Rate>(), Ok(Rate::Fixed(44_100)));
    assert_eq!("44.1 kHz".parse::<Rate>(), Ok(Rate::Fixed(44_100)));
    assert_eq!("majority".parse::<Rate>(), Ok(Rate::Majority));
    assert_eq!("source".parse::<Rate>(), Ok(Rate::Source));
    for (text, span) in [
        ("250 ms", Span::Seconds(0.25)),
        ("2 s", Span::Seconds(2.0)),
        ("1.5 min", Span::Seconds(90.0)),
        ("1 bar", Span::Bars(1.0)),
        ("2.5 bars", Span::Bars(2.5)),
    ] {
        assert_eq!(text.parse::<Span>(), Ok(span), "{text}");
    }
    let peak: Peak = "-6 dBTP".parse().unwrap();
    assert_eq!((peak.db, peak.kind, peak.kind.unit()), (-6.0, PeakKind::True, "dBTP"));
    assert_eq!("-6 dBFS".parse::<Peak>().unwrap().kind, PeakKind::Sample);
}

/// 20 dB are a factor of ten in amplitude (ISO 80000-3; arithmetic).
#[test]
fn levels_are_amplitudes() {
    let near = |found: f64, wanted: f64| (found - wanted).abs() < 1e-12;
    assert!(near("-20 dBFS".parse::<Peak>().unwrap().amplitude(), 0.1));
    assert!(near("-40 dBFS".parse::<Level>().unwrap().amplitude(), 0.01));
    assert!(near("20 dB".parse::<Ratio>().unwrap().amplitude(), 10.0));
    assert_eq!(Level(-90.0).to_string(), "-90 dBFS");
    assert_eq!(Ratio(0.5).to_string(), "0.5 dB");
    for (span, text) in [
        (Span::Seconds(0.0), "0 s"),
        (Span::Seconds(0.005), "5 ms"),
        (Span::Seconds(0.9995), "999.5 ms"),
        (Span::Seconds(1.0), "1 s"),
        (Span::Bars(0.5), "0.5 bar"),
        (Span::Bars(1.5), "1.5 bars"),
    ] {
        assert_eq!(span.to_string(), text);
    }
    assert_eq!(Span::Seconds(0.0).frames(48_000, None), Some(0));
}

fn globs(patterns: &[&str]) -> Globs {
    Globs::new(patterns.iter().map(|&pattern| pattern.to_owned()).collect()).unwrap()
}

#[test]
fn globs_know_no_letter_case_and_cross_folders() {
    let rows = [
        ("*amp*", "Gtr AMP.wav", true),
        ("*AMP*", "a/b/gtr amp.wav", true),
        ("drums/*", "Drums/Top/Snare.wav", true),
        ("drums/*", "Drums.wav", false),
        ("*.wav", "a/b.WAV", true),
        ("amp", "Gtr amp.wav", false),
        ("gtr ?.wav", "Gtr 1.wav", true),
        ("gtr ?.wav", "Gtr 12.wav", false),
    ];
    for (pattern, path, fits) in rows {
        assert_eq!(globs(&[pattern]).is_match(path), fits, "{pattern} {path}");
    }
    let two = globs(&["*kick*", "*snare*"]);
    assert!(two.is_match("Kick.wav") && two.is_match("Snare.wav") && !two.is_match("Vox.wav"));
    assert!(!Globs::default().is_match("") && !Globs::default().is_match("Kick.wav"));
}

#[test]
fn globs_are_equal_where_their_patterns_are_and_are_written_as_they_are_read() {
    assert_eq!(globs(&["a*", "b*"]), globs(&["a*", "b*"]));
    assert_ne!(globs(&["a*", "b*"]), globs(&["b*", "a*"]));
    assert_ne!(globs(&["a*"]), globs(&["A*"]));
    assert_eq!(globs(&[]), Globs::default());
    let text = "[\"a*\",\"b/*\"]";
    let read: Globs = serde_json::from_str(text).unwrap();
    assert_eq!(read, globs(&["a*", "b/*"]));
    assert_eq!(serde_json::to_string(&read).unwrap(), text);
}

#[test]
fn a_glob_that_cannot_be_read_is_named_with_the_reason() {
    let bad = Globs::new(vec!["*kick*".to_owned(), "[x".to_owned()]).unwrap_err();
    assert_eq!(bad.pattern, "[x");
    assert!(bad.to_string().starts_with("found the glob \"[x\": "), "{bad}");
    assert!(!bad.why.is_empty());
    let read = serde_json::from_str::<Globs>("[\"{a\"]").unwrap_err().to_string();
    assert!(read.contains("found the glob \"{a\""), "{read}");
}

#[test]
fn globs_that_are_too_much_to_compile_are_refused() {
    let many = |count: usize| Globs::new((0..count).map(|n| format!("*{n:08}*")).collect());
    assert!(many(2_000).is_ok());
    let bad = many(2_001).unwrap_err();
    assert!(bad.to_string().contains("20010 bytes, allowed are 20000"), "{bad}");
}

/// What an editor is told fits what is read.
#[test]
fn the_schema_has_name_pattern_and_example() {
    fn check<T: Written + JsonSchema>(name: &str) {
        let schema = T::json_schema(&mut SchemaGenerator::default()).to_value();
        assert_eq!(T::schema_name(), name);
        assert_eq!((&schema["type"], &schema["pattern"]), (&"string".into(), &T::PATTERN.into()));
        assert_eq!(schema["description"], T::ALLOWED);
    }
    check::<Peak>("peak level");
    check::<Level>("level");
    check::<Ratio>("level difference");
    check::<Span>("time span");
    check::<Rate>("sampling rate");
}
