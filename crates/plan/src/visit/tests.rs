//! Visits as data: manifests and surveys that are built by hand.

use std::collections::BTreeMap;

use loadin_record::digest::text_digest;
use loadin_record::finding::{Finding, Id};
use loadin_record::identity::Identity;
use loadin_record::late::Late;
use loadin_record::link::{Link, LinkGain, Linked};
use loadin_record::manifest::{
    DeliveryRecord, Manifest, OutputRecord, Run, State, StemRecord, TimeMap, Tool,
};
use loadin_record::path_below::PathBelow;
use loadin_record::role::StemRole;
use loadin_record::source::source_record;
use loadin_record::survey::Survey;

use super::*;
use crate::music::Music;
use crate::planning::{self, Given};
use crate::recipe::Recipe;
use crate::testing::{self, Beside, Stem, planned, recipe, stem, surveys};

/// A stem whose file holds what its word says.
fn holding(path: &str, word: &str) -> Survey {
    let sha256 = text_digest(word);
    Survey { sha256, ..stem(path).survey() }
}

fn record(survey: &Survey, output: Option<&str>) -> StemRecord {
    let output = output.map(|path| OutputRecord {
        path: PathBelow::new(path).unwrap(),
        bytes: 1,
        sha256: text_digest(path),
        audio_sha256: String::new(),
        rate_hz: 48_000,
        channels: 1,
        bits: 24,
        float: false,
        frames: 192_000,
        peak_dbfs: None,
        true_peak_dbtp: None,
        timestamp_frames: 0,
    });
    StemRecord {
        source: source_record(survey),
        role: StemRole::Stem,
        group: "drums".to_owned(),
        corrected: BTreeMap::new(),
        said_as: None,
        identity: Identity::default(),
        proposal: None,
        state: if output.is_some() { State::Prepared } else { State::Failed },
        time_map: output.as_ref().map(|_| TimeMap {
            fraction_frames: None,
            place_error_frames: None,
            source_hz: 48_000,
            output_hz: 48_000,
            shift_frames: 480,
        }),
        output,
        changes: Vec::new(),
        left: serde_json::Map::new(),
        metadata: Vec::new(),
        findings: Vec::new(),
        error: None,
        made_by: None,
    }
}

/// The manifest of a finished preparation whose common start has the stamp 1000.
fn manifest(stems: Vec<StemRecord>) -> Manifest {
    Manifest {
        manifest: 1,
        tool: Tool::this(),
        recipe: recipe("").record(),
        answers: None,
        delivery: DeliveryRecord { name: "Delivery".to_owned(), files: stems.len(), song: None },
        facts: BTreeMap::new(),
        link: Link { timestamp_frames: Some(1000), majority_hz: 48_000, ..Link::default() },
        stems,
        siblings: Vec::new(),
        rough_mix: None,
        findings: Vec::new(),
        ignored: Vec::new(),
        notes: Vec::new(),
        session_file: None,
        late: None,
        digest: String::new(),
        run: Run::default(),
    }
}

/// Kick and Snare, prepared.
fn two() -> Manifest {
    let kick = record(&holding("Kick.wav", "kick"), Some("audio/01_Kick.wav"));
    manifest(vec![kick, record(&holding("Snare.wav", "snare"), Some("audio/02_Snare.wav"))])
}

fn standings(manifest: &Manifest, now: &[Survey], recipe: &Recipe, renew: &[&str]) -> Vec<Standing> {
    let renew: Vec<String> = renew.iter().map(|&name| name.to_owned()).collect();
    Visit::new(manifest, now, recipe, &renew).stems.into_iter().map(|stem| stem.standing).collect()
}

#[test]
fn a_stem_stands_by_the_contents_at_its_path() {
    let torn = Survey { sha256: text_digest("torn"), ..stem("Kick.wav").unreadable("it is torn").survey() };
    let unusable = Standing::Unusable { why: "it is torn".to_owned(), found: text_digest("torn") };
    let rows = [
        (holding("Kick.wav", "kick"), Standing::Kept),
        (holding("Kick.wav", "another take"), Standing::Replaced),
        (torn, unusable),
        (holding("Other.wav", "other"), Standing::Gone),
        (holding("Old/kick 1.wav", "kick"), Standing::Kept),
    ];
    for (kick, wanted) in rows {
        let now = [kick, holding("Snare.wav", "snare")];
        assert_eq!(standings(&two(), &now, &recipe(""), &[]), [wanted, Standing::Kept]);
    }
}

#[test]
fn what_the_recipe_leaves_out_goes_also_when_its_source_has_gone_before() {
    let recipe = recipe("leave-out = [\"snare*\"]");
    let both = [holding("Kick.wav", "kick"), holding("Snare.wav", "snare")];
    for now in [&both[..], &both[..1]] {
        assert_eq!(standings(&two(), now, &recipe, &[]), [Standing::Kept, Standing::LeftOut]);
    }
}

#[test]
fn a_stem_is_made_anew_by_its_path_or_its_label_and_no_other() {
    let now = [holding("Kick.wav", "kick"), holding("Snare.wav", "snare")];
    for name in ["Kick.wav", "01_Kick"] {
        assert_eq!(standings(&two(), &now, &recipe(""), &[name]), [Standing::Renewed, Standing::Kept]);
    }
    assert_eq!(standings(&two(), &now, &recipe(""), &["Kick"]), [Standing::Kept, Standing::Kept]);
}

/// Of two files of the same contents the one of the same name is the stem, and the other one is new.
#[test]
fn a_file_that_moved_is_known_by_its_contents_and_every_file_is_taken_once() {
    let now = [holding("A.wav", "kick"), holding("New/Kick.wav", "kick"), holding("Snare.wav", "snare")];
    let visit = Visit::new(&two(), &now, &recipe(""), &[]);
    assert_eq!(visit.stems[0].sources[0].now.as_deref(), Some("New/Kick.wav"));
    assert!(visit.stems[0].has_moved() && !visit.stems[1].has_moved());
    assert_eq!(visit.new, ["A.wav"]);
    // A path that is there is nobody else's, whatever it holds.
    let now = [holding("A.wav", "kick"), holding("Kick.wav", "another take"), holding("Snare.wav", "snare")];
    let visit = Visit::new(&two(), &now, &recipe(""), &[]);
    assert_eq!((&visit.stems[0].standing, &visit.new[..]), (&Standing::Replaced, &["A.wav".to_owned()][..]));
}

#[test]
fn a_pair_stands_as_one_stem() {
    let pad = |side: &str| record(&holding(side, side), Some("audio/01_Pad.wav"));
    let pair = manifest(vec![pad("Pad L.wav"), pad("Pad R.wav")]);
    let left = || holding("Pad L.wav", "Pad L.wav");
    for (now, wanted) in [
        (vec![left(), holding("Pad R.wav", "Pad R.wav")], Standing::Kept),
        (vec![left(), holding("Pad R.wav", "another take")], Standing::Replaced),
        (vec![left()], Standing::Gone),
    ] {
        assert_eq!(standings(&pair, &now, &recipe(""), &[]), [wanted]);
    }
}

#[test]
fn the_promise_has_every_label_that_was_ever_given() {
    let mut second = two();
    let mut pin = promise(&second);
    assert_eq!(pin.stems["Kick.wav"].name(), Some(("", "01_Kick")));
    assert_eq!(pin.stems["Kick.wav"].start_frames, Some(1000 - 480));
    assert_eq!((pin.origin_frames, pin.stems.len()), (Some(520), 2));
    // The snare was left out since, and a hat has come from earlier on.
    pin.origin_frames = Some(700);
    second.late = Some(Late { pin, files: Vec::new() });
    second.stems[1] = record(&holding("Hat.wav", "hat"), Some("audio/03_Hat.wav"));
    let pin = promise(&second);
    let labels: Vec<_> =
        pin.stems.iter().map(|(path, stem)| (path.as_str(), stem.label.as_deref().unwrap())).collect();
    assert_eq!(labels, [("Hat.wav", "03_Hat"), ("Kick.wav", "01_Kick"), ("Snare.wav", "02_Snare")]);
    assert_eq!(pin.origin_frames, Some(700), "where the first ones without a stamp have started");
}

/// What was left out has no output and keeps its label, wherever its file goes.
#[test]
fn a_label_follows_a_file_that_moved_while_it_was_left_out() {
    let mut second = two();
    second.late = Some(Late { pin: promise(&second), files: Vec::new() });
    second.stems[1] = record(&holding("Snare.wav", "snare"), None);
    let now = [holding("Kick.wav", "kick"), holding("New/Clap.wav", "snare")];
    let visit = Visit::new(&second, &now, &recipe(""), &[]);
    assert_eq!(visit.new, ["New/Clap.wav"]);
    let pin = visit.pin(&second, Vec::new());
    assert_eq!(pin.stems["New/Clap.wav"].label.as_deref(), Some("02_Snare"));
    assert_eq!(pin.stems.len(), 2);
}

#[test]
fn what_is_promised_follows_a_file_that_moved() {
    let mut earlier = two();
    let own = |path: &str| LinkGain {
        scope: Linked::Stem(path.to_owned()),
        gain_db: 3.0,
        loudest_db: -9.0,
        decided_by: None,
    };
    earlier.link.gains = vec![own("Kick.wav"), own("Snare.wav")];
    let now = [holding("New/Kick.wav", "kick"), holding("Snare.wav", "snare")];
    let pin = Visit::new(&earlier, &now, &recipe(""), &[]).pin(&earlier, vec!["mine".to_owned()]);
    assert_eq!(pin.stems.keys().collect::<Vec<_>>(), ["New/Kick.wav", "Snare.wav"]);
    assert_eq!(pin.link.gains, [own("New/Kick.wav"), own("Snare.wav")]);
    assert_eq!(pin.taken, ["mine"]);
}

#[test]
fn a_visit_is_quiet_where_everything_stands_as_the_manifest_says() {
    let both = [holding("Kick.wav", "kick"), holding("Snare.wav", "snare")];
    let quiet =
        |manifest: &Manifest, now: &[Survey]| Visit::new(manifest, now, &recipe(""), &[]).is_quiet(manifest);
    let mut said = two();
    said.stems[1].findings = vec![Finding::new(Id::SourceGone, "gone")];
    assert!(quiet(&two(), &both) && !quiet(&two(), &both[..1]));
    assert!(quiet(&said, &both[..1]) && !quiet(&said, &both), "it has come back");
    let torn = Survey { sha256: text_digest("torn"), ..stem("Snare.wav").unreadable("it is torn").survey() };
    let now = [both[0].clone(), torn];
    assert!(!quiet(&two(), &now));
    let unusable = |of: &str| Finding::new(Id::ReplacementUnusable, "torn").with("sha256", text_digest(of));
    said.stems[1].findings = vec![unusable("torn")];
    assert!(quiet(&said, &now));
    said.stems[1].findings = vec![unusable("torn otherwise")];
    assert!(!quiet(&said, &now));
}

#[test]
fn the_sentence_counts_what_stands_how() {
    let now = [holding("Kick.wav", "another take")];
    let visit = Visit::new(&two(), &now, &recipe(""), &[]);
    assert_eq!(
        visit.sentence(3),
        "of 2 prepared stems 1 stays as it is, 1 is replaced, 1 of these without a source, 3 are new"
    );
}

/// The plan of two stems by one recipe beside that by another, where `now` is there and of the others a survey is on record.
fn wanted_with(now: &[Survey], on_record: &[Survey], old: &str, new: &str) -> Vec<(String, Vec<String>)> {
    let [old, new] = [old, new].map(recipe);
    let visit = Visit::new(&two(), now, &new, &[]);
    let surveys = [now, on_record].concat();
    let evidence = loadin_record::evidence::Evidence::default();
    let given = Given {
        delivery: "Delivery",
        recipe: &new,
        surveys: &surveys,
        starts: &planning::starts(&new, &surveys, None),
        evidence: &evidence,
        pin: None,
        earlier: None,
    };
    let music: Music = planned(&new, [stem("Kick.wav")], &Beside::default()).music;
    would_change(&visit, &old, &given, &music)
        .into_iter()
        .map(|stem| (stem.output.to_string(), stem.texts))
        .collect()
}

fn wanted(old: &str, new: &str) -> Vec<(String, Vec<String>)> {
    wanted_with(&[holding("Kick.wav", "kick"), holding("Snare.wav", "snare")], &[], old, new)
}

#[test]
fn another_recipe_changes_a_stem_whose_source_is_gone_too() {
    let gain = "[[stage]]\nstage = \"gain-stage\"\ntarget = \"-3 dBFS\"\n";
    let reference = format!("references = [\"snare*\"]\n{gain}");
    let (kick, snare) = (holding("Kick.wav", "kick"), holding("Snare.wav", "snare"));
    let rows = |on_record: &[Survey], new: &str| {
        let rows = wanted_with(std::slice::from_ref(&kick), on_record, gain, new);
        rows.into_iter().map(|(output, texts)| (output, texts.join("; "))).collect::<Vec<_>>()
    };
    let found = rows(std::slice::from_ref(&snare), &reference);
    assert_eq!(found.len(), 1, "{found:?}");
    assert!(found[0].0.ends_with("02_Snare.wav") && found[0].1.contains("gain"), "{found:?}");
    assert_eq!(rows(std::slice::from_ref(&snare), gain), []);
    // Without a survey only a recipe that asks the same is known to change nothing.
    assert_eq!(rows(&[], &format!("# a comment\n{gain}")), []);
    let found = rows(&[], &reference);
    assert!(found.len() == 1 && found[0].1.contains("nobody can tell"), "{found:?}");
}

#[test]
fn another_recipe_changes_what_it_would_decide_otherwise() {
    let gain = |target: &str| format!("[[stage]]\nstage = \"gain-stage\"\ntarget = \"{target}\"\n");
    let louder = wanted(&gain("-6 dBFS"), &gain("-3 dBFS"));
    assert_eq!(louder.len(), 2);
    assert!(louder[0].1[0].contains("it would be gain +3.0"), "{louder:?}");
    assert_eq!(wanted(&gain("-6 dBFS"), &gain("-6 dBFS")), []);
    // What is left out has no say in the gain of the others, and is no change of theirs.
    assert_eq!(wanted(&gain("-6 dBFS"), &format!("leave-out = [\"snare*\"]\n{}", gain("-6 dBFS"))), []);
    // A reference keeps its level, so this is another sound.
    let reference = format!("references = [\"snare*\"]\n{}", gain("-3 dBFS"));
    let names: Vec<String> = wanted(&gain("-3 dBFS"), &reference).into_iter().map(|row| row.0).collect();
    assert_eq!(names, ["audio/02_Snare.wav"]);
}

#[test]
fn another_rate_is_seen_before_anything_is_measured() {
    let resampled = recipe("[[stage]]\nstage = \"resample\"\nrate = \"96 kHz\"\n");
    assert_eq!(other_rates(&two(), &recipe("")), []);
    let rows = other_rates(&two(), &resampled);
    assert_eq!((rows.len(), &rows[0].texts[..]), (2, &["rate 48000 → 96000 Hz".to_owned()][..]));
}

/// What has the pinned label goes before, a label of somebody who is gone stays taken, and a late half joins nobody.
#[test]
fn the_plan_of_a_later_visit_gives_no_label_twice_and_joins_nobody_who_is_at_work() {
    let join = recipe("[[stage]]\nstage = \"channel-fix\"\npairs = \"join\"\n");
    let pad = record(&holding("Pad L.wav", "left"), Some("audio/01_Pad_L.wav"));
    let gone = record(&holding("Keys.wav", "keys"), Some("audio/02_Keys.wav"));
    let earlier = manifest(vec![pad, gone]);
    let names = |pin| -> Vec<String> {
        let stems: [Stem; 3] = ["Keys 2/Keys.wav", "Pad L.wav", "Pad R.wav"].map(stem);
        let beside = Beside { pin, ..Beside::default() };
        planned(&join, stems, &beside).plan.stems.iter().map(|stem| stem.output.label.clone()).collect()
    };
    let now = surveys(["Keys 2/Keys.wav", "Pad L.wav", "Pad R.wav"].map(stem));
    let pin = Visit::new(&earlier, &now, &join, &[]).pin(&earlier, Vec::new());
    let labels = names(Some(&pin));
    assert_eq!(labels.len(), 3, "{labels:?}");
    assert_eq!(labels[0], "01_Pad_L");
    assert!(
        labels[1..].iter().all(|label| label.starts_with("03_") || label.starts_with("04_")),
        "{labels:?}"
    );
    assert_eq!(names(None).len(), 2, "without a promise they are one");
    let free = testing::pin(Link::default());
    assert_eq!(names(Some(&free)).len(), 2);
}

/// A name around it, another glob or another place of the file makes no other stem of it.
#[test]
fn what_a_stem_is_stays_what_it_was() {
    let mut snare = record(&holding("Snare.wav", "snare"), Some("audio/01_Snare.wav"));
    let mut mix = record(&holding("Old mix.wav", "mix"), Some("audio/02_Old_mix.wav"));
    (snare.group, mix.role, mix.group) =
        ("percussion".to_owned(), StemRole::Reference, "reference".to_owned());
    let earlier = manifest(vec![snare, mix]);
    let now = [holding("Snare.wav", "snare"), holding("Old/Pad.wav", "mix")];
    let pin = Visit::new(&earlier, &now, &recipe(""), &[]).pin(&earlier, Vec::new());
    let of = |pin| {
        let stems: [Stem; 2] = ["Snare.wav", "Old/Pad.wav"].map(stem);
        let plan = planned(&recipe(""), stems, &Beside { pin, ..Beside::default() }).plan;
        let mut rows: Vec<_> =
            plan.stems.into_iter().map(|stem| (stem.path().to_owned(), stem.role, stem.group)).collect();
        rows.sort_by(|a, b| a.0.cmp(&b.0));
        rows
    };
    let row = |path: &str, role, group: &str| (path.to_owned(), role, group.to_owned());
    assert_eq!(
        of(Some(&pin)),
        [
            row("Old/Pad.wav", StemRole::Reference, "reference"),
            row("Snare.wav", StemRole::Stem, "percussion")
        ]
    );
    assert_eq!(
        of(None),
        [row("Old/Pad.wav", StemRole::Stem, "synths"), row("Snare.wav", StemRole::Stem, "drums")]
    );
}
