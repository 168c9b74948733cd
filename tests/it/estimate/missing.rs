//! Whether a stem is missing is asked however the stems say where they start, and whatever the mix went through. Counted over
//! invented songs: a few here, `LOADIN_MIXES=60 cargo test -p loadin-tests missing` for the whole proof. Other songs, on which
//! nothing was tuned, are drawn with `LOADIN_MIXES_SEED=20000`.

use loadin_tests::Delivery;
use serde_json::Value;

use super::band::Dice;
use super::mixes::{
    PLACINGS, Part, Placing, Processing, RATE, ROLES, Song, energy_below, energy_between, processed,
};
use crate::job::{prep, recipe, stem};

const SECONDS: usize = 40;

#[expect(clippy::disallowed_methods, reason = "how thorough the test is changes no output")]
fn asked(name: &str) -> Option<u64> {
    std::env::var(name).ok().and_then(|text| text.parse().ok())
}

fn songs(short: u64) -> u64 {
    asked("LOADIN_MIXES").unwrap_or(short)
}

/// The first of the seeds of a test.
fn seed(first: u64) -> u64 {
    first + asked("LOADIN_MIXES_SEED").unwrap_or(0)
}

/// Ten roles of thirty.
fn roles(song: u64) -> Vec<&'static str> {
    (0..10).map(|n| ROLES[(3 * song as usize + n) % ROLES.len()]).collect()
}

fn gaps(manifest: &Value) -> Vec<&Value> {
    manifest["findings"]
        .as_array()
        .unwrap()
        .iter()
        .filter(|finding| finding["id"] == "missing-stem")
        .collect()
}

/// Prepares the delivery by a recipe that writes as little as may be.
fn shown(delivery: &Delivery, more: &str) -> Value {
    let stages = format!(
        "[[stage]]\nstage = \"decode\"\n[[stage]]\nstage = \"resample\"\n[[stage]]\nstage = \"align-starts\"\n{more}[[stage]]\nstage = \"label\"\n[[stage]]\nstage = \"re-encode\"\n"
    );
    let recipe = recipe(delivery.path().parent().unwrap(), &stages);
    let out = delivery.out("out");
    let (_, manifest) = prep(&delivery.path(), &out, &["--recipe", &recipe]);
    std::fs::remove_dir_all(&out).unwrap();
    manifest
}

fn evidence(gap: &Value, key: &str) -> f64 {
    gap["evidence"][key].as_f64().unwrap()
}

/// What part of the time of a part the gaps cover, and how much of its energy their bands hold.
fn covered(part: &Part, gaps: &[&Value]) -> (f64, f64) {
    let (from, to) = part.span();
    let time = |gap: &&Value| {
        (evidence(gap, "to_seconds").min(to) - evidence(gap, "from_seconds").max(from)).max(0.0)
    };
    let all = energy_below(&part.sound, 2500.0, part.rate_hz);
    let held = |gap: &&Value| {
        energy_between(&part.sound, evidence(gap, "low_hz"), evidence(gap, "high_hz"), part.rate_hz) / all
    };
    (gaps.iter().map(time).sum::<f64>() / (to - from), gaps.iter().map(held).fold(0.0, f64::max))
}

/// A song with a copy of one file in every third; the mix is written too.
fn delivered(number: u64, song: &Song, mix: &[Vec<f64>]) -> Delivery {
    let delivery = Delivery::new("Song");
    song.write(&delivery);
    if number.is_multiple_of(3) {
        song.parts[4].write(&delivery, "Copies/Part copy.wav");
    }
    delivery.wav("Rough Mix.wav", RATE, 24, mix);
    delivery
}

/// Five kinds of placing, each song complete and with one stem left out, copies and stems without a place among them.
#[test]
fn missing_stems_are_found_however_the_stems_are_placed() {
    let (mut trials, mut complete, mut wrong) = (0, 0, Vec::new());
    for number in 0..songs(5) {
        let placing = PLACINGS[number as usize % PLACINGS.len()];
        let song = Song::new(seed(1000) + number, SECONDS, &roles(number), placing);
        let delivery = delivered(number, &song, &song.mix());
        let whole = shown(&delivery, "");
        let rough = &whole["rough_mix"];
        if !gaps(&whole).is_empty() || !rough["cannot_judge"].is_null() {
            wrong.push(format!("{number} {placing:?}, complete: {rough}"));
        }
        complete += 1;
        let index = (number as usize * 7 + 3) % song.parts.len();
        let (part, level) = (&song.parts[index], song.levels_db()[index]);
        std::fs::remove_file(delivery.path().join(&part.name)).unwrap();
        if index == 4 && number.is_multiple_of(3) {
            std::fs::remove_dir_all(delivery.path().join("Copies")).unwrap();
        }
        let manifest = shown(&delivery, "");
        let (time, band) = covered(part, &gaps(&manifest));
        println!(
            "{number} {placing:?}: {} at {level:.1} dB: {:.0} % of its time, {:.0} % of its band; complete: {} dB",
            part.name,
            100.0 * time,
            100.0 * band,
            rough["unexplained_db"]
        );
        if level > -40.0 {
            trials += 1;
            if time < 0.8 || band < 0.5 {
                wrong.push(format!("{number} {placing:?} {}: {}", part.name, manifest["rough_mix"]));
            }
        }
    }
    println!("{trials} missing stems above -40 dB and {complete} complete sets; wrong: {wrong:#?}");
    assert!(trials > 0 && wrong.is_empty(), "{wrong:#?}");
}

/// Stems without a stamp among stamped ones are put where the mix has them, or left alone; never elsewhere.
#[test]
fn stems_without_a_stamp_are_found_among_stamped_ones() {
    let (mut found, mut declined, mut wrong) = (0, 0, Vec::new());
    // Each has three of them: 60 songs are drawn on to 67, which have 201.
    for number in 0..(songs(3) * 10).div_ceil(9) {
        let song = Song::new(seed(2000) + number, SECONDS, &ROLES[..14], Placing::Open);
        let delivery = delivered(1, &song, &song.mix());
        let manifest = shown(&delivery, "by-rough-mix = true\n");
        for part in song.parts.iter().filter(|part| !part.stamped) {
            let record = stem(&manifest, &part.name);
            let place =
                record["findings"].as_array().unwrap().iter().find(|finding| finding["id"] == "place-found");
            let Some(place) = place else {
                declined += 1;
                println!("{number} {}: declined, {}", part.name, manifest["rough_mix"]["left_out"]);
                continue;
            };
            let at = place["evidence"]["start_frames"].as_i64().unwrap();
            if (at - part.start as i64).abs() <= 1 {
                found += 1;
            } else {
                wrong.push(format!("{number} {}: {at}, not {}", part.name, part.start));
            }
            assert_eq!(record["time_map"]["shift_frames"], -at, "{number} {}", part.name);
        }
    }
    println!("{found} found within a frame, {declined} declined; wrong: {wrong:#?}");
    assert!(wrong.is_empty(), "{wrong:#?}");
    assert!(found >= 3 * declined, "{found} {declined}");
}

/// What is claimed of a processed mix is true, and enough is claimed.
#[test]
fn missing_stems_are_found_behind_a_processed_mix() {
    let kinds = [
        (Processing::Limited(3.0), 0.8),
        (Processing::Limited(8.0), 0.5),
        (Processing::Tape, 0.5),
        (Processing::Wide, 0.5),
    ];
    for (kind, least) in kinds {
        let (mut found, mut trials, mut weaker, mut wrong) = (0, 0, 0, Vec::new());
        for number in 0..songs(2) {
            let song = Song::new(seed(3000) + number, SECONDS, &roles(number), Placing::Whole);
            let delivery = delivered(1, &song, &processed(&song.mix(), kind));
            let whole = shown(&delivery, "");
            if !gaps(&whole).is_empty() {
                wrong.push(format!("{number}, complete: {}", whole["rough_mix"]));
            }
            // The one nearest to −14 dB: loud enough to be asked for, and not the loudest.
            let levels = song.levels_db();
            let near = |index: &usize| (levels[*index] + 14.0).abs();
            let index = (0..song.parts.len()).min_by(|a, b| near(a).total_cmp(&near(b))).unwrap();
            let index = if number % 2 == 0 { index } else { Dice::new(number).of(song.parts.len()) };
            let (part, level) = (&song.parts[index], levels[index]);
            std::fs::remove_file(delivery.path().join(&part.name)).unwrap();
            let manifest = shown(&delivery, "");
            let all = gaps(&manifest);
            let (time, _) = covered(part, &all);
            let (from, to) = part.span();
            // A claim is true where the missing part sounds.
            let is_true = |gap: &&Value| {
                evidence(gap, "from_seconds") < to + 1.5 && evidence(gap, "to_seconds") > from - 1.5
            };
            wrong.extend(all.iter().filter(|gap| !is_true(gap)).map(|gap| format!("{number}: {gap}")));
            println!(
                "{number} {kind:?}: {} at {level:.1} dB: {:.0} % of its time; {} {}",
                part.name,
                100.0 * time,
                manifest["rough_mix"]["processed"],
                manifest["rough_mix"]["cannot_judge"]
            );
            let counted = if level > -20.0 { &mut found } else { &mut weaker };
            *counted += u32::from(time > 0.0);
            trials += u32::from(level > -20.0);
        }
        println!(
            "{kind:?}: {found} of {trials} above -20 dB found, {weaker} weaker ones; {} complete sets; wrong: {wrong:#?}",
            songs(2)
        );
        assert!(wrong.is_empty(), "{kind:?}: {wrong:#?}");
        assert!(f64::from(found) >= least * f64::from(trials), "{kind:?}: {found} of {trials}");
    }
}

/// A mix that begins elsewhere than its stems is compared where it stands, or not at all; also where it is late by whole beats.
#[test]
fn a_mix_that_begins_elsewhere_is_judged_where_it_stands() {
    let (mut judged, mut declined, mut wrong) = (0, 0, Vec::new());
    for number in 0..songs(2) {
        let song = Song::new(seed(5000) + number, SECONDS, &roles(number), Placing::Whole);
        let late = [2.0, -0.4, -3.5, 0.25, 6.0, 0.75][number as usize % 6] * f64::from(RATE) + number as f64;
        let moved = |channel: &Vec<f64>| -> Vec<f64> {
            let silence = std::iter::repeat_n(0.0, late.max(0.0) as usize);
            silence.chain(channel.iter().copied().skip((-late).max(0.0) as usize)).collect()
        };
        let mix: Vec<Vec<f64>> = song.mix().iter().map(moved).collect();
        let rough = &shown(&delivered(1, &song, &mix), "")["rough_mix"];
        println!("{number}: late by {late}: {rough}");
        if !rough["cannot_judge"].is_null() {
            declined += 1;
            continue;
        }
        judged += 1;
        let found = rough["delay_frames"].as_f64().unwrap();
        if (found - late).abs() > 2.0 || !rough["gaps"].as_array().is_none_or(Vec::is_empty) {
            wrong.push(format!("{number}: late by {late}: {rough}"));
        }
    }
    println!("{judged} judged, {declined} declined; wrong: {wrong:#?}");
    assert!(wrong.is_empty(), "{wrong:#?}");
    assert!(judged > declined, "{judged} {declined}");
}

/// A stamp that the mix contradicts, a stem that is upside down, one that is much louder than the others, and two versions.
#[test]
fn what_else_the_mix_says_of_its_stems_is_told() {
    let mut song = Song::new(4000, SECONDS, &ROLES[..9], Placing::Stamped);
    let mix = {
        // In the mix one part stands two seconds later than its stamp says.
        let moved = song.parts[5].in_mix.clone();
        let frames = moved.len();
        song.parts[5].in_mix =
            std::iter::repeat_n(0.0, 2 * RATE as usize).chain(moved).take(frames).collect();
        song.mix()
    };
    let scale = |part: &mut Part, gain: f64| part.sound.iter_mut().for_each(|x| *x *= gain);
    scale(&mut song.parts[2], -1.0);
    scale(&mut song.parts[6], 4.0);
    let delivery = Delivery::new("Song");
    song.write(&delivery);
    delivery.wav("Rough Mix.wav", RATE, 24, &mix);
    let manifest = shown(&delivery, "by-rough-mix = true\n");
    let ids = |index: usize| crate::job::findings(stem(&manifest, &song.parts[index].name));
    println!("{}", manifest["rough_mix"]);
    assert!(ids(5).contains(&"stamp-contradicted"), "{:?}", ids(5));
    assert!(ids(2).contains(&"polarity-in-rough-mix"), "{:?}", ids(2));
    assert!(ids(6).contains(&"level-in-rough-mix"), "{:?}", ids(6));
    for index in [0, 1, 3, 4, 7, 8] {
        let told = ids(index);
        assert!(
            !told.iter().any(|id| id.ends_with("rough-mix") || *id == "stamp-contradicted"),
            "{index}: {told:?}"
        );
    }
    assert!(gaps(&manifest).is_empty(), "{}", manifest["rough_mix"]);
}
