//! What unnamed stems sound like: proposals that are right or absent.
//!
//! The limits were found on the demo and on the songs of `tune`. The players of `players` are made in other ways; two
//! limits were widened when a first set of them had shown basses with bright strings and loops with a loud kick, and the
//! seeds are others since.

use std::fs;
use std::path::Path;

use loadin_tests::Delivery;
use serde_json::Value;

use super::band::Dice;
use super::players::{
    self, bass, click, drum_loop, kick, pad, piano_line, riser, room_tone, shaker, strummed, voice,
};
use super::tune::{RATE, tune};
use crate::job::{findings, prep, stem};

const LOW_DRUM: &str = "a kick or another low drum";
const DRUMS: &str = "drums";
const HIGH: &str = "hats, shakers or cymbals";
const BASS: &str = "a bass";
const VOICE: &str = "one gliding voice, sung or played";
const CHORDS: &str = "held chords";

/// Right, wrong and absent proposals.
#[derive(Default)]
struct Tally {
    right: usize,
    wrong: usize,
    none: usize,
}

/// Compares the proposals for unnamed files with what may be said of them; an empty list means that nothing fits.
fn tally(delivery: &Delivery, truths: &[(String, &str, &[&str])]) -> Tally {
    let (_, manifest) = prep(&delivery.path(), &delivery.out("out"), &[]);
    let mut tally = Tally::default();
    for (path, what, allowed) in truths {
        let record = stem(&manifest, path);
        assert_eq!(record["group"], "unsorted", "a proposal sorts nothing");
        let said = record["proposal"]["sounds_like"].as_str();
        assert_eq!(findings(record).contains(&"sounds-like"), said.is_some(), "{path}");
        match said {
            None => tally.none += 1,
            Some(said) if allowed.contains(&said) => tally.right += 1,
            Some(_) => tally.wrong += 1,
        }
        println!("{what}: {} {}", said.unwrap_or("-"), record["proposal"]["confidence"]);
    }
    println!("{} right, {} wrong, {} without a proposal", tally.right, tally.wrong, tally.none);
    tally
}

type Player = fn(&mut Dice) -> Vec<f64>;

const PLAYERS: &[(&str, Player, &[&str])] = &[
    ("kick", kick, &[LOW_DRUM]),
    ("bass", bass, &[BASS]),
    ("drum loop", drum_loop, &[DRUMS]),
    ("shaker", shaker, &[HIGH]),
    ("voice", voice, &[VOICE]),
    ("pad", pad, &[CHORDS]),
    ("piano, single notes", piano_line, &[]),
    ("strummed guitar", strummed, &[]),
    ("riser", riser, &[]),
    ("room tone", room_tone, &[]),
    ("click track", click, &[]),
];

/// Four of each kind, of which six kinds have a word and five have none.
#[test]
fn players_that_no_limit_was_found_on() {
    let delivery = Delivery::new("Unnamed");
    let mut truths = Vec::new();
    for (kind, (what, play, allowed)) in PLAYERS.iter().enumerate() {
        for variant in 0..4 {
            let path = format!("Audio {:02}.wav", 4 * kind + variant);
            delivery.wav(
                &path,
                players::RATE,
                24,
                &[play(&mut Dice::new(5000 + 100 * kind as u64 + variant as u64))],
            );
            truths.push((path, *what, *allowed));
        }
    }
    let tally = tally(&delivery, &truths);
    assert!(tally.wrong == 0 && tally.right >= 16, "{} wrong, {} of 24 right", tally.wrong, tally.right);
}

/// The stems of the demo without their names, and those of two songs.
#[test]
fn stems_whose_names_are_taken_away() {
    let delivery = Delivery::new("Unnamed");
    let demo = Path::new(env!("CARGO_MANIFEST_DIR")).join("../demo/delivery");
    let mut truths = Vec::new();
    for (number, (name, allowed)) in [
        ("BV High.flac", &[VOICE][..]),
        ("BV Low.flac", &[VOICE]),
        ("Bass DI.flac", &[BASS]),
        ("Hats.flac", &[HIGH]),
        ("Keys.flac", &[CHORDS]),
        ("Kick.wav", &[LOW_DRUM]),
        ("Lead Vox.wav", &[VOICE]),
        ("Pad.flac", &[CHORDS]),
        ("Pluck Arp.flac", &[]),
        ("Snare.aif", &[DRUMS]),
        ("Tamb.wav", &[HIGH]),
    ]
    .into_iter()
    .enumerate()
    {
        let ending = name.rsplit('.').next().unwrap();
        let path = format!("Audio {number:02}.{ending}");
        fs::copy(demo.join(format!("OrchardSignal_125bpm_Dm_{name}")), delivery.path().join(&path)).unwrap();
        truths.push((path, name, allowed));
    }
    for seed in [5, 17] {
        let kinds: [&[&str]; 5] = [&[CHORDS], &[BASS], &[], &[LOW_DRUM], &[DRUMS]];
        for (number, ((name, sound), allowed)) in tune(seed, 25.0).stems.iter().zip(kinds).enumerate() {
            let path = format!("Audio {seed}{number}.wav");
            delivery.wav(&path, RATE, 16, std::slice::from_ref(sound));
            truths.push((path, name, allowed));
        }
    }
    let tally = tally(&delivery, &truths);
    assert!(tally.wrong == 0 && tally.right >= 13, "{} wrong, {} right", tally.wrong, tally.right);
}

/// A name that says something is not doubted.
#[test]
fn a_named_stem_gets_no_proposal() {
    let delivery = Delivery::new("Named");
    delivery.wav("Vox.wav", players::RATE, 24, &[kick(&mut Dice::new(1))]);
    delivery.wav("Audio 2.wav", players::RATE, 24, &[kick(&mut Dice::new(2))]);
    let (_, manifest) = prep(&delivery.path(), &delivery.out("out"), &[]);
    assert_eq!(stem(&manifest, "Vox.wav")["proposal"], Value::Null);
    assert_eq!(stem(&manifest, "Audio 2.wav")["proposal"]["sounds_like"], LOW_DRUM);
    let page = fs::read_to_string(delivery.out("out").join("report.html")).unwrap();
    assert!(page.contains("it sounds like a kick or another low drum"));
}
