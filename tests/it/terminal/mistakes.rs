//! Mistakes on the command line and in recipes say what to do, and a pipe that closes is none.

use std::process::Stdio;

use loadin_audio::signal;
use loadin_tests::Delivery;

use crate::job::{command, loadin};

#[test]
fn a_short_option_that_is_misspelt_is_suggested() {
    let ran = loadin(&["prep", "x", "--ot", "y"]);
    assert_eq!(ran.code, 2);
    assert!(ran.err.contains("'--out'"), "{}", ran.err);
    assert!(!loadin(&["prep", "x", "--zzzzzz", "y"]).err.contains("similar"), "nothing is near");
}

#[test]
fn a_file_where_a_folder_is_wanted_says_so_and_a_cause_is_said_once() {
    let delivery = Delivery::new("song");
    let file = delivery.wav("Kick.wav", 48_000, 24, &[signal::noise(1, 0.1, 4_800)]);
    for (path, wanted) in
        [(file.to_str().unwrap(), "give the folder"), ("/no/such folder", "give the folder")]
    {
        for verb in ["audit", "plan", "facts"] {
            let ran = loadin(&[verb, path]);
            assert_eq!(ran.err.matches(wanted).count(), 1, "{verb}: {}", ran.err);
            assert_eq!(ran.err.lines().count(), 1, "{}", ran.err);
        }
    }
}

#[test]
fn a_wrong_type_in_a_recipe_shows_a_right_value() {
    let delivery = Delivery::new("song");
    let recipe = delivery.file(
        "mine.toml",
        b"recipe = 1\nname = \"x\"\nrevision = 1\n[[stage]]\nstage = \"resample\"\nrate = 44100\n[[stage]]\nstage = \"gain-stage\"\ntarget = -6\n[[stage]]\nstage = \"label\"\n\
          max-chars = \"31\"\nnumber = \"yes\"\n",
    );
    let ran = loadin(&["recipe", "check", recipe.to_str().unwrap()]);
    for wanted in [
        "rate: found 44100, allowed is a text in quotes, such as rate = \"4",
        "target: found -6, allowed is a text in quotes, such as target = \"-6 dBFS\"",
        "max-chars: found \"31\", allowed is a whole number, without quotes, such as max-chars = 31",
        "number: found \"yes\", allowed is true or false, without quotes, such as number = true",
    ] {
        assert!(ran.err.contains(wanted), "{wanted}: {}", ran.err);
    }
}

/// As a reader that has seen enough, such as `head`: no word, and the number that a shell gives for SIGPIPE (128 + 13).
#[test]
fn a_closed_pipe_ends_in_silence() {
    let delivery = Delivery::new("song");
    delivery.wav("Kick.wav", 48_000, 24, &[signal::noise(1, 0.1, 48_000)]);
    for args in [
        &["plan", delivery.path().to_str().unwrap(), "--progress", "none"][..],
        &["recipe", "list"],
        &["help"],
        &["man", "prep"],
        &["--help"],
    ] {
        // The reader is gone before the program begins, so that nothing depends on who is faster.
        let (reader, writer) = std::io::pipe().unwrap();
        drop(reader);
        let ended = command().args(args).stdout(writer).stderr(Stdio::piped()).output().unwrap();
        assert_eq!(String::from_utf8_lossy(&ended.stderr), "", "{args:?}");
        assert_eq!(ended.status.code(), Some(141), "{args:?}");
    }
}

#[test]
fn one_is_one_and_two_are_two() {
    let delivery = Delivery::new("song");
    delivery.wav("Kick.wav", 48_000, 24, &[signal::noise(1, 0.1, 48_000)]);
    let out = delivery.out("out");
    let ran = loadin(&[
        "prep",
        delivery.path().to_str().unwrap(),
        "--out",
        out.to_str().unwrap(),
        "--progress",
        "lines",
    ]);
    assert!(
        ran.err.contains(": 1 audio file\n") && ran.out.contains("verdict: 1 stem ready"),
        "{}{}",
        ran.err,
        ran.out
    );
    let ran = loadin(&["verify", out.to_str().unwrap(), "--delivery", delivery.path().to_str().unwrap()]);
    assert!(ran.out.contains("1 output and 1 source read"), "{}", ran.out);
}
