//! What is no plain file, in a delivery or in an output folder: pipes and devices are refused at once and never waited for.

use std::fs;
use std::os::unix::fs::symlink;
use std::path::Path;
use std::process::Command;
use std::time::{Duration, Instant};

use loadin_audio::signal;
use loadin_tests::Delivery;

use crate::job::{command, loadin, prep, run, stem};

/// Far below the patience of a minute that a file gets which does not answer, and far above what the work takes.
const AT_ONCE: Duration = Duration::from_secs(30);

fn pipe(path: &Path) {
    assert!(Command::new("mkfifo").arg(path).status().unwrap().success(), "{}", path.display());
}

fn delivery() -> Delivery {
    let delivery = Delivery::new("song");
    delivery.wav("Kick.wav", 48_000, 24, &[signal::noise(1, 0.3, 30_000)]);
    delivery
}

#[test]
fn pipes_and_devices_of_a_delivery_are_refused_at_once() {
    let delivery = delivery();
    for name in ["a.wav", "b.txt", "c.mid", "d.zip", "e.wv", "f"] {
        pipe(&delivery.path().join(name));
        symlink("/dev/zero", delivery.path().join(format!("endless {name}"))).unwrap();
    }
    // The devices lie outside of the delivery; whoever allows that meets them.
    let recipe = "recipe = 1\nname = \"plain\"\nrevision = 1\n[[stage]]\nstage = \"decode\"\noutside-links = \"read\"\n\
                  [[stage]]\nstage = \"label\"\n[[stage]]\nstage = \"re-encode\"\n";
    let recipe = delivery.file("../plain.toml", recipe.as_bytes());
    let recipe = ["--recipe", recipe.to_str().unwrap()];
    let began = Instant::now();
    let (ran, manifest) = prep(&delivery.path(), &delivery.out("out"), &recipe);
    assert!(began.elapsed() < AT_ONCE, "{:?}", began.elapsed());
    assert_eq!(ran.code, 1, "{}{}", ran.out, ran.err);
    for (name, what) in [("a.wav", "a pipe"), ("endless a.wav", "a device"), ("d.zip", "a pipe")] {
        let error = stem(&manifest, name)["error"].as_str().unwrap();
        assert!(error.contains("no plain file") && error.contains(what), "{name}: {error}");
    }
}

/// An output, a paper and the manifest may be exchanged for a pipe while nobody looks.
#[test]
fn pipes_in_an_output_folder_are_refused_at_once() {
    for victim in ["audio/Kick.wav", "manifest.json", "recipe.toml", "checksums.sha256"] {
        let delivery = delivery();
        let (source, out) = (delivery.path(), delivery.out("out"));
        let recipe = "recipe = 1\nname = \"plain\"\nrevision = 1\n[[stage]]\nstage = \"decode\"\n\
                      [[stage]]\nstage = \"label\"\nnumber = false\n[[stage]]\nstage = \"re-encode\"\n";
        let recipe = delivery.file("../plain.toml", recipe.as_bytes());
        let (ran, _) = prep(&source, &out, &["--recipe", recipe.to_str().unwrap()]);
        assert_eq!(ran.code, 0, "{}{}", ran.out, ran.err);
        fs::remove_file(out.join(victim)).unwrap();
        pipe(&out.join(victim));
        let to = delivery.out("restored");
        let [source, out, to] = [&source, &out, &to].map(|path| path.to_str().unwrap());
        for (args, codes) in [
            (vec!["verify", out, "--delivery", source], &[2, 3, 4][..]),
            (vec!["restore", out, "--to", to], &[0, 1, 2, 3, 4]),
            (vec!["prep", source, "--out", out, "--recipe", recipe.to_str().unwrap()], &[0, 1, 2, 3]),
        ] {
            let began = Instant::now();
            let ran = loadin(&args);
            assert!(began.elapsed() < AT_ONCE, "{victim}: {args:?}");
            assert!(codes.contains(&ran.code), "{victim}: {args:?}: {} {}{}", ran.code, ran.out, ran.err);
        }
    }
}

/// So may the papers of a batch, and a reply that is read for answers is no endless device.
#[test]
fn papers_of_a_batch_and_replies_are_never_waited_for() {
    let (one, other) = (delivery(), Delivery::new("other"));
    other.wav("Bass.wav", 48_000, 24, &[signal::noise(2, 0.3, 30_000)]);
    let [a, b] = [&one, &other].map(Delivery::path);
    let [a, b] = [&a, &b].map(|path| path.to_str().unwrap());
    for paper in ["summary.json", "index.html"] {
        let out = one.out(paper);
        fs::create_dir(&out).unwrap();
        pipe(&out.join(paper));
        let began = Instant::now();
        let ran = loadin(&["prep", a, b, "--out", out.to_str().unwrap(), "--progress", "none"]);
        assert!(began.elapsed() < AT_ONCE && matches!(ran.code, 0 | 3), "{paper}: {} {}", ran.code, ran.err);
    }
    let out = one.out("out");
    prep(&one.path(), &out, &[]);
    let ran = loadin(&["answers", out.to_str().unwrap(), "--reply", "/dev/zero"]);
    assert!(ran.code == 2 && ran.err.contains("/dev/zero"), "{}", ran.err);
}

/// What an engine grants may be meant for another machine.
#[test]
fn a_grant_of_many_threads_is_bounded_by_the_machine() {
    let delivery = delivery();
    let began = Instant::now();
    let ran = run(command().arg("audit").arg(delivery.path()).env("SLURM_CPUS_PER_TASK", "100000"));
    assert_eq!(ran.code, 0, "{}{}", ran.out, ran.err);
    assert!(began.elapsed() < AT_ONCE, "{:?}", began.elapsed());
}
