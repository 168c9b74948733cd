//! Tests of the plan as a whole: order of decisions, link, outputs, findings, markers and places, from facts alone.

use loadin_record::evidence::{Estimates, Evidence};
use loadin_record::finding::{Finding, Id};
use loadin_record::late::{Pin, PinnedStem};
use loadin_record::link::{Link, LinkGain, Linked};
use loadin_record::role::StemRole;
use loadin_record::survey::{MarkerFacts, Unusable};
use loadin_session::Group;
use serde_json::json;

use super::*;
use crate::shape::{Fate, PlannedMarker};
use crate::testing::{self, Beside, Stem, ids, planned, recipe, stem, surveys, with_draft};

mod fractions;

/// One hour at 48 kHz, as a time stamp has it (EBU Tech 3285: frames since midnight).
const HOUR: u64 = 172_800_000;

/// The stages between `decode` and `label`, as a mix is prepared.
const ALL: &str = "references = [\"*amp*\"]
[[stage]]\nstage = \"resample\"\n[[stage]]\nstage = \"channel-fix\"\npairs = \"join\"
[[stage]]\nstage = \"dc-removal\"\n[[stage]]\nstage = \"gain-stage\"\n[[stage]]\nstage = \"trim-silence\"
[[stage]]\nstage = \"align-starts\"\n";

/// A recipe of all stages that writes the markers.
fn with_markers() -> Recipe {
    let text = recipe(ALL).text.replace("stage = \"re-encode\"\n", "stage = \"re-encode\"\nmarkers = true\n");
    Recipe::parse(&text).unwrap()
}

fn marked(one: Stem, markers: &[(u64, &str)]) -> Stem {
    let marker = |&(frame, name): &(u64, &str)| MarkerFacts { frame, name: name.to_owned() };
    one.with_format(|format| format.markers = markers.iter().map(marker).collect())
}

/// Two rates; stamps; a reference by glob; a pair; a stem of silence with a stamp of its own; one that is torn.
fn delivery() -> Vec<Stem> {
    let kick = stem("Kick.wav").rate(44_100).frames(176_400).stamp(3600 * 44_100 + 66_150);
    vec![
        stem("Bass Amp.wav").stamp(HOUR),
        marked(
            stem("Bass.wav").stamp(HOUR).sounding(96_000..192_000),
            &[(48_000, "Intro"), (9_600, "Count")],
        ),
        stem("Empty.wav").stamp(7).silent(),
        marked(kick.measured_at(48_000), &[(22_050, "Ver\u{0}se"), (44_100, "\u{1}\n"), (176_400, "End")]),
        stem("Pad L.wav").stamp(HOUR).sounding(96_000..192_000),
        stem("Pad R.wav").stamp(HOUR).sounding(96_000..192_000),
        stem("Torn.wav").unreadable("it is torn"),
    ]
}

fn output_names(plan: &Plan) -> Vec<String> {
    plan.stems.iter().map(|stem| stem.output.name()).collect()
}

#[test]
fn every_stem_has_one_decision_a_stage_in_the_order_of_the_recipe() {
    let recipe = recipe(ALL);
    let Planned { plan, .. } = planned(&recipe, delivery(), &Beside::default());
    let names: Vec<&str> = recipe.stages.iter().map(RecipeStage::name).collect();
    for stem in &plan.stems {
        let stages: Vec<&str> = stem.decisions.iter().map(Decision::stage).collect();
        assert_eq!(stages, names, "{}", stem.path());
    }
    assert_eq!(plan.delivery, "Delivery");
    assert_eq!(output_names(&plan), ["01_Kick", "02_Bass", "03_Pad", "04_Bass_Amp", "", ""]);
    let paths: Vec<&str> = plan.stems.iter().map(StemPlan::path).collect();
    assert_eq!(paths, ["Kick.wav", "Bass.wav", "Pad L.wav", "Bass Amp.wav", "Empty.wav", "Torn.wav"]);
    assert_eq!(plan.rendered().count(), 4);
    let aside = Fate::SetAside { why: "it is digital silence from start to end".to_owned() };
    assert_eq!(plan.stems[4].fate, aside);
    assert_eq!(plan.stems[5].fate, Fate::Fail { why: "it is torn".to_owned() });
}

/// The kick enters 1.5 s after the start, and is the first to sound; one second is kept before it. Its four seconds end
/// at 5.5 s, so all outputs have five seconds.
#[test]
fn linked_stems_share_gain_cut_start_and_length() {
    let Planned { plan, .. } = planned(&recipe(ALL), delivery(), &Beside::default());
    let link = &plan.link;
    assert_eq!((link.trim_head_frames, link.trim_tail_frames), (24_000, 0));
    assert_eq!((link.timestamp_frames, link.length_frames), (Some(HOUR + 24_000), 240_000));
    assert_eq!((link.majority_hz, link.by_stamps), (48_000, true));
    let [LinkGain { scope, gain_db, loudest_db, .. }] = &link.gains[..] else { panic!("{:?}", link.gains) };
    assert_eq!((scope, *loudest_db), (&Linked::Delivery, -6.0206));
    assert!((gain_db - 0.0206).abs() < 1e-4, "{gain_db}");

    let shape = |stem: &StemPlan| {
        let OutputPlan { rate_hz, channels, frames, shift_frames, timestamp_frames, .. } = stem.output;
        assert_eq!((rate_hz, frames, timestamp_frames), (48_000, 240_000, HOUR + 24_000), "{}", stem.path());
        (stem.path().to_owned(), channels, shift_frames, plan.start_seconds(stem))
    };
    let row = |path: &str, channels, shift, start| (path.to_owned(), channels, shift, start);
    let wanted = [
        row("Kick.wav", 1, -48_000, 1.5),
        row("Bass.wav", 1, 24_000, 0.0),
        row("Pad L.wav", 2, 24_000, 0.0),
        row("Bass Amp.wav", 1, 24_000, 0.0),
    ];
    assert_eq!(plan.rendered().map(shape).collect::<Vec<_>>(), wanted);

    let peak = 0.5 * loadin_audio::Decibels(*gain_db).ratio();
    let peaks: Vec<(f64, f64)> = plan.rendered().map(|s| (s.output.peak, s.output.true_peak)).collect();
    assert_eq!(peaks, [(peak, peak), (peak, peak), (peak, peak), (0.5, 0.5)], "a reference keeps its level");
    let silent = &plan.stems[4].output;
    assert_eq!((silent.frames, silent.peak, silent.true_peak, silent.label.as_str()), (0, 0.0, 0.0, ""));
}

#[test]
fn the_plan_says_of_every_stem_what_it_is_and_where_it_comes_from() {
    let Planned { plan, .. } = planned(&recipe(ALL), delivery(), &Beside::default());
    let kinds: Vec<(&str, &str)> =
        plan.stems.iter().map(|stem| (stem.role.as_str(), stem.group.as_str())).collect();
    let stem_of = |group| ("stem", group);
    let wanted = [
        stem_of("kick and bass"),
        stem_of("kick and bass"),
        stem_of("synths"),
        ("reference", "reference"),
        stem_of("unsorted"),
        stem_of("unsorted"),
    ];
    assert_eq!(kinds, wanted);
    assert_eq!(plan.stems[0].identity.role, "kick");
    let source = |path: &str, frames: u64, rate_hz: u32| SourcePlan {
        path: path.to_owned(),
        sha256: format!("{:0>64}", path.len()),
        channels: 1,
        frames,
        rate_hz,
    };
    assert_eq!(plan.stems[0].sources, [source("Kick.wav", 176_400, 44_100)]);
    let pad = [source("Pad L.wav", 192_000, 48_000), source("Pad R.wav", 192_000, 48_000)];
    assert_eq!(plan.stems[2].sources, pad);
    assert_eq!(plan.stems[5].sources, [SourcePlan { frames: 0, ..source("Torn.wav", 0, 48_000) }]);
}

#[test]
fn findings_come_in_the_order_of_surveys_pairs_and_stages() {
    let Planned { plan, .. } = planned(&recipe(ALL), delivery(), &Beside::default());
    assert_eq!(ids(&plan.findings), ["mixed-rates"]);
    let of_stems: Vec<Vec<&str>> = plan.stems.iter().map(|stem| ids(&stem.findings)).collect();
    let wanted: [&[&str]; 6] = [&["moved"], &[], &["side-pair"], &[], &["silent"], &["unreadable"]];
    assert_eq!(of_stems, wanted);

    let doubt = Finding::new(Id::TempoDoubt, "for a test");
    let music = Estimates { findings: vec![doubt.clone()], ..Estimates::default() };
    let beside = Beside {
        evidence: Evidence { music, ..Evidence::default() },
        notes: &[("a.txt", "Tempo: 92"), ("b.txt", "Tempo: 93")],
        ..Beside::default()
    };
    let Planned { plan, .. } = planned(&recipe(ALL), delivery(), &beside);
    assert_eq!(ids(&plan.findings), ["mixed-rates", "facts-disagree", "tempo-doubt"]);
    assert_eq!(plan.findings[2], doubt);
}

/// The outputs begin 0.5 s after the first start. "Intro" stands at 1 s of it, "Verse" half a second into a file that
/// starts at 1.5 s, and "End" where that file and all outputs end. "Count" stands before the cut, and a name of control
/// characters alone is none.
#[test]
fn markers_of_every_file_stand_in_every_output_where_they_sound() {
    let Planned { plan, music } = planned(&with_markers(), delivery(), &Beside::default());
    let marker = |frame: u64, name: &str| PlannedMarker { frame, name: name.to_owned() };
    let wanted = [marker(24_000, "Intro"), marker(72_000, "Verse"), marker(240_000, "End")];
    for stem in plan.rendered() {
        assert_eq!(stem.markers(), wanted, "{}", stem.path());
    }
    assert!(plan.stems[4..].iter().all(|stem| stem.markers().is_empty()));
    let at = |seconds: f64, name: &str| json!({ "seconds": seconds, "name": name });
    let placed =
        [at(0.2, "Count"), at(1.0, "Intro"), at(2.0, "Ver\u{0}se"), at(2.5, "\u{1}\n"), at(5.5, "End")];
    assert_eq!(music.facts()["markers"].value, json!(placed));
    let Planned { plan, .. } = planned(&recipe(ALL), delivery(), &Beside::default());
    assert!(plan.rendered().all(|stem| stem.markers().is_empty()), "the recipe does not ask for them");
}

#[test]
fn a_stem_that_is_not_rendered_has_its_place_all_the_same() {
    let cues = marked(stem("Cues.wav").stamp(HOUR + 96_000).silent(), &[(24_000, "Chorus")]);
    let stems = [stem("Bass.wav").stamp(HOUR), stem("Kick.wav").stamp(HOUR), cues];
    let Planned { plan, music } = planned(&recipe(ALL), stems, &Beside::default());
    assert!(!plan.stems[2].is_rendered());
    assert_eq!(music.facts()["markers"].value, json!([{ "seconds": 2.5, "name": "Chorus" }]));
}

#[test]
fn what_the_recipe_does_not_align_keeps_its_own_start() {
    let stages = "[[stage]]\nstage = \"resample\"\nrate = \"96 kHz\"\n";
    let stems = || [stem("Bass.wav").stamp(HOUR), stem("Kick.wav").stamp(HOUR + 48_000), stem("Vox.wav")];
    let Planned { plan, .. } = planned(&recipe(stages), stems(), &Beside::default());
    assert_eq!((plan.link.timestamp_frames, plan.link.length_frames), (None, 0));
    let stamps = |plan: &Plan| -> Vec<(i64, u64)> {
        plan.stems.iter().map(|stem| (stem.output.shift_frames, stem.output.timestamp_frames)).collect()
    };
    assert_eq!(stamps(&plan), [(0, 2 * (HOUR + 48_000)), (0, 2 * HOUR), (0, 0)]);
    assert!(plan.stems.iter().all(|stem| plan.start_seconds(stem) == 0.0));

    // Half a second of silence more than is kept is cut, and the stamp says so.
    let stages = "[[stage]]\nstage = \"resample\"\n[[stage]]\nstage = \"trim-silence\"\n";
    let stems = stems().map(|one| one.sounding(72_000..192_000));
    let Planned { plan, .. } = planned(&recipe(stages), stems, &Beside::default());
    assert_eq!(stamps(&plan), [(24_000, HOUR + 72_000), (24_000, HOUR + 24_000), (24_000, 24_000)]);
    assert!(plan.stems.iter().all(|stem| plan.start_seconds(stem) == 0.0));
    assert_eq!(plan.link.timestamp_frames, None);
}

#[test]
fn a_speaker_mask_goes_along_where_the_channels_are_the_sources() {
    let mask = |one: Stem| one.with_format(|format| format.channel_mask = Some(3));
    let equal = |measures: &mut loadin_record::survey::Measures| {
        measures.relation.as_mut().unwrap().worst_difference_ratio = 0.0;
    };
    let stems = [
        mask(stem("Bass.wav").channels(&[0.5, 0.5])),
        mask(stem("Kick.wav").channels(&[0.5, 0.5]).with(equal)),
        mask(stem("Pad L.wav")),
        mask(stem("Pad R.wav")),
    ];
    let Planned { plan, .. } = planned(&recipe(ALL), stems, &Beside::default());
    let masks: Vec<(&str, u16, Option<u32>)> =
        plan.stems.iter().map(|stem| (stem.path(), stem.output.channels, stem.output.channel_mask)).collect();
    assert_eq!(masks, [("Kick.wav", 1, None), ("Bass.wav", 2, Some(3)), ("Pad L.wav", 2, None)]);
}

/// A finished preparation of one stem from one hour on, five seconds long and 6 dB up.
fn pin() -> Pin {
    let pinned = PinnedStem {
        renewed: false,
        renamed: false,
        sha256: format!("{:0>64}", "Bass.wav".len()),
        label: Some("01_Low".to_owned()),
        folder: "Old".to_owned(),
        start_frames: Some(HOUR as i64 - 48_000),
        role: None,
        group: String::new(),
    };
    let gain = LinkGain { scope: Linked::Delivery, gain_db: 6.0, loudest_db: -12.0, decided_by: None };
    let link = Link {
        gains: vec![gain],
        length_frames: 240_000,
        timestamp_frames: Some(HOUR),
        majority_hz: 48_000,
        by_stamps: true,
        ..Link::default()
    };
    Pin { stems: [("Bass.wav".to_owned(), pinned)].into(), ..testing::pin(link) }
}

#[test]
fn a_late_stem_takes_what_the_others_have_and_moves_none_of_them() {
    let pin = pin();
    let stems = [
        stem("Bass.wav").stamp(HOUR - 48_000).channels(&[0.2]).sounding(48_000..192_000),
        stem("Vox.wav").stamp(HOUR + 96_000).rate(44_100).stamp(3600 * 44_100 + 88_200).measured_at(48_000),
    ];
    let beside = Beside { pin: Some(&pin), ..Beside::default() };
    let Planned { plan, .. } = planned(&recipe(ALL), stems, &beside);
    assert_eq!(output_names(&plan), ["02_Vox", "Old/01_Low"]);
    let shape = |stem: &StemPlan| {
        let output = &stem.output;
        (output.frames, output.rate_hz, output.timestamp_frames, output.shift_frames)
    };
    let shapes: Vec<_> = plan.stems.iter().map(shape).collect();
    assert_eq!(shapes, [(240_000, 48_000, HOUR, -96_000), (240_000, 48_000, HOUR, 48_000)]);
    assert_eq!(plan.link.gains, pin.link.gains);
    let findings: Vec<Vec<&str>> = plan.stems.iter().map(|stem| ids(&stem.findings)).collect();
    let late: [&[&str]; 2] = [&["late-over-target", "late-cut", "moved"], &[]];
    assert_eq!(findings, late);
}

/// 4/4 at 120 BPM has bars of 2 s, at 60 BPM of 4 s.
#[test]
fn a_finished_preparation_keeps_its_tempo_and_its_markers() {
    let bass = || [marked(stem("Bass.wav").frames(480_000).sounding(384_000..480_000), &[(432_000, "New")])];
    let note = [("Notes.txt", "Tempo: 120")];
    let first = planned(&with_markers(), bass(), &Beside { notes: &note, ..Beside::default() });
    assert_eq!(first.plan.link.trim_head_frames, 384_000 - 96_000);
    assert_eq!(first.plan.stems[0].markers()[0].name, "New");

    let mut earlier = first.music.facts();
    earlier.get_mut("tempo_bpm").unwrap().value = json!(60.0);
    earlier.get_mut("markers").unwrap().value = json!([{ "seconds": 9.0, "name": "Old" }]);
    let beside = Beside { earlier: Some(&earlier), notes: &note, ..Beside::default() };
    let again = planned(&with_markers(), bass(), &beside);
    assert_eq!(again.plan.link.trim_head_frames, 384_000 - 192_000);
    let old = PlannedMarker { frame: 432_000 - 192_000, name: "Old".to_owned() };
    assert_eq!(again.plan.stems[0].markers(), [old]);
}

fn start(recipe: &str, stems: impl IntoIterator<Item = Stem>, path: &str) -> i64 {
    starts(&testing::recipe(recipe), &surveys(stems), None).start_frames(path, 48_000)
}

#[test]
fn stems_that_do_not_go_on_and_references_have_no_say_in_the_start() {
    let with = |one: Stem| [stem("Bass.wav").stamp(HOUR), stem("Kick.wav").stamp(HOUR + 480), one];
    let early = |path: &str| stem(path).stamp(HOUR - 4_800);
    let rows = [
        ("", early("Vox.wav"), 5_280),
        ("", early("Vox.wav").silent(), 480),
        ("silent = \"keep\"", early("Vox.wav").silent(), 5_280),
        ("", early("Vox.wav").unreadable("it is torn"), 480),
        ("leave-out = [\"vox*\"]", early("Vox.wav"), 480),
        ("", early("Rough Mix.wav"), 480),
        ("references = [\"vox*\"]", early("Vox.wav"), 480),
    ];
    for (recipe, one, wanted) in rows {
        let path = one.clone().survey().path;
        assert_eq!(start(recipe, with(one), "Kick.wav"), wanted, "{recipe} {path}");
    }
}

#[test]
fn both_halves_of_a_joined_pair_start_together() {
    let with = |right: Stem| {
        let left = stem("Pad L.wav").stamp(HOUR + 480);
        [stem("Bass.wav").stamp(HOUR), stem("Kick.wav").stamp(HOUR), left, right]
    };
    for recipe in [ALL, ""] {
        let starts =
            |right: fn() -> Stem| ["Pad L.wav", "Pad R.wav"].map(|path| start(recipe, with(right()), path));
        assert_eq!(starts(|| stem("Pad R.wav").stamp(HOUR + 480)), [480, 480]);
        // Halves that start apart are two stems, and nobody moves one of them to the other.
        assert_eq!(starts(|| stem("Pad R.wav").stamp(HOUR + 960)), [480, 960]);
        assert_eq!(starts(|| stem("Pad R.wav")), [480, 0]);
    }
}

#[test]
fn the_recipe_says_how_stems_are_placed_and_a_pin_says_it_better() {
    let surveys = surveys([stem("Bass.wav").stamp(HOUR), stem("Kick.wav").stamp(HOUR + 480)]);
    let aligned = |settings: &str| {
        recipe(&format!("[[stage]]\nstage = \"resample\"\n[[stage]]\nstage = \"align-starts\"\n{settings}\n"))
    };
    let used = |recipe: &Recipe, pin: Option<&Pin>| starts(recipe, &surveys, pin).uses_stamps();
    assert!(used(&recipe(""), None), "the defaults hold where the recipe aligns nothing");
    assert!(used(&aligned(""), None));
    assert!(!used(&aligned("starts = \"file\""), None));
    assert!(used(&aligned("max-implied-silence = \"11 ms\""), None), "480 frames are 10 ms");
    assert!(!used(&aligned("max-implied-silence = \"9 ms\""), None));
    let mut pin = pin();
    assert!(used(&aligned("starts = \"file\""), Some(&pin)));
    pin.link.by_stamps = false;
    assert!(!used(&aligned(""), Some(&pin)));
}

#[test]
fn headers_alone_say_where_files_start_too() {
    let file = |path: &str, stamp: u64| {
        let format = stem(path).stamp(stamp).survey().format.ok_or_else(|| Unusable("no audio".to_owned()));
        FileFacts { path: path.to_owned(), bytes: 9, format, unread: false }
    };
    let torn = FileFacts { format: Err(Unusable("it is torn".to_owned())), ..file("Torn.wav", 0) };
    let files =
        [file("Bass.wav", HOUR), file("Kick.wav", HOUR + 480), torn, file("Bass Amp.wav", HOUR - 480)];
    let by_glob = stated_starts(&recipe(ALL), &files);
    assert_eq!(["Kick.wav", "Torn.wav"].map(|path| by_glob.start_frames(path, 48_000)), [480, 0]);
    assert_eq!(by_glob.seconds().len(), 3, "a file that is no audio has no place");
    assert_eq!(stated_starts(&recipe(""), &files).start_frames("Kick.wav", 48_000), 960);

    let mut unstated = file("Bass.wav", HOUR);
    let format = unstated.format.as_mut().unwrap();
    (format.rate_hz, format.frames) = (0, None);
    assert_eq!(stated_starts(&recipe(""), &[unstated]).origin(), Some((HOUR, 1)));
}

/// The amplifier track is a reference by the recipe: nobody who asks takes it for a stem.
#[test]
fn a_reference_by_glob_is_one_for_everybody_who_asks() {
    let recipe = recipe(ALL);
    assert!(recipe.is_reference("Bass Amp.wav"));
    let stems = || {
        let amp = stem("Bass Amp.wav").rate(96_000).frames(384_000).channels(&[0.9]).stamp(7);
        [amp, stem("Bass DI.wav").stamp(HOUR), stem("Kick.wav").stamp(HOUR)]
    };
    with_draft(&recipe, stems(), |draft| {
        assert_eq!((draft.stems[0].reference, draft.stems[0].group), (true, Group::Reference));
        assert_eq!(draft.majority_hz, 48_000);
        assert_eq!(
            draft.linked().map(|(_, stem)| stem.path()).collect::<Vec<_>>(),
            ["Bass DI.wav", "Kick.wav"]
        );
    });
    let surveys = surveys(stems());
    let starts = starts(&recipe, &surveys, None);
    assert_eq!((starts.origin(), starts.refused()), (Some((HOUR, 48_000)), None));

    let stems = stems().map(|one| one.measured_at(48_000));
    let Planned { plan, .. } = planned(&recipe, stems, &Beside::default());
    assert_eq!(plan.stems[2].role, StemRole::Reference);
    assert_eq!(plan.link.gains[0].loudest_db, -6.0206, "its peak has no say in the gain");
    assert_eq!(ids(&plan.findings), [""; 0], "its rate and its length mix with nothing");
    let outputs: Vec<(u32, u64)> = plan.stems.iter().map(|s| (s.output.rate_hz, s.output.frames)).collect();
    assert_eq!(outputs, [(48_000, 192_000); 3]);
}
