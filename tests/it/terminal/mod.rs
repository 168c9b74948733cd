//! What stands on a terminal: the screens of the demo and of hostile names at three widths, pipes that close, mistakes on the command
//! line.

mod closing;
mod mistakes;
mod topics;

use std::fs;
use std::path::{Path, PathBuf};

use loadin_audio::signal;
use loadin_tests::Delivery;

use crate::job::{Ran, command, copy, run};

const WIDTHS: [usize; 3] = [60, 100, 200];

/// The same program in a folder, so that no path of the machine is on the screen.
fn loadin_in(folder: &Path, args: &[&str]) -> Ran {
    run(command().current_dir(folder).args(args))
}

/// What a run takes differs; all else on a screen does not.
fn timeless(screen: &str) -> String {
    let line = |line: &str| match line.split_once(" of outputs, in ") {
        Some((before, _)) => format!("{before} of outputs, in N s\n"),
        None => format!("{line}\n"),
    };
    screen.lines().map(line).collect()
}

/// `LOADIN_UPDATE=1 cargo test -p loadin-tests terminal` writes the screens anew.
#[expect(clippy::disallowed_methods, reason = "the switch that writes what is published")]
fn assert_screen(name: &str, screen: &str) {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("data/screens").join(name);
    if std::env::var("LOADIN_UPDATE").is_ok() {
        fs::write(&path, screen).unwrap();
    }
    let wanted = fs::read_to_string(&path).unwrap_or_default();
    assert!(
        wanted == screen,
        "{name} is not current: LOADIN_UPDATE=1 cargo test -p loadin-tests terminal\n{screen}"
    );
}

fn demo() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../demo")
}

/// Names that would clear a screen, turn a line around or break it, and one that is too long for every width.
fn hostile() -> Delivery {
    let delivery = Delivery::new("From \u{1b}[2Jthem");
    let sound = |seed| [signal::noise(seed, 0.1, 48_000)];
    for (seed, name) in (1..).zip([
        "Kick\u{1b}[31m.wav",
        "Snare \u{202e}vaw.wav",
        "Bass\u{9b}2J.wav",
        "Vox\rOK.wav",
        "two\nlines Pad.wav",
        "שלום Keys.wav",
        "ドラム Loop.wav",
    ]) {
        delivery.wav(name, 48_000, 24, &sound(seed));
    }
    delivery.wav(&format!("{} Gtr.wav", "W".repeat(200)), 44_100, 16, &[signal::noise(9, 0.1, 44_100)]);
    delivery.wav("Tamb\u{1b}[2J.wav", 48_000, 24, &[vec![0.0; 48_000]]);
    delivery.file("broken\u{2066}.wav", b"RIFF\x1b[2J");
    delivery.file("notes \u{202e}.txt", "Tempo 92\u{1b}[2J bpm, the shaker is missing\u{202e}\n".as_bytes());
    delivery
}

/// No terminal obeys it: no control but the line feed, and no mark of direction (Unicode Standard Annex #9).
fn assert_safe(text: &str) {
    let is_bad = |c: &char| {
        (c.is_control() && *c != '\n')
            || matches!(c, '\u{202a}'..='\u{202e}' | '\u{2066}'..='\u{2069}' | '\u{200e}' | '\u{200f}')
    };
    let found: Vec<char> = text.chars().filter(is_bad).collect();
    assert!(found.is_empty(), "{found:?} in {text}");
}

/// Every line fits, save the command that is there to be copied, and what has no space to break at.
fn assert_fits(screen: &str, width: usize) {
    let columns = |line: &str| console_width(line);
    for line in screen.lines().filter(|line| !line.starts_with("next: ") && !line.starts_with("the page is "))
    {
        assert!(columns(line) <= width, "{width}: {line}");
    }
}

/// Wide signs of East Asia take two columns (Unicode Standard Annex #11; only those of the tests).
fn console_width(line: &str) -> usize {
    line.chars().map(|c| if ('\u{3000}'..='\u{9fff}').contains(&c) { 2 } else { 1 }).sum()
}

#[test]
fn the_demo_at_three_widths() {
    let folder = tempfile::tempdir().unwrap();
    let delivery = demo().join("delivery");
    // By a link, so that the screen names no path of the machine.
    copy(&delivery, &folder.path().join("delivery"));
    for width in WIDTHS {
        let columns = width.to_string();
        let out = format!("prepped-{width}");
        let args = ["prep", "delivery", "--out", out.as_str(), "--progress", "none", "--columns", &columns];
        let ran = loadin_in(folder.path(), &args);
        assert_eq!(ran.code, 1, "{}", ran.err);
        assert_fits(&ran.out, width);
        assert_screen(&format!("demo-prep-{width}.txt"), &timeless(&ran.out));
        let args = ["plan", "delivery", "--progress", "none", "--columns", &columns];
        let ran = loadin_in(folder.path(), &args);
        assert_fits(&ran.out, width);
        assert_screen(&format!("demo-plan-{width}.txt"), &ran.out);
    }
}

#[test]
fn hostile_names_at_three_widths() {
    let delivery = hostile();
    let folder = delivery.path().parent().unwrap().to_owned();
    let name = delivery.path().file_name().unwrap().to_str().unwrap().to_owned();
    for width in WIDTHS {
        let columns = width.to_string();
        let out = format!("out-{width}");
        let args = ["prep", &name, "--out", out.as_str(), "--progress", "none", "--columns", &columns];
        let ran = loadin_in(&folder, &args);
        assert_eq!(ran.code, 1, "{}", ran.err);
        assert_safe(&ran.out);
        assert_screen(&format!("hostile-prep-{width}.txt"), &timeless(&ran.out));
        let ran = loadin_in(&folder, &["audit", &name, "--progress", "none", "--columns", &columns]);
        assert_safe(&ran.out);
        assert_screen(&format!("hostile-audit-{width}.txt"), &ran.out);
    }
}

/// Everything that can quote a name, a note or a recipe: every verb, progress in every form, errors, JSON.
#[test]
fn no_terminal_obeys_a_delivery() {
    let delivery = hostile();
    let folder = delivery.path().parent().unwrap().to_owned();
    let name = delivery.path().file_name().unwrap().to_str().unwrap().to_owned();
    fs::write(
        folder.join("bad\u{1b}.toml"),
        "recipe = 1\nname = \"\u{202e}\"\nrevision = 1\n[[stage]]\nstage = \"\\u001b[2J\u{202e}\"\n",
    )
    .unwrap();
    for progress in ["lines", "bar", "json"] {
        let out = format!("out-{progress}");
        let ran = loadin_in(&folder, &["prep", &name, "--out", out.as_str(), "--progress", progress]);
        assert_safe(&ran.out);
        // A bar draws with sequences of its own; none of them is a name's.
        if progress == "bar" {
            assert!(!ran.err.contains("\u{1b}[31m.wav") && !ran.err.contains('\u{202e}'), "{}", ran.err);
        } else {
            assert_safe(&ran.err);
        }
    }
    for args in [
        &["audit", &name, "--format", "json"][..],
        &["plan", &name],
        &["plan", &name, "--format", "json"],
        &["facts", &name],
        &["facts", &name, "--format", "json"],
        &["prep", &name, "--out", "json", "--format", "json"],
        &["plan", &name, "--recipe", "bad\u{1b}.toml"],
        &["recipe", "check", "bad\u{1b}.toml"],
        &["plan", &name, "--recipe", "no\u{1b}[2J\u{202e}"],
        &["plan", "no \u{202e}such\u{1b}[2J"],
        &["prep", &name, "--out", "x", "--\u{1b}[2J\u{202e}"],
        &["verify", "out-lines"],
        &["verify", "no\u{1b}[2J"],
        &["report", "out-lines"],
        &["restore", "out-lines", "--to", "back\u{1b}[2J"],
    ] {
        let ran = loadin_in(&folder, &[args, &["--progress", "none"]].concat());
        assert_safe(&ran.out);
        assert_safe(&ran.err);
    }
}
