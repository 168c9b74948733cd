//! The steps of a run one by one, as a workflow engine calls them: the same bytes as `prep`, in any order that is
//! possible, twice, and on what other tasks have left. Slurm itself is in `tests/slurm`.

use std::fs;
use std::os::unix::fs::MetadataExt;
use std::path::Path;

use loadin_audio::signal;
use loadin_tests::Delivery;

use crate::job::{Files, Ran, assert_same_files, command, comparable, loadin, prep, run, tree};

fn delivery() -> Delivery {
    let delivery = Delivery::new("reel");
    for stem in 0..6 {
        let rate = if stem % 3 == 2 { 44_100 } else { 48_000 };
        let sound = [signal::noise(stem, 0.1, 30_000 + 1_000 * stem as usize)];
        delivery.wav(&format!("Stem {stem}.wav"), rate, 24, &sound);
    }
    delivery
}

fn unit(step: &str, delivery: &Delivery, out: &Path, more: &[&str]) -> Ran {
    let path = delivery.path();
    let mut args =
        vec!["unit", step, path.to_str().unwrap(), "--out", out.to_str().unwrap(), "--progress", "none"];
    args.extend(more);
    loadin(&args)
}

/// All steps, the stems in three shares.
fn all(delivery: &Delivery, out: &Path) -> Ran {
    for (step, shares) in [("scan", 1), ("survey", 3), ("plan", 1), ("render", 3)] {
        for share in 1..=shares {
            let ran = unit(step, delivery, out, &["--shard", &format!("{share}/{shares}")]);
            assert_eq!(ran.code, 0, "{step} {share}: {}{}", ran.out, ran.err);
        }
    }
    unit("seal", delivery, out, &[])
}

/// What the user sees.
fn outputs(out: &Path) -> Files {
    let mut files = comparable(out);
    files.retain(|name, _| !name.starts_with(".loadin"));
    files
}

#[test]
fn units_make_what_a_run_makes_and_a_run_finds_it_finished() {
    let delivery = delivery();
    let (one, units) = (delivery.out("one"), delivery.out("units"));
    prep(&delivery.path(), &one, &[]);
    assert_eq!(all(&delivery, &units).code, 0);
    assert_same_files(&outputs(&units), &outputs(&one), "by units");
    assert_eq!(loadin(&["verify", units.to_str().unwrap()]).code, 0);
    let sealed = fs::read(units.join("manifest.json")).unwrap();
    assert_eq!(all(&delivery, &units).code, 0, "every step leaves alone what is valid");
    assert_eq!(fs::read(units.join("manifest.json")).unwrap(), sealed);
    let (ran, manifest) = prep(&delivery.path(), &units, &[]);
    assert_eq!((ran.code, &manifest["run"]["reused"]), (0, &12.into()), "{}", ran.err);
}

/// Files whose offset goes before a change of rate, and those that silent stems had outvoted, are surveyed once more: by the
/// unit that plans.
#[test]
fn a_second_look_is_a_part_of_the_plan() {
    let delivery = Delivery::new("reel");
    for stem in 0..4 {
        delivery.wav(&format!("Empty {stem}.wav"), 96_000, 24, &[vec![0.0; 9600]]);
    }
    let sound = signal::sine(200.0, 0.1, 48_000, 48_000);
    let rests = |sound: &[f64]| [vec![0.02; 9600], sound.to_vec(), vec![0.02; 9600]].concat();
    delivery.wav("Bass.wav", 48_000, 24, std::slice::from_ref(&sound));
    delivery.wav("Kick.wav", 48_000, 24, std::slice::from_ref(&sound));
    let shifted: Vec<f64> = sound.iter().map(|sample| sample + 0.02).collect();
    delivery.wav("Vox.wav", 44_100, 24, &[rests(&shifted)]);
    let (one, units) = (delivery.out("one"), delivery.out("units"));
    let (_, manifest) = prep(&delivery.path(), &one, &[]);
    let vox = crate::job::stem(&manifest, "Vox.wav");
    assert_eq!(vox["output"]["rate_hz"], 48_000, "{vox}");
    assert!(vox["changes"].to_string().contains("dc-removal"), "{vox}");
    for time in ["the first time", "again"] {
        let ran = all(&delivery, &units);
        assert_eq!(ran.code, 1, "the silent ones are set aside: {}", ran.err);
        assert_same_files(&outputs(&units), &outputs(&one), time);
    }
}

#[test]
fn what_is_not_there_yet_is_waited_for() {
    let delivery = delivery();
    let out = delivery.out("out");
    for step in ["survey", "plan", "render", "seal"] {
        let ran = unit(step, &delivery, &out, &[]);
        assert_eq!(ran.code, 75, "{step}: {}", ran.err);
        assert!(ran.err.contains("not there yet"), "{step}: {}", ran.err);
    }
    assert_eq!(unit("scan", &delivery, &out, &[]).code, 0);
    assert_eq!(unit("survey", &delivery, &out, &["--stem", "Stem 0.wav"]).code, 0);
    let ran = unit("plan", &delivery, &out, &[]);
    assert!(ran.code == 75 && ran.err.contains("the survey of \"Stem 1.wav\""), "{}", ran.err);
    let ran = unit("survey", &delivery, &out, &["--stem", "Stem 9.wav"]);
    assert!(ran.code == 2 && ran.err.contains("Stem 9.wav"), "{}", ran.err);
    // Gone for a moment, as a share may say: no fault of the stem's.
    let stem = delivery.path().join("Stem 3.wav");
    fs::rename(&stem, delivery.out("away")).unwrap();
    assert_eq!(unit("survey", &delivery, &out, &["--stem", "Stem 3.wav"]).code, 75);
    fs::rename(delivery.out("away"), &stem).unwrap();
    assert_eq!(all(&delivery, &out).code, 0);
}

#[test]
fn other_bytes_under_a_final_name_are_an_error_and_stay() {
    let delivery = delivery();
    let out = delivery.out("out");
    for step in ["scan", "survey", "plan"] {
        assert_eq!(unit(step, &delivery, &out, &[]).code, 0);
    }
    let planned = fs::read_to_string(out.join(".loadin/plan.json")).unwrap();
    let plan: serde_json::Value = serde_json::from_str(&planned).unwrap();
    let label = plan["plan"]["stems"][0]["output"]["label"].as_str().unwrap();
    let foreign = out.join(format!("audio/{label}.wav"));
    fs::write(&foreign, "somebody's").unwrap();
    let ran = unit("render", &delivery, &out, &[]);
    assert!(ran.code == 3 && ran.err.contains("other bytes"), "{} {}", ran.code, ran.err);
    assert_eq!(fs::read_to_string(&foreign).unwrap(), "somebody's");
    fs::remove_file(&foreign).unwrap();
    assert_eq!(all(&delivery, &out).code, 0);
}

#[test]
fn two_renders_at_once_commit_every_output_once() {
    let delivery = delivery();
    let (one, out) = (delivery.out("one"), delivery.out("out"));
    prep(&delivery.path(), &one, &[]);
    for step in ["scan", "survey", "plan"] {
        assert_eq!(unit(step, &delivery, &out, &[]).code, 0);
    }
    let both = std::thread::scope(|scope| {
        let tasks = [(); 3].map(|()| scope.spawn(|| unit("render", &delivery, &out, &[])));
        tasks.map(|task| task.join().unwrap())
    });
    for ran in both {
        assert_eq!(ran.code, 0, "{}", ran.err);
    }
    let left: Vec<String> = tree(&out).into_keys().filter(|name| name.ends_with(".unfinished")).collect();
    assert!(left.is_empty(), "{left:?}");
    let links = |path: &Path| fs::metadata(path).unwrap().nlink();
    assert!(
        outputs(&out).keys().all(|name| links(&out.join(name)) == 1),
        "no temporary name holds an output"
    );
    assert_eq!(unit("seal", &delivery, &out, &[]).code, 0);
    assert_same_files(&outputs(&out), &outputs(&one), "rendered three times at once");
}

#[test]
fn a_repaired_stem_is_a_late_file_as_in_a_run() {
    let delivery = delivery();
    let (one, out) = (delivery.out("one"), delivery.out("out"));
    let stem = delivery.path().join("Stem 4.wav");
    let good = fs::read(&stem).unwrap();
    fs::write(&stem, &good[..good.len() / 2]).unwrap();
    prep(&delivery.path(), &one, &[]);
    let sealed = all(&delivery, &out);
    assert!(sealed.code == 1 && sealed.out.contains("failed: Stem 4.wav"), "{}", sealed.out);
    assert_same_files(&outputs(&out), &outputs(&one), "with a damaged stem");
    assert!(unit("scan", &delivery, &out, &[]).out.starts_with("failed\t6\t"));
    fs::write(&stem, &good).unwrap();
    prep(&delivery.path(), &one, &[]);
    assert_eq!(all(&delivery, &out).code, 0);
    assert_same_files(&outputs(&out), &outputs(&one), "with the repaired stem");
    assert!(unit("scan", &delivery, &out, &[]).out.starts_with("sealed\t6\t"));
}

#[test]
fn a_plan_that_changed_before_the_seal_replaces_what_the_old_one_made() {
    let delivery = delivery();
    let (one, out) = (delivery.out("one"), delivery.out("out"));
    for step in ["scan", "survey", "plan", "render"] {
        assert_eq!(unit(step, &delivery, &out, &[]).code, 0);
    }
    // A louder stem gives all another gain.
    delivery.wav("Stem 4.wav", 48_000, 24, &[signal::noise(4, 0.4, 34_000)]);
    assert_eq!(all(&delivery, &out).code, 0);
    prep(&delivery.path(), &one, &[]);
    assert_same_files(&outputs(&out), &outputs(&one), "planned twice");
}

#[test]
fn a_scan_says_what_stems_and_the_plan_will_need() {
    let delivery = delivery();
    let scan = || {
        let ran = unit("scan", &delivery, &delivery.out("out"), &[]);
        let fields: Vec<String> = ran.out.trim_end().split('\t').map(str::to_owned).collect();
        let [standing, stems, memory, longest, all, plan_memory, plan_seconds, path] = &fields[..] else {
            panic!("{}", ran.out)
        };
        assert_eq!((standing.as_str(), path.as_str()), ("open", delivery.path().to_str().unwrap()));
        [stems, memory, longest, all, plan_memory, plan_seconds].map(|field| field.parse::<u64>().unwrap())
    };
    let [stems, memory, longest, all, plan_memory, plan_seconds] = scan();
    assert_eq!((stems, longest * 6), (6, all), "stems of half a second are all alike");
    assert!(memory >= 32 && plan_memory >= 32 && plan_seconds > 0);
    delivery.wav("Rough Mix.wav", 48_000, 24, &[signal::noise(9, 0.1, 48_000 * 30)]);
    let [stems, with_rough_mix, .., plan_with_rough_mix, _] = scan();
    assert_eq!((stems, with_rough_mix), (7, memory + 2), "half a minute of sketch is 1.1 MB");
    assert!(plan_with_rough_mix > plan_memory + 10, "{plan_with_rough_mix} after {plan_memory}");
}

#[test]
fn an_engine_grants_threads_and_a_flag_wins() {
    let delivery = delivery();
    let threads = |more: &[&str]| {
        let out = tempfile::tempdir().unwrap();
        let mut command = command();
        command.args(["prep", delivery.path().to_str().unwrap(), "--progress", "none", "--out"]);
        command
            .arg(out.path().join("out"))
            .args(more)
            .env("SLURM_CPUS_PER_TASK", "1")
            .env("SLURM_MEM_PER_NODE", "64");
        assert_eq!(run(&mut command).code, 0);
        let text = fs::read_to_string(out.path().join("out/manifest.json")).unwrap();
        serde_json::from_str::<serde_json::Value>(&text).unwrap()["run"]["threads"].as_u64().unwrap()
    };
    assert_eq!(threads(&[]), 1);
    assert_eq!(threads(&["--jobs", "2"]), 2);
}
