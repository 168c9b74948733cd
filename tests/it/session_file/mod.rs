//! The session file (`DAWproject` 1.0), read back by the crate `dawproject`, and `session.mid` beside it, read by `midly`. The
//! schema is held by two validators in `tests/reference/session_files.py`, which has planted faults and many deliveries too.

mod opened;

use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};

use loadin_audio::signal;
use loadin_session::facts::{At, Meter, SessionMap};
use loadin_tests::Delivery;
use midly::{MetaMessage, Smf, Timing, TrackEventKind};
use serde_json::Value;

use self::opened::{Opened, open};
use crate::job::{loadin, prep};

/// The session file in a folder; `None` where there is none.
fn session_file(out: &Path) -> Option<PathBuf> {
    let mut all: Vec<PathBuf> = fs::read_dir(out)
        .unwrap()
        .map(|entry| entry.unwrap().path())
        .filter(|path| path.extension().is_some_and(|ending| ending == "dawproject"))
        .collect();
    assert!(all.len() < 2, "{all:?}");
    all.pop()
}

fn name(out: &Path) -> String {
    session_file(out).expect("a session file").file_name().unwrap().to_str().unwrap().to_owned()
}

fn noise(delivery: &Delivery, name: &str, seed: u64) {
    delivery.wav(name, 48_000, 24, &[signal::noise(seed, 0.25, 48_000)]);
}

/// Writes a recipe beside the delivery: `mix-prep` with one text in place of another.
fn recipe(delivery: &Delivery, from: &str, to: &str) -> String {
    let text = loadin(&["recipe", "show", "mix-prep"]).out;
    assert!(text.contains(from), "{text}");
    let path = delivery.out("own.toml");
    fs::write(&path, text.replace(from, to)).unwrap();
    path.to_str().unwrap().to_owned()
}

/// Tempi, meters and markers of `session.mid` in seconds, by the rules of the standard.
#[derive(Debug, Default, PartialEq)]
struct Midi {
    tempi: Vec<(f64, f64)>,
    meters: Vec<(f64, (i32, i32))>,
    markers: Vec<(f64, String)>,
    text: String,
}

fn midi(out: &Path) -> Midi {
    let bytes = fs::read(out.join("session.mid")).unwrap();
    let smf = Smf::parse(&bytes).unwrap();
    let Timing::Metrical(ppq) = smf.header.timing else { panic!("{:?}", smf.header) };
    let (mut midi, mut seconds, mut quarter) = (Midi::default(), 0.0, 0.5);
    for event in &smf.tracks[0] {
        seconds += f64::from(event.delta.as_int()) / f64::from(ppq.as_int()) * quarter;
        match event.kind {
            TrackEventKind::Meta(MetaMessage::Tempo(micros)) => {
                quarter = f64::from(micros.as_int()) * 1e-6;
                midi.tempi.push((seconds, 60.0 / quarter));
            }
            TrackEventKind::Meta(MetaMessage::TimeSignature(beats, power, ..)) => {
                midi.meters.push((seconds, (i32::from(beats), 1 << power)));
            }
            TrackEventKind::Meta(MetaMessage::Marker(text)) => {
                midi.markers.push((seconds, String::from_utf8(text.to_vec()).unwrap()));
            }
            TrackEventKind::Meta(MetaMessage::Text(text)) => {
                midi.text = String::from_utf8(text.to_vec()).unwrap();
            }
            _ => {}
        }
    }
    midi
}

/// Half a tick of 960 a quarter is a millisecond at 31 BPM.
fn near<T: PartialEq>(one: &[(f64, T)], other: &[(f64, T)]) -> bool {
    one.len() == other.len() && one.iter().zip(other).all(|(a, b)| (a.0 - b.0).abs() < 1e-3 && a.1 == b.1)
}

/// Holds a session file against the files on the disk, the track sheet, the manifest and `session.mid`.
fn fits(out: &Path, manifest: &Value) -> Opened {
    let opened = open(&session_file(out).expect("a session file"));
    let colours = sheet_colours(out);
    let stamps: Vec<f64> = opened.rows.iter().map(|row| stamp_seconds(&out.join(&row.path))).collect();
    let first = stamps.iter().copied().fold(f64::INFINITY, f64::min);
    for (row, stamp) in opened.rows.iter().zip(&stamps) {
        let reader =
            hound::WavReader::open(out.join(&row.path)).unwrap_or_else(|error| panic!("{row:?}: {error}"));
        let seconds = f64::from(reader.duration()) / f64::from(reader.spec().sample_rate);
        assert_eq!((row.seconds, row.clip_seconds), (seconds, seconds), "{row:?}");
        assert_eq!(row.rate_hz as u32, reader.spec().sample_rate, "{row:?}");
        assert_eq!(row.channels as u16, reader.spec().channels, "{row:?}");
        assert!(row.external && !row.path.starts_with('/'), "{row:?}");
        assert!((row.start - (stamp - first)).abs() < 1e-9, "{row:?}: {stamp} after {first}");
        assert_eq!(
            (row.colour.as_ref(), row.clip_colour.as_ref()),
            (colours.get(&row.path), colours.get(&row.path))
        );
        assert_eq!(
            row.muted,
            row.groups.is_empty(),
            "what is in no group is a reference, and muted: {row:?}"
        );
    }
    let outputs: std::collections::BTreeSet<&str> = manifest["stems"]
        .as_array()
        .unwrap()
        .iter()
        .filter_map(|stem| stem["output"]["path"].as_str())
        .collect();
    assert_eq!(outputs.len(), opened.rows.len());
    assert!(opened.rows.iter().all(|row| outputs.contains(row.path.as_str())));
    if out.join("session.mid").exists() {
        agrees(&opened, &midi(out));
    }
    opened
}

/// Both files say the same of the music.
fn agrees(opened: &Opened, midi: &Midi) {
    assert!(near(&opened.markers, &midi.markers), "{:?} {:?}", opened.markers, midi.markers);
    let tempi =
        if opened.tempi.is_empty() { vec![(0.0, opened.tempo.unwrap())] } else { opened.tempi.clone() };
    let rounded = |list: &[(f64, f64)]| -> Vec<(f64, i64)> {
        list.iter().map(|(at, bpm)| (*at, (bpm * 1000.0).round() as i64)).collect()
    };
    assert!(near(&rounded(&tempi), &rounded(&midi.tempi)), "{tempi:?} {:?}", midi.tempi);
    let one = opened.meter.map(|meter| (0.0, meter));
    let meters = if opened.meters.is_empty() { Vec::from_iter(one) } else { opened.meters.clone() };
    assert!(near(&meters, &midi.meters), "{meters:?} {:?}", midi.meters);
}

/// The time stamp of a file, by a reader of Broadcast WAV that is not ours.
fn stamp_seconds(path: &Path) -> f64 {
    let mut reader = bwavfile::WaveReader::open(path.to_str().unwrap()).unwrap();
    let rate_hz = reader.format().unwrap().sample_rate;
    reader.broadcast_extension().unwrap().unwrap().time_reference as f64 / f64::from(rate_hz)
}

/// The colours of the track sheet, by the path of the output.
fn sheet_colours(out: &Path) -> BTreeMap<String, String> {
    let sheet = fs::read_to_string(out.join("track-sheet.csv")).unwrap();
    let rows = sheet.lines().skip(1).map(|line| line.split(',').collect::<Vec<_>>());
    let path = |cells: &[&str]| {
        let folder = if cells[2].is_empty() { String::new() } else { format!("{}/", cells[2]) };
        format!("audio/{folder}{}.wav", cells[1])
    };
    rows.filter(|cells| !cells[4].is_empty()).map(|cells| (path(&cells), cells[4].to_owned())).collect()
}

/// Nested groups with and without folders, a rough mix, a client's map with markers, a cut head.
#[test]
fn a_session_opens_named_ordered_grouped_coloured_and_placed() {
    let delivery = Delivery::new("Paper Lantern stems");
    let names = [
        "Kick",
        "Snare",
        "LV",
        "LV Dbl",
        "BV Chorus High",
        "BV Verse Low",
        "BV",
        "Gtr",
        "Audio 7",
        "Rough Mix",
    ];
    for (seed, name) in (1..).zip(names) {
        let sound = [vec![0.0; 20 * 48_000], signal::noise(seed, 0.25, 48_000)].concat();
        delivery.wav(&format!("{name}.wav"), 48_000, 24, &[sound]);
    }
    let at = |seconds, name: &str| At { seconds, what: name.to_owned() };
    let client = SessionMap {
        tempi: vec![At { seconds: 0.0, what: 600_000 }],
        meters: vec![At { seconds: 0.0, what: Meter { beats: 3, unit: 4 } }],
        markers: vec![at(1.0, "Count"), at(20.0, "Verse & <one>")],
        seconds: 30.0,
        ..SessionMap::default()
    };
    delivery.file("map.mid", &client.to_midi(960).unwrap());
    for (folders, out) in [(false, "plain"), (true, "folders")] {
        let out = delivery.out(out);
        let recipe = recipe(&delivery, "number = true", &format!("number = true\ngroup-folders = {folders}"));
        let (ran, manifest) = prep(&delivery.path(), &out, &["--recipe", &recipe]);
        assert_eq!(ran.code, 0, "{}", ran.err);
        let opened = fits(&out, &manifest);
        let groups: Vec<&str> = opened.groups.iter().map(|(name, _)| name.as_str()).collect();
        let wanted = "Kick and bass;Drums;Guitars;Vocals;Vocals/Lead;Vocals/Doubles;Vocals/Backing;Vocals/Backing/Verse;\
                      Vocals/Backing/Chorus;Unsorted";
        assert_eq!(groups.join(";"), wanted);
        assert_eq!(opened.rows.last().unwrap().comment, "Rough Mix.wav");
        let verse = opened.markers.iter().find(|(_, name)| name == "Verse & <one>").expect("the marker");
        let cut = manifest["link"]["trim_head_frames"].as_f64().unwrap() / 48_000.0;
        assert!((verse.0 - (20.0 - cut)).abs() < 1e-3, "{verse:?} {cut}");
        assert!(cut > 1.0 && opened.markers.len() == 1, "what stood before the cut is gone: {opened:?}");
        // The client's bars are 1.8 s long and begin with the delivery.
        let midi = midi(&out);
        let first = midi.meters.iter().find(|(_, meter)| *meter == (3, 4)).unwrap().0;
        let bars = (cut + first) / 1.8;
        assert!((bars - bars.round()).abs() < 1e-3, "{cut} + {first}: {midi:?}");
        let listed = fs::read_to_string(out.join("checksums.sha256")).unwrap();
        assert!(listed.contains(&format!("  {}\n", name(&out))), "{listed}");
        let verified = loadin(&["verify", out.to_str().unwrap()]);
        assert_eq!(verified.code, 0, "{}{}", verified.out, verified.err);
    }
}

/// The name is a promise of the first preparation; the contents follow what becomes known, and what came late is marked.
#[test]
fn the_name_stays_until_relink_and_late_files_are_marked() {
    let delivery = Delivery::new("stems");
    for (seed, name) in (1..).zip(["Kick.wav", "Bass.wav", "LV.wav"]) {
        noise(&delivery, name, seed);
    }
    let out = delivery.out("out");
    prep(&delivery.path(), &out, &[]);
    assert_eq!(name(&out), "session.dawproject", "nothing is known");
    delivery.file("notes.txt", b"Title: Paper Lantern\nTempo: 97 bpm\nKey: D minor\n");
    noise(&delivery, "Gtr.wav", 9);
    let (_, manifest) = prep(&delivery.path(), &out, &[]);
    assert_eq!(name(&out), "session.dawproject");
    let opened = fits(&out, &manifest);
    assert_eq!((opened.title.as_str(), opened.tempo), ("Paper Lantern 97bpm Dm", Some(97.0)));
    let late: Vec<&str> = opened
        .rows
        .iter()
        .filter(|row| row.comment.starts_with("late"))
        .map(|row| row.comment.as_str())
        .collect();
    assert_eq!(late, ["late (added): Gtr.wav"]);
    let (_, manifest) = prep(&delivery.path(), &out, &["--relink"]);
    assert_eq!(name(&out), "Paper Lantern 97bpm Dm.dawproject");
    assert!(fits(&out, &manifest).rows.iter().all(|row| !row.comment.contains("late")));
}

/// What no workstation links, what the recipe does not want, and what there is nothing of, has no file, and the manifest
/// says why.
#[test]
fn where_it_does_not_fit_it_says_so() {
    let delivery = Delivery::new("stems");
    noise(&delivery, "Kick.wav", 1);
    let none = |out: &str, recipe: &str, why: &str| {
        let out = delivery.out(out);
        let (_, manifest) = prep(&delivery.path(), &out, &["--recipe", recipe]);
        assert_eq!(session_file(&out), None);
        assert_eq!(manifest["session_file"]["left_out"], why);
        assert_eq!(loadin(&["verify", out.to_str().unwrap()]).code, 0);
        let page = fs::read_to_string(out.join("report.html")).unwrap();
        assert!(page.contains(why), "the page says why: {why}");
    };
    none(
        "off",
        &recipe(&delivery, "number = true", "number = true\nsession-file = false"),
        "the recipe switches it off",
    );
    let flac = recipe(&delivery, "\"bwf\"", "\"flac\"");
    let text = fs::read_to_string(&flac).unwrap().replace("when-over = \"float\"", "when-over = \"fail\"");
    fs::write(&flac, text).unwrap();
    none("flac", &flac, "only WAV and AIFF files can be linked");
    // One stem without tempo or markers is a session too.
    let out = delivery.out("one");
    let (_, manifest) = prep(&delivery.path(), &out, &[]);
    let opened = fits(&out, &manifest);
    assert_eq!((opened.rows.len(), opened.tempo, opened.markers.len()), (1, None, 0));
    let silent = Delivery::new("silent");
    silent.wav("Kick.wav", 48_000, 24, &[vec![0.0; 48_000]]);
    let (_, manifest) = prep(&silent.path(), &silent.out("out"), &[]);
    assert_eq!(session_file(&silent.out("out")), None);
    assert_eq!(manifest["session_file"]["left_out"], "no stem was prepared");
}

/// Without `align-starts` every file keeps its own start: by its time stamp, and by what was cut of it alone.
#[test]
fn a_stem_that_starts_late_has_its_clip_at_its_time() {
    let delivery = Delivery::new("stems");
    // The first one sounds until the last one begins: a gap would make clock times of the stamps.
    for (name, seed, late, frames) in [
        ("Kick.wav", 1, 0, 48_000 * 8),
        ("Bass.wav", 2, 48_000 * 7 + 123, 96_000),
        ("LV.wav", 3, 24_000, 96_000),
    ] {
        delivery.stamped(name, 48_000, 172_800_000 + late, &[signal::noise(seed, 0.25, frames)]);
    }
    let recipe = delivery.out("late.toml");
    let text = "recipe = 1\nname = \"late\"\nrevision = 1\n[[stage]]\nstage = \"decode\"\n[[stage]]\nstage = \"label\"\n\
                [[stage]]\nstage = \"re-encode\"\ndepth = \"24-bit\"\n";
    fs::write(&recipe, text).unwrap();
    let out = delivery.out("out");
    let (ran, manifest) = prep(&delivery.path(), &out, &["--recipe", recipe.to_str().unwrap()]);
    assert_eq!(ran.code, 0, "{}", ran.err);
    let opened = fits(&out, &manifest);
    let mut starts: Vec<i64> = opened.rows.iter().map(|row| (row.start * 48_000.0).round() as i64).collect();
    starts.sort_unstable();
    assert_eq!(starts, [0, 24_000, 48_000 * 7 + 123]);
}

/// The same bytes in a bag, by any number of threads, made again, and after the folder was renamed.
#[test]
fn the_same_session_has_the_same_bytes() {
    let delivery = Delivery::new("Paper Lantern 97bpm");
    for (seed, name) in (1..).zip(["Kick.wav", "Bass.wav", "LV.wav", "LV Dbl.wav", "BV Chorus.wav"]) {
        noise(&delivery, name, seed);
    }
    let out = delivery.out("out");
    prep(&delivery.path(), &out, &["--jobs", "1"]);
    let bytes = fs::read(session_file(&out).unwrap()).unwrap();
    prep(&delivery.path(), &delivery.out("eight"), &["--jobs", "8"]);
    assert_eq!(fs::read(session_file(&delivery.out("eight")).unwrap()).unwrap(), bytes);
    let bag = delivery.out("bag");
    let ran = loadin(&["prep", delivery.path().to_str().unwrap(), "--out", bag.to_str().unwrap(), "--bag"]);
    assert_eq!(ran.code, 0, "{}", ran.err);
    assert_eq!(fs::read(session_file(&bag.join("data")).unwrap()).unwrap(), bytes);
    let other = delivery.out("renamed");
    fs::rename(&out, &other).unwrap();
    fs::remove_file(session_file(&other).unwrap()).unwrap();
    assert_eq!(loadin(&["verify", other.to_str().unwrap()]).code, 4, "it is missed");
    assert_eq!(loadin(&["report", other.to_str().unwrap()]).code, 0);
    assert_eq!(fs::read(session_file(&other).unwrap()).unwrap(), bytes);
    assert_eq!(loadin(&["verify", other.to_str().unwrap()]).code, 0);
}
