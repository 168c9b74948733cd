//! Too little of what the system grants: memory, open files, size of a file, processes. A command ends with a message and never
//! by a signal, and what it leaves is finished by the next one as if nothing had been.

use std::fs;
use std::os::unix::process::CommandExt;
use std::path::Path;
use std::process::Command;

use loadin_audio::signal;
use loadin_tests::Delivery;

use super::users::{give, stranger};
use crate::job::{Ran, assert_same_files, command, comparable, loadin, run};

/// The program with a limit of the shell, as somebody else where `user` says so.
fn limited(limit: &str, user: Option<u32>, args: &[&str]) -> Ran {
    let mut shell = Command::new("sh");
    if let Some(user) = user {
        shell.uid(user).gid(user);
    }
    // What some shells call -u others call -p.
    let other = limit.replace("-u", "-p");
    let script = format!("{{ ulimit {limit} 2>/dev/null || ulimit {other}; }} && exec \"$@\"");
    shell.args(["-c", &script, "sh"]).arg(command().get_program()).args(args);
    run(&mut shell)
}

/// Stems that are made mono and converted: what takes memory, threads and files.
fn delivery() -> Delivery {
    let delivery = Delivery::new("song");
    for stem in 0..4 {
        let left = signal::noise(stem, 0.3, 60_000 + 900 * stem as usize);
        let rate = if stem == 3 { 44_100 } else { 48_000 };
        delivery.wav(&format!("Stem {stem}.wav"), rate, 24, &[left.clone(), left]);
    }
    delivery.file("notes.txt", b"tempo 120");
    delivery
}

/// Runs the commands under every limit, and the one that nothing limits behind them.
fn never_ends_by_a_signal(limits: &[String], user: Option<u32>) {
    let delivery = delivery();
    let source = delivery.path();
    let source = source.to_str().unwrap();
    let prep = |out: &Path| {
        ["prep", source, "--out", out.to_str().unwrap(), "--jobs", "2", "--progress", "none"]
            .map(str::to_owned)
    };
    let whole = delivery.out("whole");
    let args = prep(&whole);
    let ran = loadin(&args.each_ref().map(String::as_str));
    assert!(matches!(ran.code, 0 | 1), "{}{}", ran.out, ran.err);
    let whole = comparable(&whole);
    let mut refused = 0;
    for (number, limit) in limits.iter().enumerate() {
        if limited(limit, user, &["--version"]).code != 0 {
            // The system cannot even start it.
            continue;
        }
        let out = delivery.out(&format!("out {number}"));
        fs::create_dir(&out).unwrap();
        give(delivery.path().parent().unwrap(), user);
        let args = prep(&out);
        let args = args.each_ref().map(String::as_str);
        let ran = limited(limit, user, &args);
        assert!(
            matches!(ran.code, 0 | 1 | 3),
            "ulimit {limit}: ended with {}: {}{}",
            ran.code,
            ran.out,
            ran.err
        );
        assert!(ran.code != 3 || ran.err.starts_with("loadin: "), "ulimit {limit}: {}", ran.err);
        assert!(!ran.err.contains("internal:"), "ulimit {limit}: {}", ran.err);
        refused += usize::from(ran.code == 3);
        let again = loadin(&args);
        assert!(matches!(again.code, 0 | 1), "after ulimit {limit}: {}{}", again.out, again.err);
        assert_same_files(&comparable(&out), &whole, &format!("after ulimit {limit}: {}", ran.err));
        let out = out.to_str().unwrap();
        let clean = loadin(&["verify", out, "--delivery", source, "--progress", "none"]);
        assert_eq!(clean.code, 0, "after ulimit {limit}: {}{}", clean.out, clean.err);
        let to = delivery.out(&format!("restored {number}"));
        for args in [
            &["audit", source, "--progress", "none"][..],
            &["verify", out, "--progress", "none"],
            &["restore", out, "--to", to.to_str().unwrap(), "--progress", "none"],
        ] {
            let ran = limited(limit, user, args);
            assert!(
                (0..=4).contains(&ran.code),
                "ulimit {limit}: {args:?} ended with {}: {}{}",
                ran.code,
                ran.out,
                ran.err
            );
        }
    }
    assert!(refused > 0, "no limit of {limits:?} was too little");
}

fn of(flag: &str, values: [u64; 5]) -> Vec<String> {
    values.iter().map(|value| format!("{flag} {value}")).collect()
}

#[test]
fn too_little_memory_is_a_message() {
    never_ends_by_a_signal(&of("-v", [60_000, 90_000, 130_000, 250_000, 700_000]), None);
}

/// In blocks of 512 bytes, or of 1024 where the shell counts so.
#[test]
fn files_that_may_not_become_large_are_a_message() {
    never_ends_by_a_signal(&of("-f", [0, 8, 100, 300, 700]), None);
}

#[test]
fn too_few_open_files_are_a_message() {
    never_ends_by_a_signal(&of("-n", [4, 10, 20, 27, 64]), None);
}

/// The limit holds for whoever is not root, and counts all processes of a user: one who has no other.
#[expect(clippy::print_stderr, reason = "a test that cannot do its work says so")]
#[test]
fn a_full_table_of_processes_is_a_message() {
    let Some(user) = stranger() else {
        eprintln!(
            "SKIPPED: only root can become a user who has no other process, and only one who may run the program"
        );
        return;
    };
    never_ends_by_a_signal(&of("-u", [1, 2, 3, 4, 9]), Some(user));
}
