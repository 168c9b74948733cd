//! Folders of groups: whatever reads or tidies outputs finds them there too.

use std::fs;
use std::path::Path;

use loadin_audio::signal;
use loadin_tests::Delivery;

use super::{assert_same_files, comparable, loadin, prep, recipe, tree};

const STAGES: &str = "[[stage]]\nstage = \"decode\"\n[[stage]]\nstage = \"resample\"\n\
    [[stage]]\nstage = \"align-starts\"\n[[stage]]\nstage = \"label\"\ngroup-folders = true\n\
    [[stage]]\nstage = \"re-encode\"\n";

const NAMES: [&str; 7] = [
    "Kick.wav",
    "Snare.wav",
    "LV.wav",
    "BV All.wav",
    "BV Chorus High.wav",
    "BV Chorus Low.wav",
    "Audio 07.wav",
];

fn delivery() -> Delivery {
    let delivery = Delivery::new("song");
    for (seed, name) in NAMES.iter().enumerate() {
        delivery.wav(name, 48_000, 24, &[signal::noise(seed as u64, 0.1, 24_000)]);
    }
    delivery
}

fn prepared(delivery: &Delivery, out: &Path, more: &[&str]) -> (i32, Vec<String>) {
    let recipe = recipe(&delivery.out(""), STAGES);
    let (ran, manifest) = prep(&delivery.path(), out, &[&["--recipe", &recipe], more].concat());
    let stems = manifest["stems"].as_array().unwrap().iter();
    (ran.code, stems.filter_map(|stem| Some(stem["output"]["path"].as_str()?.to_owned())).collect())
}

const WANTED: [&str; 7] = [
    "audio/01_Kick_and_bass/01_Kick.wav",
    "audio/02_Drums/02_Snare.wav",
    "audio/08_Vocals/1_Lead/03_LV.wav",
    "audio/08_Vocals/3_Backing/04_BV_All.wav",
    "audio/08_Vocals/3_Backing/4_Chorus/05_BV_Chorus_High.wav",
    "audio/08_Vocals/3_Backing/4_Chorus/06_BV_Chorus_Low.wav",
    "audio/10_Unsorted/07_Audio_07.wav",
];

fn audio(out: &Path) -> Vec<String> {
    tree(&out.join("audio")).keys().map(|name| format!("audio/{name}")).collect()
}

fn code(args: &[&str]) -> i32 {
    let ran = loadin(args);
    println(&ran.out, &ran.err);
    ran.code
}

/// Shown where a test fails.
#[expect(clippy::print_stdout, reason = "the test harness shows it where a test fails")]
fn println(out: &str, err: &str) {
    println!("{out}{err}");
}

#[test]
fn verify_replay_restore_and_resume_find_their_way() {
    let delivery = delivery();
    let out = delivery.out("out");
    let (ended, paths) = prepared(&delivery, &out, &[]);
    assert_eq!((ended, &paths[..]), (0, &WANTED.map(str::to_owned)[..]));
    let (path, source) = (out.to_str().unwrap(), delivery.path());
    assert_eq!(code(&["verify", path, "--delivery", source.to_str().unwrap(), "--replay"]), 0);
    let sums = fs::read_to_string(out.join("checksums.sha256")).unwrap();
    assert!(WANTED.iter().all(|path| sums.contains(&format!("  {path}\n"))), "{sums}");
    let sheet = fs::read_to_string(out.join("track-sheet.csv")).unwrap();
    assert!(
        sheet.contains("\r\n5,05_BV_Chorus_High,08_Vocals/3_Backing/4_Chorus,backing vocals,#cc79a7,"),
        "{sheet}"
    );
    let first = comparable(&out);
    assert_eq!(prepared(&delivery, &out, &[]).0, 0);
    assert_same_files(&comparable(&out), &first, "prepared again");
    let back = delivery.out("back");
    assert_eq!(code(&["restore", path, "--to", back.to_str().unwrap(), "--progress", "none"]), 0);
    for name in NAMES {
        let (delivered, restored) = (delivery.path().join(name), back.join(name));
        assert!(loadin_tests::codes(&delivered) == loadin_tests::codes(&restored), "{name}");
    }
    // What a killed run leaves is tidied away, wherever it lies, and nobody's file is.
    fs::write(out.join("audio/08_Vocals/3_Backing/.0123456789abcdef.unfinished"), "half").unwrap();
    fs::create_dir(out.join("audio/08_Vocals/empty")).unwrap();
    assert_eq!(prepared(&delivery, &out, &[]).0, 0);
    assert_same_files(&comparable(&out), &first, "tidied");
    assert!(!out.join("audio/08_Vocals/empty").exists());
}

#[test]
fn a_change_of_recipe_moves_all_files_and_leaves_no_folder() {
    let delivery = delivery();
    let out = delivery.out("out");
    prepared(&delivery, &out, &[]);
    let flat = recipe(&delivery.out(""), &STAGES.replace("group-folders = true\n", ""));
    let (ran, _) = prep(&delivery.path(), &out, &["--recipe", &flat, "--relink"]);
    assert_eq!(ran.code, 0, "{}{}", ran.out, ran.err);
    let files: Vec<String> = audio(&out);
    assert_eq!(files.len(), 7);
    assert_eq!(fs::read_dir(out.join("audio")).unwrap().count(), 7, "no folder is left");
    assert_eq!(code(&["verify", out.to_str().unwrap()]), 0);
    prepared(&delivery, &out, &["--relink"]);
    assert_eq!(audio(&out), WANTED);
}

#[test]
fn late_files_find_their_folder_and_move_nobody() {
    let delivery = delivery();
    let out = delivery.out("out");
    prepared(&delivery, &out, &[]);
    let before = tree(&out.join("audio"));
    let sound = |seed| [signal::noise(seed, 0.1, 24_000)];
    delivery.wav("BV Chorus Mid.wav", 48_000, 24, &sound(21));
    delivery.wav("Snare.wav", 48_000, 24, &sound(22));
    fs::remove_file(delivery.path().join("LV.wav")).unwrap();
    let (ended, paths) = prepared(&delivery, &out, &[]);
    assert_eq!(ended, 0);
    let chorus = "audio/08_Vocals/3_Backing/4_Chorus";
    assert!(paths.contains(&format!("{chorus}/08_BV_Chorus_Mid.wav")), "{paths:?}");
    assert!(paths.contains(&WANTED[1].to_owned()), "{paths:?}");
    assert!(out.join("set-aside/02_Snare.wav").exists());
    assert!(out.join("audio/08_Vocals/1_Lead/03_LV.wav").exists(), "a share may be half synced");
    let after = tree(&out.join("audio"));
    for name in before.keys().filter(|name| !name.contains("Snare")) {
        assert!(after[name] == before[name], "{name}");
    }
    assert_eq!(code(&["verify", out.to_str().unwrap()]), 0);
}

#[test]
fn strangers_are_seen_in_every_folder() {
    let delivery = delivery();
    let out = delivery.out("out");
    prepared(&delivery, &out, &[]);
    let path = out.to_str().unwrap();
    for stranger in ["audio/02_Drums/mine.wav", "audio/mine.wav"] {
        fs::write(out.join(stranger), "mine").unwrap();
        let ran = loadin(&["verify", path]);
        assert!(ran.code == 4 && ran.out.contains(stranger), "{}{}", ran.out, ran.err);
        assert_eq!(prepared(&delivery, &out, &[]).0, 0);
        assert!(out.join(stranger).exists(), "it stays");
        fs::remove_file(out.join(stranger)).unwrap();
    }
    // A file or a link where a folder should be is not written through.
    let flat = recipe(&delivery.out(""), &STAGES.replace("group-folders = true\n", ""));
    let other = delivery.out("other");
    prep(&delivery.path(), &other, &["--recipe", &flat]);
    let elsewhere = delivery.out("elsewhere");
    fs::create_dir(&elsewhere).unwrap();
    #[cfg(unix)]
    std::os::unix::fs::symlink(&elsewhere, other.join("audio/02_Drums")).unwrap();
    #[cfg(not(unix))]
    fs::write(other.join("audio/02_Drums"), "mine").unwrap();
    let (ended, paths) = prepared(&delivery, &other, &["--relink"]);
    assert_eq!((ended, &paths[0][..]), (3, "audio/01_Kick.wav"), "the manifest is the earlier one");
    assert_eq!(fs::read_dir(&elsewhere).unwrap().count(), 0);
}

#[test]
fn bags_and_units_have_the_same_folders() {
    let delivery = delivery();
    let (one, bag, units) = (delivery.out("one"), delivery.out("bag"), delivery.out("units"));
    prepared(&delivery, &one, &[]);
    let recipe = recipe(&delivery.out(""), STAGES);
    let source = delivery.path();
    let packed =
        ["prep", source.to_str().unwrap(), "--out", bag.to_str().unwrap(), "--bag", "--recipe", &recipe];
    assert_eq!(code(&packed), 0);
    assert_eq!(code(&["verify", bag.to_str().unwrap()]), 0);
    for step in ["scan", "survey", "plan", "render", "seal"] {
        let out = units.to_str().unwrap();
        assert_eq!(
            code(&["unit", step, source.to_str().unwrap(), "--out", out, "--recipe", &recipe]),
            0,
            "{step}"
        );
    }
    assert_eq!(code(&["verify", units.to_str().unwrap()]), 0);
    let wanted = tree(&one.join("audio"));
    assert_same_files(&tree(&bag.join("data/audio")), &wanted, "in a bag");
    assert_same_files(&tree(&units.join("audio")), &wanted, "by units");
}
