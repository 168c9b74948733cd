//! The power goes: the process is killed at any moment, and the same command run again.
//!
//! Twenty kills here; `LOADIN_KILLS=300 cargo test -p loadin-tests kill` for a night.

use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

use loadin_audio::signal;

use super::{assert_same, assert_whole, delivery, outputs};
use crate::job::{Files, loadin};

#[expect(clippy::disallowed_methods, reason = "how thorough the test is changes no output")]
fn wanted_kills() -> u32 {
    std::env::var("LOADIN_KILLS").ok().and_then(|text| text.parse().ok()).unwrap_or(20)
}

#[test]
fn killed_at_any_moment_the_run_ends_as_if_undisturbed() {
    let kills = wanted_kills();
    let delivery = delivery(20);
    let args = |out: &str| {
        let (path, out) = (delivery.path(), delivery.out(out));
        ["prep", path.to_str().unwrap(), "--out", out.to_str().unwrap(), "--progress", "none"]
            .map(str::to_owned)
    };
    let begun = Instant::now();
    let whole = args("whole");
    assert_eq!(loadin(&whole.each_ref().map(String::as_str)).code, 0);
    let mut duration = begun.elapsed();
    let undisturbed = outputs(&delivery.out("whole"));
    let mut ended_before = 0;
    for kill in 0..kills {
        let name = format!("killed{kill}");
        let args = args(&name);
        let mut child = Command::new(env!("CARGO_BIN_EXE_loadin-under-test"))
            .args(&args)
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn()
            .expect("the program starts");
        // Moments that are spread evenly and differ from kill to kill: the golden ratio.
        let moment = (f64::from(kill) * 0.618_033_988_749_895).fract();
        std::thread::sleep(Duration::from_secs_f64(duration.as_secs_f64() * moment));
        if child.try_wait().expect("a child").is_some() {
            ended_before += 1;
            // The machine has less to do than it had.
            duration = duration.mul_f64(0.7);
        }
        child.kill().expect("a kill");
        child.wait().expect("an end");
        let out = delivery.out(&name);
        let when = format!("after kill {kill} at {moment:.3} of a run");
        if out.exists() {
            assert_whole(&out, &undisturbed, &when);
        }
        let ran = loadin(&args.each_ref().map(String::as_str));
        assert_eq!(ran.code, 0, "{when}: {}{}", ran.out, ran.err);
        assert_same(&out, &undisturbed, &when);
        std::fs::remove_dir_all(&out).expect("the folder goes");
    }
    assert!(
        ended_before * 2 < kills.max(2),
        "most kills met a run that had ended: {ended_before} of {kills}"
    );
}

/// A kill, then a file that comes late, then the next visit: in a first preparation, and in a later one, whose outputs are
/// at work by then.
#[test]
fn a_file_that_comes_after_a_kill_finds_a_folder_in_order() {
    let kills = wanted_kills();
    let mut met = 0;
    for kill in 0..kills {
        let delivery = delivery(8);
        let (path, out) = (delivery.path(), delivery.out("out"));
        let args = ["prep", path.to_str().unwrap(), "--out", out.to_str().unwrap(), "--progress", "none"];
        let later = kill % 2 == 1;
        let begun = Instant::now();
        assert_eq!(loadin(&args).code, 0);
        let duration = begun.elapsed();
        let at_work =
            if later { outputs(&out) } else { std::fs::remove_dir_all(&out).map(|()| Files::new()).unwrap() };
        let noise = |seed| [signal::noise(seed, 0.05, 30_000)];
        if later {
            delivery.wav("Stem 08.wav", 48_000, 24, &noise(90));
            delivery.wav("Stem 03.wav", 48_000, 24, &noise(91));
        }
        let mut child = Command::new(env!("CARGO_BIN_EXE_loadin-under-test"))
            .args(args)
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn()
            .expect("the program starts");
        let moment = (f64::from(kill) * 0.618_033_988_749_895).fract() * if later { 0.5 } else { 1.0 };
        std::thread::sleep(duration.mul_f64(moment));
        met += u32::from(child.try_wait().expect("a child").is_none());
        child.kill().expect("a kill");
        child.wait().expect("an end");
        delivery.wav("Stem 09.wav", 48_000, 24, &noise(92));
        let when = format!("after kill {kill} at {moment:.3} of a run, later: {later}");
        let ran = loadin(&args);
        assert_eq!(ran.code, 0, "{when}: {}{}", ran.out, ran.err);
        let ran = loadin(&["verify", out.to_str().unwrap()]);
        assert_eq!(ran.code, 0, "{when}: {}{}", ran.out, ran.err);
        let now = outputs(&out);
        for (name, bytes) in at_work.iter().filter(|(name, _)| name.starts_with("audio/")) {
            assert!(name.ends_with("_03.wav") || now[name] == *bytes, "{when}: {name} has changed");
        }
    }
    assert!(met * 3 > kills, "few kills met a run that was at work: {met} of {kills}");
}
