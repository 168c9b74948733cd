//! Many deliveries in one run: one that fails stops no other, and the summary says in the morning what happened.

use std::fs;
use std::path::{Path, PathBuf};
use std::time::{SystemTime, UNIX_EPOCH};

use serde_json::Value;

use crate::job::{Ran, command, loadin, run};
use crate::papers::{mistake, published};

/// A folder with deliveries of a few stems each.
struct Inbox(tempfile::TempDir);

impl Inbox {
    fn new() -> Self {
        Self(tempfile::tempdir().unwrap())
    }

    fn path(&self, name: &str) -> PathBuf {
        self.0.path().join(name)
    }

    fn delivery(&self, name: &str, stems: u64, frames: usize) {
        let other = super::delivery_of(stems, frames);
        fs::rename(other.path(), self.path(name)).unwrap();
    }

    /// Arguments of `prep` for these deliveries.
    fn args(&self, names: &[&str], more: &[&str]) -> Vec<String> {
        let mut args = vec!["prep".to_owned()];
        args.extend(names.iter().map(|name| self.path(name).to_str().unwrap().to_owned()));
        let out = self.path("out");
        args.extend(["--out", out.to_str().unwrap(), "--progress", "none"].map(str::to_owned));
        args.extend(more.iter().map(|&arg| arg.to_owned()));
        args
    }

    fn prep(&self, names: &[&str], more: &[&str]) -> (Ran, Value) {
        let args = self.args(names, more);
        let ran = loadin(&args.iter().map(String::as_str).collect::<Vec<_>>());
        (ran, summary(&self.path("out")))
    }
}

fn summary(out: &Path) -> Value {
    serde_json::from_str(&fs::read_to_string(out.join("summary.json")).unwrap()).unwrap()
}

fn column<'a>(summary: &'a Value, key: &str) -> Vec<&'a Value> {
    summary["deliveries"].as_array().unwrap().iter().map(|delivery| &delivery[key]).collect()
}

#[test]
fn one_bad_delivery_stops_no_other_and_the_summary_says_so() {
    let inbox = Inbox::new();
    inbox.delivery("good", 2, 5_000);
    fs::create_dir(inbox.path("empty")).unwrap();
    inbox.delivery("poisoned", 2, 5_000);
    fs::write(inbox.path("poisoned/Broken.wav"), b"RIFF\x10\0\0\0WAVE").unwrap();
    inbox.delivery("last", 1, 5_000);
    let (ran, summary) = inbox.prep(&["good", "empty", "poisoned", "missing", "last"], &[]);
    assert_eq!(ran.code, 2, "a folder without audio and one that is not there: {}{}", ran.out, ran.err);
    assert_eq!(column(&summary, "ended"), ["finished", "refused", "finished", "refused", "finished"]);
    assert_eq!(column(&summary, "prepared"), [2, 0, 2, 0, 1]);
    assert_eq!(column(&summary, "failed"), [0, 0, 1, 0, 0]);
    assert_eq!(summary["exit_code"], 2);
    assert!(summary["deliveries"][1]["error"].as_str().unwrap().contains("no audio"), "{summary}");
    let attention = &summary["deliveries"][2]["attention"][0];
    assert_eq!(attention["path"], "Broken.wav");
    let schema = published("summary.schema.json");
    assert_eq!(mistake(&summary, &schema, &schema, "summary"), None);
    for text in
        ["poisoned: Broken.wav", "empty: there is no audio", "3 of 5", "2 of 5 deliveries are complete"]
    {
        assert_eq!(ran.out.contains(text), text != "3 of 5", "{text}: {}", ran.out);
    }
    let lines = ran.out.lines().count();
    assert!(lines <= 24, "{lines} lines are more than a screen: {}", ran.out);
    for name in ["good", "poisoned", "last"] {
        assert_eq!(loadin(&["verify", inbox.path("out").join(name).to_str().unwrap()]).code, 0, "{name}");
    }
}

#[test]
fn the_order_is_as_asked() {
    let inbox = Inbox::new();
    inbox.delivery("b", 1, 30_000);
    inbox.delivery("c", 1, 10_000);
    inbox.delivery("a", 1, 20_000);
    let order = |more: &[&str]| {
        let (ran, summary) = inbox.prep(&["b", "c", "a"], more);
        assert_eq!(ran.code, 0, "{}{}", ran.out, ran.err);
        let names = column(&summary, "out").into_iter();
        names.map(|out| out.as_str().unwrap().chars().last().unwrap()).collect::<String>()
    };
    assert_eq!(order(&[]), "bca");
    assert_eq!(order(&["--order", "name"]), "abc");
    assert_eq!(order(&["--order", "size"]), "cab");
}

/// A zone in which it is a second before half past six now: POSIX `TZ` may say an offset to the second, with the sign
/// turned (IEEE Std 1003.1, section 8.3).
fn zone_before_half_past_six() -> String {
    #[expect(clippy::disallowed_methods, reason = "the test is about the clock")]
    let now = SystemTime::now().duration_since(UNIX_EPOCH).unwrap().as_secs() % 86_400;
    let west = (now + 86_400 - (6 * 3600 + 29 * 60 + 59)) % 86_400;
    format!("LOC+{:02}:{:02}:{:02}", west / 3600, west / 60 % 60, west % 60)
}

#[test]
fn nothing_is_begun_after_the_hour_and_the_same_command_goes_on() {
    let inbox = Inbox::new();
    let names = ["d0", "d1", "d2", "d3", "d4", "d5", "d6", "d7"];
    for name in names {
        inbox.delivery(name, 8, 60_000);
    }
    let args = inbox.args(&names, &["--until", "06:30", "--jobs", "1"]);
    let ran = run(command().args(&args).env("TZ", zone_before_half_past_six()));
    let summary = summary(&inbox.path("out"));
    let ended = column(&summary, "ended");
    assert_eq!(ran.code, 1, "{}{}", ran.out, ran.err);
    assert_eq!((ended[0], ended[7]), (&"finished".into(), &"later".into()), "{}", ran.out);
    assert!(ran.out.contains("not begun") && ran.out.contains("goes on from there"), "{}", ran.out);
    let (ran, summary) = inbox.prep(&names, &[]);
    assert_eq!((ran.code, column(&summary, "reused")[0]), (0, &16.into()), "{}", ran.out);
}

#[cfg(unix)]
#[test]
fn whoever_waits_for_the_end_gets_the_summary() {
    let inbox = Inbox::new();
    inbox.delivery("a", 1, 5_000);
    inbox.delivery("b", 1, 5_000);
    let (told, named) = (inbox.path("told.json"), inbox.path("named.json"));
    let command = format!("cat > '{}'; cp \"$LOADIN_SUMMARY\" '{}'; exit 3", told.display(), named.display());
    let (ran, summary) = inbox.prep(&["a", "b"], &["--on-finish", &command]);
    assert_eq!(ran.code, 0, "a mail that fails makes no stem worse");
    assert!(ran.err.contains("--on-finish failed") && ran.err.contains('3'), "{}", ran.err);
    for path in [told, named] {
        let found: Value = serde_json::from_str(&fs::read_to_string(path).unwrap()).unwrap();
        assert_eq!(found, summary);
    }
}

/// A nightly command takes whatever is in the inbox: where it goes does not depend on how much that is.
#[test]
fn one_delivery_can_be_a_batch_and_none_is_mixed_into_another() {
    let inbox = Inbox::new();
    inbox.delivery("a", 1, 5_000);
    inbox.delivery("b", 1, 5_000);
    let (ran, _) = inbox.prep(&["a"], &["--batch"]);
    assert_eq!(ran.code, 0, "{}", ran.err);
    assert!(inbox.path("out/a/manifest.json").exists() && !inbox.path("out/manifest.json").exists());
    assert_eq!(inbox.prep(&["a", "b"], &["--batch"]).0.code, 0);
    let run = |names: &[&str], more: &[&str]| {
        let args = inbox.args(names, more);
        loadin(&args.iter().map(String::as_str).collect::<Vec<_>>())
    };
    let alone = run(&["b"], &[]);
    assert!(alone.code == 3 && alone.err.contains("did not write"), "{}", alone.err);
    fs::remove_dir_all(inbox.path("out")).unwrap();
    assert_eq!(run(&["a"], &[]).code, 0);
    let mixed = run(&["a", "b"], &[]);
    assert!(mixed.code == 3 && mixed.err.contains("is itself a prepared delivery"), "{}", mixed.err);
}

#[test]
fn a_summary_of_somebody_else_is_not_replaced() {
    let inbox = Inbox::new();
    inbox.delivery("a", 1, 5_000);
    inbox.delivery("b", 1, 5_000);
    fs::create_dir(inbox.path("out")).unwrap();
    fs::write(inbox.path("out/summary.json"), "{}").unwrap();
    let args = inbox.args(&["a", "b"], &[]);
    let ran = loadin(&args.iter().map(String::as_str).collect::<Vec<_>>());
    assert_eq!(ran.code, 3, "{}", ran.err);
    assert!(ran.err.contains("summary.json") && ran.err.contains("move it away"), "{}", ran.err);
    assert!(!inbox.path("out/a").exists());
}
