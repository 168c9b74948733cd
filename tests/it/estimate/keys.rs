//! The key of invented songs, scored as MIREX scores it. Four songs here; all 48 and the figures of every profile by
//! `LOADIN_KEYS=48 cargo test -p loadin-tests keys -- --nocapture`.

use std::fs;
use std::sync::Arc;

use loadin_audio::{Block, ChromaMeter, FINE, Sketcher};
use loadin_pipeline::run::study;
use loadin_pipeline::work::context::Context;
use loadin_pipeline::work::stop::Stop;
use loadin_plan::recipe::{Recipe, find_shipped};
use loadin_session::estimate::{KeyRelation, PROFILES, key_of_circle, key_relation};
use loadin_session::facts::{Key, key_of};
use loadin_tests::Delivery;

use super::tune::{RATE, Tune, tune};
use crate::job::{findings, prep};

/// MIREX, "Audio Key Detection" (wiki of 2012 and 2016): the weights of its score; a fifth counts above and below.
fn weight(heard: Key, truth: Key) -> f64 {
    match key_relation(heard, truth) {
        KeyRelation::Same => 1.0,
        KeyRelation::Fifth => 0.5,
        KeyRelation::Relative => 0.3,
        KeyRelation::Parallel => 0.2,
        KeyRelation::Other => 0.0,
    }
}

const NAMES: [&str; 12] = ["C", "C#", "D", "D#", "E", "F", "F#", "G", "G#", "A", "A#", "B"];

fn truth(tune: &Tune) -> Key {
    let mode = if tune.minor { "minor" } else { "major" };
    key_of(&format!("{} {mode}", NAMES[usize::from(tune.tonic)])).unwrap()
}

#[expect(clippy::disallowed_methods, reason = "how thorough the test is changes no output")]
fn setting(name: &str) -> Option<String> {
    std::env::var(name).ok()
}

fn wanted() -> u64 {
    setting("LOADIN_KEYS").and_then(|text| text.parse().ok()).unwrap_or(4)
}

fn deliver(tune: &Tune) -> Delivery {
    let delivery = Delivery::new("Invented");
    for (name, sound) in &tune.stems {
        delivery.wav(name, RATE, 16, std::slice::from_ref(sound));
    }
    delivery
}

/// Songs in all keys that no constant was chosen by: those were chosen by the seeds 0 to 47.
#[test]
fn songs_in_all_keys() {
    let wanted = wanted();
    let recipe = Recipe::parse(find_shipped("mix-prep").unwrap().text).unwrap();
    let work = Context::new(Stop::new(), Arc::new(|_| {}));
    let (mut score, mut sure, mut sure_and_far) = (0.0, 0, 0);
    for seed in (0..48).step_by((48 / wanted.clamp(1, 48)) as usize) {
        let tune = tune(1000 * 24 + seed, 40.0);
        let delivery = deliver(&tune);
        if let Some(folder) = setting("LOADIN_KEYS_TO") {
            keep(&folder, seed, &tune, &delivery);
        }
        let study = study(&delivery.path(), &recipe, &work, None).unwrap();
        let fact = &study.evidence.music.facts["key_estimate"];
        let truth = truth(&tune);
        let won = fact.value.as_str().and_then(key_of).map_or(0.0, |heard| weight(heard, truth));
        let is_sure = fact.confidence.as_str() == "estimated";
        score += won;
        sure += usize::from(is_sure);
        sure_and_far += usize::from(is_sure && won == 0.0);
        println!(
            "{truth} at {:+.0} cents: {} ({}; {}) {won}",
            tune.cents,
            fact.value,
            fact.confidence.as_str(),
            fact.source
        );
        let cents = study.evidence.music.facts["tuning_cents_estimate"].value.as_f64().unwrap();
        assert!((cents - tune.cents).abs() <= 6.0, "{cents} and not {:.0} cents", tune.cents);
    }
    let score = score / wanted as f64;
    println!(
        "{wanted} songs: {score:.3} weighted as MIREX does; {sure} are sure, {sure_and_far} of them unrelated"
    );
    assert!(score >= 0.8 && sure_and_far == 0, "{score:.3}");
}

/// Keeps the files for a script that asks a library (`tests/reference/keys.py`).
fn keep(folder: &str, seed: u64, tune: &Tune, delivery: &Delivery) {
    let place = std::path::Path::new(folder).join(format!("{seed:02} {}", truth(tune)));
    fs::create_dir_all(&place).unwrap();
    for (name, _) in &tune.stems {
        fs::copy(delivery.path().join(name), place.join(name)).unwrap();
    }
}

/// The score of every published profile on the songs that they were chosen by, which is how one was chosen.
#[test]
fn every_profile_scores() {
    let wanted = wanted();
    let meter = ChromaMeter::default();
    let mut scores = [0.0; PROFILES.len()];
    for seed in (0..48).step_by((48 / wanted.clamp(1, 48)) as usize) {
        let tune = tune(seed, 40.0);
        let mut circle = [0.0; FINE];
        let drum = |name: &str| name.starts_with("Kick") || name.starts_with("Snare");
        for (_, sound) in tune.stems.iter().filter(|(name, _)| !drum(name)) {
            let mut sketcher = Sketcher::new(RATE, RATE);
            sketcher.push(&Block::from_channels(vec![sound.clone()]));
            let chroma = meter.measure(&sketcher.finish());
            let share = chroma.spectra as f64 / chroma.circle.iter().sum::<f64>();
            circle.iter_mut().zip(chroma.circle).for_each(|(all, own)| *all += share * own);
        }
        for (profile, score) in PROFILES.iter().zip(&mut scores) {
            *score += weight(key_of_circle(&circle, profile).unwrap().key, truth(&tune)) / wanted as f64;
        }
    }
    for (profile, score) in PROFILES.iter().zip(scores) {
        println!("{}: {score:.3}", profile.name);
        assert!(score >= 0.5, "{}", profile.name);
    }
}

/// A stated key far away is asked about, a near one is not; the stated one stands, and no audio follows the estimate.
#[test]
fn a_stated_key_that_is_not_played_is_a_question() {
    // E major, by the seed.
    let tune = tune(1000 * 24 + 4, 40.0);
    assert_eq!(truth(&tune).to_string(), "E major");
    for (stated, asked) in [("Bb minor", true), ("B major", false)] {
        let delivery = deliver(&tune);
        delivery.file("notes.txt", format!("Key: {stated}").as_bytes());
        let (_, manifest) = prep(&delivery.path(), &delivery.out("out"), &[]);
        let fact = |name: &str| manifest["facts"][name]["value"].clone();
        assert_eq!((fact("key"), fact("key_estimate")), (stated.into(), "E major".into()));
        assert_eq!(findings(&manifest).contains(&"key-doubt"), asked, "{stated}");
        let note = fs::read_to_string(delivery.out("out").join("client-note.md")).unwrap_or_default();
        assert_eq!(note.contains("sounds like E major"), asked, "{note}");
    }
}

/// Drums alone have no key.
#[test]
fn drums_have_no_key() {
    let mut tune = tune(3, 20.0);
    tune.stems.retain(|(name, _)| name.starts_with("Kick") || name.starts_with("Snare"));
    let delivery = deliver(&tune);
    let (_, manifest) = prep(&delivery.path(), &delivery.out("out"), &[]);
    assert_eq!(manifest["facts"].get("key_estimate"), None);
    assert_eq!(manifest["facts"]["key_estimate_declined"]["value"], "fewer than ten seconds of notes");
}
