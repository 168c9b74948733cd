//! The committed delivery is what the generator makes, and it has the seeded faults and no others.
#![expect(clippy::unwrap_used, reason = "a test that cannot go on shall stop")]

use std::collections::{BTreeMap, BTreeSet};
use std::fs::{self, File};
use std::path::{Path, PathBuf};

use loadin_audio::{Block, ClipRuns, Decibels, Envelope, Relation, RelationMeasures, Resampler, rests};
use loadin_codec::{Damage, Format};
use loadin_demo::{BASE_STAMP, LOUDEST_DBFS, PAD_OFFSET, bells, high_start, riser_start};
use loadin_session::facts::{Material, statements};
use loadin_session::{ReferenceKind, is_reference, system_file};

/// Path inside the delivery, from the end: enough to tell the files apart.
const ROUGH: &str = "ROUGH MIX v3.flac";
const DAMAGED: &str = "Tamb.wav";
const SILENT: &str = "Shaker.flac";
const DUPLICATE: &str = "BV Low_FINAL use this.flac";
const DUPLICATED: &str = "BV Low.flac";
const DUAL_MONO: &str = "Bass DI.flac";
const DEAD_RIGHT: &str = "Hats.flac";
const OFFSET: &str = "Pad.flac";
const UNSTAMPED: &str = "BV High.flac";
const LATE: &str = "riser (late add).wav";

struct Stem {
    format: Format,
    stamp: Option<u64>,
    damage: Vec<Damage>,
    /// At its own rate.
    sound: Block,
}

fn committed() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("delivery")
}

/// Every file below a folder, by its path inside it.
fn all_files(root: &Path) -> BTreeMap<String, Vec<u8>> {
    let mut files = BTreeMap::new();
    let mut folders = vec![root.to_owned()];
    while let Some(folder) = folders.pop() {
        for entry in fs::read_dir(folder).unwrap() {
            let path = entry.unwrap().path();
            if path.is_dir() {
                folders.push(path);
            } else {
                let inside = path.strip_prefix(root).unwrap().to_str().unwrap().replace('\\', "/");
                files.insert(inside, fs::read(&path).unwrap());
            }
        }
    }
    files
}

/// The stems and the rough mix, decoded; a FLAC file's own MD5 is checked on the way.
fn stems() -> BTreeMap<String, Stem> {
    let names = all_files(&committed()).into_keys().filter(|name| system_file(name).is_none());
    names.map(|name| (name.clone(), decoded(&committed().join(name)))).collect()
}

fn decoded(path: &Path) -> Stem {
    let mut decoder = loadin_codec::open(File::open(path).unwrap(), true).unwrap();
    let channels = decoder.format().channels as usize;
    let (mut block, mut sound) = (Block::new(channels), Block::new(channels));
    while decoder.next_block(&mut block).unwrap() {
        sound.append(&block, 0, block.frames());
    }
    assert!(decoder.repairs().is_empty(), "{}", path.display());
    Stem {
        format: decoder.format().clone(),
        stamp: decoder.metadata().bext.as_ref().map(|bext| bext.time_reference),
        damage: decoder.damage().to_vec(),
        sound,
    }
}

fn find<'a>(stems: &'a BTreeMap<String, Stem>, end: &str) -> &'a Stem {
    let mut found = stems.iter().filter(|(name, _)| name.ends_with(end));
    let stem = found.next().unwrap_or_else(|| panic!("no stem \"{end}\"")).1;
    assert!(found.next().is_none(), "two stems \"{end}\"");
    stem
}

fn converted(stem: &Stem, to_hz: u32) -> Block {
    let mut resampler = Resampler::new(stem.format.rate_hz, to_hz, stem.sound.channels());
    let mut whole = stem.sound.clone();
    resampler.process(&mut whole);
    let mut rest = Block::new(whole.channels());
    loop {
        rest.clear();
        resampler.finish(&mut rest);
        if rest.is_empty() {
            return whole;
        }
        whole.append(&rest, 0, rest.frames());
    }
}

fn peak(block: &Block) -> f64 {
    block.iter().flatten().fold(0.0, |most, sample| sample.abs().max(most))
}

fn relation(stem: &Stem) -> RelationMeasures {
    let mut meter = Relation::new(stem.format.rate_hz, 0.0);
    meter.push(&stem.sound);
    meter.finish()
}

#[test]
fn the_committed_delivery_is_what_the_generator_makes() {
    let folder = tempfile::tempdir().unwrap();
    loadin_demo::write(folder.path()).unwrap();
    let (made, kept) = (all_files(folder.path()), all_files(&committed()));
    assert_eq!(made.keys().collect::<Vec<_>>(), kept.keys().collect::<Vec<_>>());
    for (name, bytes) in &made {
        assert!(
            kept[name] == *bytes,
            "{name} differs: run `cargo run -p loadin-demo` and look at what has changed"
        );
    }
    assert!(kept.values().map(Vec::len).sum::<usize>() <= 12_000_000);
}

#[test]
fn rates_depths_and_containers_are_mixed() {
    let stems = stems();
    let mut rates: BTreeMap<u32, usize> = BTreeMap::new();
    for (_, stem) in stems.iter().filter(|(name, _)| !name.ends_with(ROUGH)) {
        *rates.entry(stem.format.rate_hz).or_default() += 1;
    }
    assert_eq!(rates, BTreeMap::from([(44_100, 1), (48_000, 12), (96_000, 1)]));
    let depths: BTreeSet<(u16, bool)> =
        stems.values().map(|stem| (stem.format.bits, stem.format.float)).collect();
    assert_eq!(depths, BTreeSet::from([(16, false), (24, false), (32, true)]));
    let containers: BTreeSet<&str> = stems.values().map(|stem| stem.format.container.as_str()).collect();
    assert_eq!(containers, BTreeSet::from(["AIFF", "FLAC", "WAV"]));
    let rough = find(&stems, ROUGH);
    assert_eq!((rough.format.rate_hz, rough.format.bits, rough.format.channels), (48_000, 16, 2));
}

/// At any rate of the delivery the loudest stem stays at -6.5 dBFS ±0.2: +6 dB fits, +7 dB would clip.
#[test]
fn the_loudest_stem_leaves_room_for_six_decibels_and_not_for_seven() {
    let stems = stems();
    for rate_hz in [44_100, 48_000, 96_000] {
        let peaks = stems
            .iter()
            .filter(|(name, _)| !name.ends_with(ROUGH))
            .map(|(_, stem)| peak(&converted(stem, rate_hz)));
        let loudest = Decibels::from_ratio(peaks.fold(0.0, f64::max)).0;
        assert!((loudest - LOUDEST_DBFS).abs() < 0.2, "{loudest:.2} dBFS at {rate_hz} Hz");
        assert!(loudest + 6.0 < 0.0 && loudest + 7.0 > 0.0);
    }
}

#[test]
fn every_seeded_fault_is_there() {
    let stems = stems();
    let silent = find(&stems, SILENT);
    assert!(peak(&silent.sound) == 0.0 && silent.sound.frames() == 737_280);
    assert!(relation(find(&stems, DUAL_MONO)).max_difference == 0.0, "two equal channels");
    let hats = find(&stems, DEAD_RIGHT);
    assert!(
        hats.sound.channel(0).iter().any(|x| *x != 0.0) && hats.sound.channel(1).iter().all(|x| *x == 0.0)
    );
    let [damage] = &find(&stems, DAMAGED).damage[..] else { panic!("one stretch of damage") };
    assert!(damage.frames > 300_000 && damage.start_frame > 300_000, "{damage:?}");
    let files = all_files(&committed());
    let bytes_of = |end: &str| files.iter().find(|(name, _)| name.ends_with(end)).unwrap().1;
    assert_eq!(bytes_of(DUPLICATE), bytes_of(DUPLICATED));
    let litter = files.keys().filter(|name| system_file(name).is_some()).count();
    assert_eq!(litter, 4, "three pieces of litter and a note");
}

#[test]
fn stamps_say_that_only_the_riser_is_late() {
    let stems = stems();
    let stamps: Vec<(&str, u64)> =
        stems.iter().filter_map(|(name, stem)| Some((name.rsplit('_').next()?, stem.stamp?))).collect();
    assert_eq!(
        stamps,
        [("Kick.wav", BASE_STAMP), ("Lead Vox.wav", BASE_STAMP), (LATE, BASE_STAMP + riser_start())]
    );
    assert_eq!(riser_start(), 460_800, "five bars of four beats at 125 a minute (arithmetic)");
}

/// The seeded faults are the only ones.
#[test]
fn nothing_else_is_wrong() {
    for (name, stem) in stems() {
        assert_eq!(stem.damage.is_empty(), !name.ends_with(DAMAGED), "{name}");
        let mut clips = ClipRuns::new(stem.sound.channels());
        clips.push(&stem.sound);
        assert_eq!(clips.over_full_scale().samples, 0, "{name}");
        assert!(clips.finish().iter().all(|clip| clip.runs < 3 && clip.ceiling.abs() < 0.9), "{name}");
        let mut envelope = Envelope::new(stem.sound.channels(), stem.format.rate_hz);
        envelope.push(&stem.sound);
        let (window, channels) = envelope.finish();
        for channel in &channels {
            let frames = stem.sound.frames() as u64;
            let offset = rests(channel, window, frames, stem.format.rate_hz).level;
            let wanted = if name.ends_with(OFFSET) { PAD_OFFSET } else { 0.0 };
            assert!((offset - wanted).abs() < 0.0005, "{name}: {offset}");
        }
        if stem.sound.channels() == 2 && !name.ends_with(DUAL_MONO) && !name.ends_with(DEAD_RIGHT) {
            let found = relation(&stem);
            assert!(
                found.side_to_mid.unwrap() > 0.05 && found.worst_difference_ratio > 0.1,
                "{name}: {found:?}"
            );
        }
    }
}

#[test]
fn no_two_stems_are_nearly_the_same() {
    let stems = stems();
    let sounds: Vec<(&String, Block)> = stems
        .iter()
        .filter(|(name, _)| !name.ends_with(DUPLICATE) && !name.ends_with(SILENT) && !name.ends_with(ROUGH))
        .map(|(name, stem)| (name, converted(stem, 48_000)))
        .collect();
    for (index, (name, a)) in sounds.iter().enumerate() {
        for (other, b) in &sounds[index + 1..] {
            let dot = |x: &[f64], y: &[f64]| x.iter().zip(y).map(|(x, y)| x * y).sum::<f64>();
            let (a, b) = (a.channel(0), b.channel(0));
            let likeness = dot(a, b) / (dot(a, a) * dot(b, b)).sqrt();
            assert!(likeness.abs() < 0.5, "{name} and {other}: {likeness:.2}");
        }
    }
}

/// The rough mix is the sum of the sound stems and of the bells, and the stems at other rates are the same sound at other instants:
/// mended, converted and added up they cancel the rough mix down to the steps of 16 bits. Thirteen roundings of
/// 1/√12 step each make about 1 step RMS, the tallest of 15 s about 6 steps.
#[test]
fn the_mended_stems_add_up_to_the_rough_mix() {
    let stems = stems();
    let mut rest = find(&stems, ROUGH).sound.clone();
    // The tambourine did not arrive whole: the comparison ends where it breaks off.
    let end = find(&stems, DAMAGED).damage[0].start_frame as usize;
    for (name, stem) in stems.iter().filter(|(name, _)| !name.ends_with(ROUGH) && !name.ends_with(DUPLICATE))
    {
        let mut sound = converted(stem, 48_000);
        if name.ends_with(OFFSET) {
            sound.channel_mut(0).iter_mut().for_each(|sample| *sample -= PAD_OFFSET);
        }
        if sound.channels() == 1 || name.ends_with(DEAD_RIGHT) {
            sound.keep_channel(0);
            sound.duplicate_channel();
        }
        let own_entry = if name.ends_with(UNSTAMPED) { high_start() } else { 0 };
        let start = stem.stamp.map_or(own_entry, |stamp| stamp - BASE_STAMP) as usize;
        for (sum, part) in rest.iter_mut().zip(sound.iter()) {
            for (sum, sample) in sum[start..].iter_mut().zip(part) {
                *sum -= sample;
            }
        }
    }
    assert!(peak(&rest) > 0.1, "the bells are missing");
    for channel in 0..2 {
        rest.channel_mut(channel).iter_mut().zip(bells()).for_each(|(rest, bell)| *rest -= bell);
    }
    rest.truncate(end);
    let remaining = peak(&rest) * 32_768.0;
    assert!(remaining < 8.0, "{remaining:.2} steps of 16 bits remain");
    assert!(peak(&find(&stems, ROUGH).sound) > 0.5, "there was something to cancel");
}

#[test]
fn names_say_what_they_shall() {
    let stems = stems();
    let names: Vec<&str> = stems.keys().map(String::as_str).collect();
    let material = Material { delivery: "delivery", paths: &names, texts: &[], midis: &[] };
    let tempo = &statements(&material).tempo;
    assert_eq!(tempo.iter().filter_map(|stated| stated.value.steady()).collect::<Vec<_>>(), [125.0]);
    let references: Vec<&&str> = names.iter().filter(|name| is_reference(name).is_some()).collect();
    assert!(references.len() == 1 && references[0].ends_with(ROUGH), "{references:?}");
    assert_eq!(is_reference(references[0]), Some(ReferenceKind::RoughMix));
}
