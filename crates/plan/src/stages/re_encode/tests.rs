//! Tests of `re-encode`: storage, dither, exactness, refusals and changes, from facts alone.

use serde_json::json;

use super::*;
use crate::testing::{Stem, recipe, stem, with_draft};

/// What is decided for one stem, what is noticed, and what becomes of it. `before` is what earlier stages have done.
fn check_after(
    settings: &Settings,
    one: Stem,
    before: impl FnOnce(&mut DraftStem<'_>),
) -> (Decision, Vec<Finding>, Fate) {
    with_draft(&recipe(""), [one], |draft| {
        before(&mut draft.stems[0]);
        let decision = decide(std::slice::from_ref(settings), draft).remove(0);
        (decision, draft.stems[0].findings.clone(), draft.stems[0].fate.clone())
    })
}

fn check(settings: &Settings, one: Stem) -> (Decision, Vec<Finding>, Fate) {
    check_after(settings, one, |_| {})
}

/// Storage, dither and exactness of a decision to write.
fn written(decision: &Decision) -> (SampleFormat, bool, bool) {
    match decision {
        Decision::Write { storage, dither, exact, .. } => (*storage, *dither, *exact),
        Decision::Leave { why } => panic!("not written: {why}"),
    }
}

fn at(depth: Depth) -> Settings {
    Settings { depth, ..Settings::default() }
}

/// A source of so many valid bits.
fn source(bits: u16, float: bool, lossy: bool) -> Stem {
    stem("x.wav").with_format(|format| (format.bits, format.float, format.lossy) = (bits, float, lossy))
}

const ALL: [(Depth, SampleFormat); 5] = [
    (Depth::I16, SampleFormat::I16),
    (Depth::I24, SampleFormat::I24),
    (Depth::I32, SampleFormat::I32),
    (Depth::F32, SampleFormat::F32),
    (Depth::F64, SampleFormat::F64),
];

#[test]
fn the_defaults_are_broadcast_wav_at_24_bits_with_dither() {
    let words = json!({
        "container": "bwf", "depth": "24-bit", "dither": "tpdf", "when-over": "float", "markers": false
    });
    assert_eq!(serde_json::to_value(Settings::default()).unwrap(), words);
    assert_eq!(serde_json::from_value::<Settings>(json!({})).unwrap(), Settings::default());
}

/// Extensions as the formats' own documents name them; the codec has one writer for both kinds of WAV.
#[test]
fn every_container_has_its_word_its_extension_and_its_writer() {
    let rows = [
        (OutputContainer::Bwf, "bwf", "wav", Target::Wav, true),
        (OutputContainer::Wav, "wav", "wav", Target::Wav, false),
        (OutputContainer::Aiff, "aiff", "aif", Target::Aiff, true),
        (OutputContainer::Caf, "caf", "caf", Target::Caf, true),
        (OutputContainer::Flac, "flac", "flac", Target::Flac, true),
    ];
    for (container, word, extension, target, metadata) in rows {
        assert_eq!(serde_json::to_value(container).unwrap(), json!(word));
        assert_eq!(container.extension(), extension);
        assert_eq!(container.target(), target, "{word}");
        assert_eq!(container.carries_metadata(), metadata, "{word}");
        let settings = Settings { container, when_over: WhenOver::Fail, ..Settings::default() };
        let decision = check(&settings, stem("x.wav")).0;
        assert!(matches!(decision, Decision::Write { container: found, .. } if found == container), "{word}");
    }
}

#[test]
fn every_depth_has_one_word_in_recipe_plan_and_papers() {
    let kinds =
        [SampleKind::I16, SampleKind::I24, SampleKind::I32, SampleKind::F32, SampleKind::F64].into_iter();
    let words = ["16-bit", "24-bit", "32-bit", "32-bit float", "64-bit float"];
    for (((depth, storage), word), kind) in ALL.into_iter().zip(words).zip(kinds) {
        assert_eq!(serde_json::to_value(depth).unwrap(), json!(word));
        assert_eq!(serde_json::to_value(storage).unwrap(), json!(word));
        assert_eq!(storage.as_str(), word);
        assert_eq!(storage.kind(), kind);
        assert_eq!(written(&check(&at(depth), source(16, false, false)).0).0, storage);
    }
    assert_eq!(serde_json::to_value(Depth::Source).unwrap(), json!("source"));
}

/// What a codec took away does not come back: 24 bits hold what is left of a lossy source (common practice, no source).
#[test]
fn a_source_keeps_its_depth_in_the_smallest_storage_that_holds_it() {
    use SampleFormat::{F32, F64, I16, I24, I32};
    let rows = [
        ((0, false, false), I16, "0-bit"),
        ((8, false, false), I16, "8-bit"),
        ((16, false, false), I16, "16-bit"),
        ((17, false, false), I24, "17-bit"),
        ((24, false, false), I24, "24-bit"),
        ((25, false, false), I32, "25-bit"),
        ((32, false, false), I32, "32-bit"),
        ((33, false, false), F64, "33-bit"),
        ((32, true, false), F32, "32-bit float"),
        ((64, true, false), F64, "64-bit float"),
        ((64, false, false), F64, "64-bit"),
        ((16, false, true), I24, "PCM (lossy)"),
        ((32, false, true), I24, "PCM (lossy)"),
        ((32, true, true), F32, "PCM (lossy)"),
        ((64, true, true), F64, "PCM (lossy)"),
    ];
    for ((bits, float, lossy), wanted, words) in rows {
        let (decision, findings, fate) = check(&at(Depth::Source), source(bits, float, lossy));
        let Decision::Write { storage, from, why, container, markers, .. } = decision else {
            panic!("{words}: not written")
        };
        assert_eq!((storage, from.as_str()), (wanted, words));
        assert_eq!(why, "every stem keeps its own depth");
        assert_eq!(
            (container, markers, findings, fate),
            (OutputContainer::Bwf, vec![], vec![], Fate::Render)
        );
    }
    let Decision::Write { why, .. } = check(&at(Depth::I24), source(16, false, false)).0 else {
        panic!("not written")
    };
    assert_eq!(why, "one depth for all stems");
}

/// TPDF dither belongs to a fall in depth alone (Wannamaker et al., IEEE Trans. SP 48(2), 2000: it makes the error of
/// a quantiser independent of the sound; where nothing is quantised there is no error). A 32-bit float holds integers
/// of 24 bits (IEEE 754, binary32: 24 bits of significand).
#[test]
fn dither_comes_with_a_fall_in_depth_and_exactness_without_one() {
    use SampleFormat::{F32, F64, I16, I24, I32};
    // Grid of the samples, whether they are the source's, float and bits of the source; then dither and exactness.
    type Row = (SampleFormat, Option<u32>, bool, (bool, u16), bool, bool);
    let rows: [Row; 21] = [
        (I16, Some(15), true, (false, 16), false, true),
        (I16, Some(16), true, (false, 16), false, true),
        (I16, Some(17), true, (false, 24), true, false),
        (I16, None, false, (false, 16), true, false),
        (I24, Some(16), true, (false, 16), false, true),
        (I24, Some(24), true, (false, 24), false, true),
        (I24, Some(25), true, (false, 32), true, false),
        (I24, None, false, (false, 24), true, false),
        (I24, None, true, (true, 32), true, false),
        (I32, Some(32), true, (false, 32), false, true),
        (I32, Some(33), true, (false, 64), true, false),
        (I32, None, true, (true, 32), true, false),
        (F32, Some(24), true, (false, 24), false, true),
        (F32, Some(25), true, (false, 32), false, false),
        (F32, None, true, (true, 32), false, true),
        (F32, None, true, (true, 64), false, false),
        (F32, None, true, (false, 32), false, false),
        (F32, None, false, (true, 32), false, false),
        (F64, Some(32), false, (false, 32), false, true),
        (F64, None, true, (true, 64), false, true),
        (F64, None, false, (true, 64), false, false),
    ];
    for (storage, grid_bits, untouched, (float, bits), dither, exact) in rows {
        let depth = ALL.into_iter().find(|(_, known)| *known == storage).unwrap().0;
        for (wanted, own) in [(Dither::Tpdf, dither), (Dither::None, false)] {
            let settings = Settings { dither: wanted, ..at(depth) };
            let (decision, findings, _) = check_after(&settings, source(bits, float, false), |stem| {
                (stem.grid_bits, stem.untouched) = (grid_bits, untouched);
            });
            let row = format!("{storage:?} {grid_bits:?} {untouched} {float} {bits} {wanted:?}");
            assert_eq!(written(&decision), (storage, own, exact), "{row}");
            assert_eq!(findings, [], "{row}");
        }
    }
    // What a lossy codec gives lies on no grid.
    assert_eq!(written(&check(&at(Depth::I24), source(16, false, true)).0), (I24, true, false));
    assert_eq!(written(&check(&at(Depth::F64), source(16, false, true)).0), (F64, false, true));
}

/// An integer of n bits reaches 1 − 2^(1−n); TPDF adds up to one step and rounding half a step (Wannamaker et al.).
#[test]
fn integers_clip_from_two_steps_and_a_half_below_full_scale() {
    for (depth, storage, bits) in [
        (Depth::I16, SampleFormat::I16, 16),
        (Depth::I24, SampleFormat::I24, 24),
        (Depth::I32, SampleFormat::I32, 32),
    ] {
        let most = 1.0 - 2.5 / 2f64.powi(bits - 1);
        let grid = bits as u32;
        let rows = [
            (most, None, false),
            (most.next_up(), None, true),
            (most.next_up(), Some(grid + 1), true),
            (most, Some(grid + 1), false),
            (1.0, Some(grid), false),
            (1.0, Some(grid - 1), false),
            (1.0, Some(1), false),
            (1.0, None, true),
        ];
        for (peak, grid_bits, over) in rows {
            let row = format!("{bits} bits, peak {peak}, grid {grid_bits:?}");
            assert_eq!(would_clip(peak, storage, grid_bits), over, "{row}");
            let (decision, findings, fate) =
                check_after(&at(depth), stem("x.wav").channels(&[peak]), |stem| stem.grid_bits = grid_bits);
            let kept = if over { SampleFormat::F32 } else { storage };
            assert_eq!((written(&decision).0, findings.len()), (kept, usize::from(over)), "{row}");
            assert_eq!(fate, Fate::Render, "{row}");
        }
    }
}

/// 20 · log10 of 2 is 6.0206 dB (arithmetic).
#[test]
fn a_stem_above_full_scale_becomes_floats_or_fails_as_the_recipe_says() {
    let loud = || source(32, true, false).channels(&[0.5, 2.0]);
    let text = "the peak would be 6.02 dB above full scale in 16-bit integers";

    let (decision, findings, fate) = check(&at(Depth::I16), loud());
    assert_eq!(written(&decision), (SampleFormat::F32, false, true));
    let wanted = Finding::new(
        Id::OverFullScale,
        format!("{text}; it is written in 32-bit float, where nothing clips"),
    );
    assert_eq!(findings, [wanted.with("peak_dbfs", 6.021)]);
    assert_eq!(fate, Fate::Render);

    let fail = Settings { when_over: WhenOver::Fail, ..at(Depth::I16) };
    let (decision, findings, fate) = check(&fail, loud());
    let why = format!("{text}; lower it with gain-stage or write floats");
    assert_eq!(decision, Decision::Leave { why: why.clone() });
    assert_eq!(fate, Fate::Fail { why });
    assert_eq!(findings, []);

    for depth in [Depth::F32, Depth::F64, Depth::Source] {
        let (decision, findings, fate) = check(&Settings { depth, ..fail.clone() }, loud());
        assert!(matches!(decision, Decision::Write { .. }), "{depth:?}: floats have no ceiling");
        assert_eq!((findings, fate), (vec![], Fate::Render), "{depth:?}");
    }
    let (decision, _, fate) = check(&fail, source(16, false, false).channels(&[1.0]));
    assert_eq!((written(&decision).2, fate), (true, Fate::Render), "samples of 16 bits fit into 16 bits");
}

/// 32-bit floats end at 3.4e38 (IEEE 754-2019, binary32).
#[test]
fn what_floats_cannot_hold_fails_and_is_never_an_infinity() {
    let loud = |peak: f64| stem("x.wav").channels(&[peak]).with_format(|format| format.float = true);
    for (depth, peak, fails) in [
        (Depth::F32, 3.4e38, false),
        (Depth::F32, 3.5e38, true),
        (Depth::F64, 1e300, false),
        // Integers that would clip become 32-bit floats.
        (Depth::I24, 1e300, true),
    ] {
        let (decision, _, fate) = check(&at(depth), loud(peak));
        assert_eq!(matches!(fate, Fate::Fail { .. }), fails, "{peak:e}: {decision:?}");
        if let Fate::Fail { why } = fate {
            assert!(why.contains(&format!("{peak:e}")) && why.contains("3.4028235e38"), "{why}");
        }
    }
}

/// A peak that only rounding may carry over full scale is not said to be 0 dB, or less than that, above it.
#[test]
fn a_peak_that_only_rounding_carries_over_is_not_called_above_full_scale() {
    for peak in [1.0 - 2.0 / 32_768.0, 1.0, 1.0005] {
        let (decision, findings, _) = check(&at(Depth::I16), source(32, true, false).channels(&[peak]));
        assert_eq!(written(&decision).0, SampleFormat::F32);
        assert!(findings[0].text.starts_with("rounding to 16-bit integers could carry the peak"), "{peak}");
    }
    let (_, findings, _) = check(&at(Depth::I16), source(32, true, false).channels(&[1.001]));
    assert!(findings[0].text.starts_with("the peak would be 0.01 dB above full scale"));
}

/// FLAC: integers, up to 8 channels, rates in Hz or tens of Hz of 16 bits (RFC 9639, section 9.1.2; from memory).
/// AIFF: the size of a chunk has 32 bits (Audio Interchange File Format 1.3; from memory).
#[test]
fn what_a_container_cannot_hold_fails_with_the_way_out() {
    // Settings, channels, rate, frames, and why it is refused.
    type Row = (Settings, usize, u32, u64, Option<String>);
    let flac = |depth| Settings { container: OutputContainer::Flac, ..at(depth) };
    let aiff = |depth| Settings { container: OutputContainer::Aiff, ..at(depth) };
    let way = "set container = \"bwf\" for this stem";
    let way_of_floats = "set container = \"bwf\" or another depth for this stem";
    // The greatest header has 128 bytes; mono at 24 bits takes 3 bytes a frame, stereo at 16 bits 4.
    let (mono, stereo) = ((u64::from(u32::MAX) - 128) / 3, (u64::from(u32::MAX) - 128) / 4);
    let four_gib = |bytes: u64| {
        format!(
            "an AIFF file ends at 4 GiB, this would be {bytes} bytes of samples; set container = \"bwf\" or \"caf\""
        )
    };
    let rows: [Row; 14] = [
        (flac(Depth::F32), 1, 48_000, 9, Some(format!("FLAC holds integers only; {way_of_floats}"))),
        (flac(Depth::I24), 8, 48_000, 9, None),
        (flac(Depth::I24), 9, 48_000, 9, Some(format!("FLAC holds up to 8 channels, not 9; {way}"))),
        (flac(Depth::I24), 1, 65_535, 9, None),
        (flac(Depth::I24), 1, 65_537, 9, Some(format!("FLAC has no word for a rate of 65537 Hz; {way}"))),
        (flac(Depth::I24), 1, 192_000, 1 << 40, None),
        (aiff(Depth::I24), 1, 48_000, mono, None),
        (aiff(Depth::I24), 1, 48_000, mono + 1, Some(four_gib(3 * (mono + 1)))),
        (aiff(Depth::I16), 2, 48_000, stereo, None),
        (aiff(Depth::I16), 2, 48_000, stereo + 1, Some(four_gib(4 * (stereo + 1)))),
        (aiff(Depth::F64), 9, 65_537, u64::MAX, Some(four_gib(u64::MAX))),
        (at(Depth::I24), 9, 65_537, 1 << 40, None),
        (Settings { container: OutputContainer::Caf, ..at(Depth::F64) }, 9, 65_537, 1 << 40, None),
        (Settings { container: OutputContainer::Wav, ..at(Depth::F64) }, 9, 65_537, 1 << 40, None),
    ];
    for (settings, channels, rate_hz, frames, refused) in rows {
        let row = format!("{settings:?} {channels} {rate_hz} {frames}");
        let (decision, findings, fate) =
            check_after(&settings, source(16, false, false).channels(&vec![0.5; channels]), |stem| {
                (stem.rate_hz, stem.frames) = (rate_hz, frames);
            });
        if let Some(why) = refused {
            assert_eq!(decision, Decision::Leave { why: why.clone() }, "{row}");
            assert_eq!(fate, Fate::Fail { why }, "{row}");
        } else {
            assert!(matches!(decision, Decision::Write { .. }), "{row}: {decision:?}");
            assert_eq!(fate, Fate::Render, "{row}");
        }
        assert_eq!(findings, [], "{row}");
    }
}

#[test]
fn a_stem_that_is_not_rendered_is_not_written() {
    let aside = Fate::SetAside { why: "for a test".to_owned() };
    let (decision, findings, fate) =
        check_after(&Settings::default(), stem("x.wav").channels(&[2.0]), |stem| stem.fate = aside.clone());
    assert_eq!(decision, Decision::Leave { why: "the stem is not rendered".to_owned() });
    assert_eq!((findings, fate), (vec![], aside));
}

#[test]
fn every_stem_is_decided_by_its_own_settings() {
    let stems = [stem("a.wav"), stem("b.wav")];
    let found = with_draft(&recipe(""), stems, |draft| decide(&[at(Depth::I16), at(Depth::F64)], draft));
    let storages: Vec<SampleFormat> = found.iter().map(|decision| written(decision).0).collect();
    assert_eq!(storages, [SampleFormat::I16, SampleFormat::F64]);
}

fn write(storage: SampleFormat, dither: bool, from: &str) -> Decision {
    Decision::Write {
        container: OutputContainer::Bwf,
        storage,
        dither,
        exact: !dither,
        from: from.to_owned(),
        markers: Vec::new(),
        why: "one depth for all stems".to_owned(),
    }
}

#[test]
fn a_change_is_written_down_where_bits_change_or_samples_are_held() {
    use SampleFormat::{F32, I16, I24};
    // What is written, from what, samples that were held; then what changes, from, to, and the dither.
    type Row = (SampleFormat, bool, &'static str, u64, Option<(&'static str, &'static str, &'static str)>);
    let rows: [Row; 7] = [
        (I24, false, "24-bit", 0, None),
        (I24, false, "24-bit", 3, Some(("depth", "24-bit", "none"))),
        (I24, true, "24-bit", 0, Some(("dither", "none", "TPDF"))),
        (I24, true, "24-bit", 3, Some(("dither", "none", "TPDF"))),
        (I24, false, "16-bit", 0, Some(("depth", "16-bit", "none"))),
        (I16, true, "24-bit", 2, Some(("depth", "24-bit", "TPDF"))),
        (F32, false, "32-bit", 0, Some(("depth", "32-bit", "none"))),
    ];
    let shape = Shape { sources: &[], output: &crate::shape::OutputPlan::default() };
    for (storage, dither, from, clipped, wanted) in rows {
        let measured = Measured { clipped, ..Measured::default() };
        let decision = write(storage, dither, from);
        let wanted = wanted.map(|(what, from, added)| {
            let to = if what == "dither" { added } else { storage.as_str() };
            Change::new("re-encode", what, from, to, "", "one depth for all stems")
                .with("dither", added)
                .with("samples_clipped", clipped)
        });
        assert_eq!(change(&decision, shape, &measured), wanted, "{decision:?} {clipped}");
        assert!(processor(&decision, shape).is_none(), "writing is no change of sound");
    }
    let leave = Decision::Leave { why: "for a test".to_owned() };
    assert_eq!(change(&leave, shape, &Measured { clipped: 3, ..Measured::default() }), None);
    assert!(processor(&leave, shape).is_none());
}

#[test]
fn a_decision_reads_back_as_it_was_and_says_nothing_of_markers_that_it_has_not() {
    let mut decision = write(SampleFormat::I24, true, "32-bit float");
    let value = serde_json::to_value(&decision).unwrap();
    assert_eq!((&value["do"], value.get("markers")), (&json!("write"), None));
    assert_eq!(serde_json::from_value::<Decision>(value).unwrap(), decision);
    if let Decision::Write { markers, .. } = &mut decision {
        markers.push(PlannedMarker { frame: 7, name: "Verse".to_owned() });
    }
    let value = serde_json::to_value(&decision).unwrap();
    assert_eq!(value["markers"], json!([{ "frame": 7, "name": "Verse" }]));
    assert_eq!(serde_json::from_value::<Decision>(value).unwrap(), decision);
}
