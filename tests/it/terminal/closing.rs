//! Every sentence that a run ends with, and of the note to the client, follows what the manifest says: another value, another sentence.

use loadin_audio::signal;
use loadin_pipeline::output::manifest_file::read_manifest;
use loadin_record::finding::{Answer, Finding, Id};
use loadin_record::late::ChangeKind;
use loadin_record::link::Linked;
use loadin_record::manifest::{Manifest, State};
use loadin_record::rough_mix::RoughMix;
use loadin_report::closing::closing;
use loadin_tests::Delivery;

use super::demo;
use crate::job::prep;

/// What is said about one thing, with the entries of its list.
fn said(manifest: &Manifest, about: &str) -> Vec<String> {
    let mut inside = false;
    let mut found = Vec::new();
    for said in closing(manifest) {
        inside = if said.about.is_empty() { inside } else { said.about == about };
        if inside {
            found.push(said.text);
        }
    }
    found
}

fn note(manifest: &Manifest) -> String {
    let papers = loadin_report::papers(manifest, &[]);
    let note = papers.into_iter().find(|(name, _)| name == "client-note.md");
    note.map(|(_, bytes)| String::from_utf8(bytes).unwrap()).unwrap_or_default()
}

fn answered() -> Answer {
    Answer { text: "so it is".to_owned(), by: None, date: None, accepts: true, source: "answers".to_owned() }
}

/// The demo, with a file that came late.
fn manifest() -> Manifest {
    let delivery = Delivery::new("Demo");
    super::copy(&demo().join("delivery"), &delivery.path());
    prep(&delivery.path(), &delivery.out("out"), &[]);
    delivery.wav("late Bell.wav", 48_000, 24, &[signal::noise(7, 0.05, 480_000)]);
    prep(&delivery.path(), &delivery.out("out"), &[]);
    read_manifest(&delivery.out("out")).unwrap()
}

type Change = fn(&mut Manifest);

#[test]
fn every_sentence_of_the_end_follows_the_manifest() {
    let manifest = manifest();
    let changes: &[(&str, &str, Change)] = &[
        ("verdict", "a stem that failed", |m| m.stems[0].state = State::Failed),
        ("verdict", "a finding", |m| m.stems[0].findings.push(Finding::new(Id::Duplicate, "x"))),
        ("verdict", "an answer", |m| of(m, Id::Duplicate).answer = Some(answered())),
        ("verdict", "left out on purpose", |m| {
            m.stems[0].state = State::SetAside;
            m.stems[0].corrected.insert("leave-out".to_owned(), "yes".to_owned());
        }),
        ("verdict", "what is a reference", |m| m.stems[0].role = loadin_record::role::StemRole::Reference),
        ("client", "an answer", |m| of(m, Id::DeadChannel).answer = Some(answered())),
        ("you", "a finding", |m| {
            m.stems[0].findings.push(Finding::new(Id::NotInRough, "it is not in the mix"));
        }),
        ("you", "a text", |m| m.findings.push(Finding::new(Id::NotInRough, "x"))),
        ("you", "the answer of all", |m| {
            m.findings.iter_mut().chain(m.stems.iter_mut().flat_map(|stem| &mut stem.findings)).for_each(
                |finding| {
                    finding.answer = Some(answered());
                },
            );
        }),
        ("late", "what happened", |m| m.late.as_mut().unwrap().files[0].what = ChangeKind::Replaced),
        ("late", "the path", |m| m.late.as_mut().unwrap().files[0].path = "other.wav".to_owned()),
        ("late", "the text", |m| m.late.as_mut().unwrap().files[0].text = "x".to_owned()),
        ("late", "nothing", |m| m.late = None),
        ("missing stems", "no rough mix", |m| m.rough_mix = None),
        ("missing stems", "no judgement", |m| {
            m.rough_mix.as_mut().unwrap().cannot_judge = Some("it hums".to_owned());
        }),
        ("missing stems", "only a part", |m| m.rough_mix.as_mut().unwrap().first_seconds = Some(1200.0)),
        ("gain", "the gain", |m| m.link.gains[0].gain_db += 1.0),
        ("gain", "who decides", |m| m.link.gains[0].decided_by = None),
        ("gain", "the peak", |m| m.link.gains[0].loudest_db -= 1.0),
        ("gain", "the scope", |m| m.link.gains[0].scope = Linked::Group("drums".to_owned())),
        ("caution", "no louder", |m| {
            m.stems
                .iter_mut()
                .flat_map(|stem| &mut stem.changes)
                .filter(|c| c.stage == "gain-stage")
                .for_each(|c| c.to = 0.into());
        }),
    ];
    for (about, what, change) in changes {
        let mut other = manifest.clone();
        // What cannot be judged in the demo is judged first.
        if other.rough_mix.is_none() {
            other.rough_mix = Some(RoughMix::default());
        }
        other.rough_mix.as_mut().unwrap().cannot_judge = None;
        let before = said(&other, about);
        assert!(!before.is_empty(), "{about}");
        change(&mut other);
        assert_ne!(said(&other, about), before, "{about}: {what}");
    }
    let order: Vec<&str> =
        closing(&manifest).iter().map(|said| said.about).filter(|about| !about.is_empty()).collect();
    assert_eq!(order, ["verdict", "client", "you", "late", "missing stems", "gain", "caution"]);
}

/// The finding of this kind, wherever it stands.
fn of(manifest: &mut Manifest, id: Id) -> &mut Finding {
    let of_stems = manifest.stems.iter_mut().flat_map(|stem| &mut stem.findings);
    manifest.findings.iter_mut().chain(of_stems).find(|finding| finding.id == id).unwrap()
}

#[test]
fn every_point_of_the_note_follows_the_manifest() {
    let manifest = manifest();
    let before = note(&manifest);
    for id in [Id::Truncated, Id::DeadChannel, Id::Duplicate, Id::Silent, Id::PlaceFound] {
        let mut other = manifest.clone();
        of(&mut other, id).answer = Some(answered());
        let after = note(&other);
        let points = |note: &str| note.lines().filter(|line| line.starts_with("### ")).count();
        assert_eq!(points(&after) + 1, points(&before), "{}: {before}", id.as_str());
        // A number stays with its point.
        assert!(
            after.lines().filter(|line| line.starts_with("### ")).all(|line| before.contains(line)),
            "{after}"
        );
    }
    let changes: &[(&str, Change)] = &[
        ("the delivery's name", |m| m.delivery.name = "Another".to_owned()),
        ("where it breaks off", |m| {
            drop(of(m, Id::Truncated).evidence.insert("start_frame".to_owned(), 4_800.into()));
        }),
        ("how much is missing", |m| {
            drop(of(m, Id::Truncated).evidence.insert("frames".to_owned(), 4_800.into()));
        }),
        ("which side", |m| {
            drop(of(m, Id::DeadChannel).evidence.insert("silent_channel".to_owned(), 1.into()));
        }),
        ("of what it is the double", |m| {
            drop(of(m, Id::Duplicate).evidence.insert("same_as".to_owned(), "x.wav".into()));
        }),
        ("the file's name", |m| {
            let silent =
                m.stems.iter_mut().find(|stem| stem.findings.iter().any(|f| f.id == Id::Silent)).unwrap();
            silent.source.path = "other.wav".to_owned();
        }),
        ("the rough mix", |m| m.rough_mix = None),
    ];
    for (what, change) in changes {
        let mut other = manifest.clone();
        change(&mut other);
        assert_ne!(note(&other), before, "{what}");
    }
    let mut other = manifest;
    other.findings.iter_mut().chain(other.stems.iter_mut().flat_map(|stem| &mut stem.findings)).for_each(
        |finding| {
            finding.answer = Some(answered());
        },
    );
    assert_eq!(note(&other), "", "where nothing is asked there is no note");
}
