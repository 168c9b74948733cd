//! Files that come, change and go after the first preparation.

use std::path::Path;

use loadin_tests::Random;
use serde_json::Value;

use super::super::given::{Given, Sound};
use super::super::history::End;
use super::Case;
use crate::job;

#[test]
fn a_second_round_of_late_files_keeps_the_labels_of_the_first() {
    let mut case = Case::prepared(&["Kick.wav", "Bass.wav", "Vox.wav"]);
    case.put("gtr.wav");
    case.visit(&[]);
    assert_eq!(case.output("gtr.wav"), "audio/04_gtr.wav");
    let first = case.bytes("audio/04_gtr.wav");
    for late in ["Alt/gtr.wav", "Acoustic gtr.wav", "Drums.wav"] {
        case.put(late);
    }
    case.visit(&[]);
    assert!(case.bytes("audio/04_gtr.wav") == first);
    // The first of the late ones is replaced, and another goes: no label is another's for that.
    case.put("gtr.wav");
    case.remove("Alt/gtr.wav");
    case.put("Beta/gtr.wav");
    case.visit(&[]);
    assert_eq!(case.output("gtr.wav"), "audio/04_gtr.wav");
    assert_eq!(case.set_aside(), ["04_gtr.wav"]);
    case.put("gtr.wav");
    case.visit(&[]);
    assert_eq!(case.set_aside(), ["04_gtr (2).wav", "04_gtr.wav"]);
}

#[test]
fn a_folder_with_another_name_is_the_same_delivery() {
    let mut case = Case::prepared(&["Kick.wav", "Bass.wav", "Vox.wav"]);
    case.desk.world.rename_folder("song v2");
    case.desk.oracle.synced = false;
    let before = job::comparable(&case.desk.world.out());
    assert_eq!(case.visit(&[]).code, 0);
    let after = job::comparable(&case.desk.world.out());
    for (path, bytes) in before.iter().filter(|(path, _)| path.starts_with("audio/")) {
        assert!(after.get(path) == Some(bytes), "{path}");
    }
    // With another name again, and a loud file that is sorted between the others.
    case.desk.world.rename_folder("song v3");
    let loud = Sound { level: 0.8, ..case.sound() };
    case.put_sound("Kick out.wav", &loud);
    assert_eq!(case.visit(&[]).code, 0);
    assert!(case.output("Kick out.wav").starts_with("audio/04_"));
}

#[test]
fn the_output_of_a_gone_file_stays_until_it_comes_back() {
    let mut case = Case::prepared(&["Kick.wav", "Bass.wav", "Vox.wav"]);
    let (output, given) = (case.output("Vox.wav"), case.desk.world.delivered[Path::new("Vox.wav")].clone());
    let bytes = case.bytes(&output);
    case.remove("Vox.wav");
    assert_eq!(case.visit(&[]).code, 0);
    assert!(case.bytes(&output) == bytes);
    assert!(case.findings("Vox.wav").contains(&"source-gone".to_owned()));
    assert!(case.set_aside().is_empty());
    // One more stem, while it is away, does not get its number.
    case.put("Perc.wav");
    case.visit(&[]);
    case.desk.world.put(Path::new("Vox.wav"), given);
    case.desk.oracle.synced = false;
    assert_eq!(case.visit(&[]).code, 0);
    assert!(!case.findings("Vox.wav").contains(&"source-gone".to_owned()));
    assert_eq!(case.output("Vox.wav"), output);
}

#[test]
fn what_cannot_be_read_replaces_nothing() {
    let mut case = Case::prepared(&["Kick.wav", "Bass.wav", "Vox.wav"]);
    let output = case.output("Vox.wav");
    let bytes = case.bytes(&output);
    case.desk.world.put(Path::new("Vox.wav"), Given::unreadable(&mut Random::new(3)));
    case.desk.oracle.synced = false;
    assert_eq!(case.visit(&[]).code, 1);
    assert!(case.bytes(&output) == bytes && case.set_aside().is_empty());
    case.put("Vox.wav");
    assert_eq!(case.visit(&[]).code, 0);
    assert!(case.bytes(&output) != bytes);
    assert_eq!(case.set_aside(), [output.trim_start_matches("audio/")]);
}

/// Where an unstamped late file starts, alone or beside one with an early stamp.
fn start_of_a_late_file(first_are_stamped: bool, beside_an_early_one: bool) -> Value {
    let mut case = Case::new(&[]);
    for (number, path) in ["Kick.wav", "Bass.wav"].into_iter().enumerate() {
        let mut sound = case.sound();
        sound.stamp_seconds = first_are_stamped.then_some(0.1 * number as f64);
        case.put_sound(path, &sound);
    }
    assert_eq!(case.visit(&[]).code, 0);
    if beside_an_early_one {
        let early = Sound { stamp_seconds: Some(-0.5), ..case.sound() };
        case.put_sound("Gtr.wav", &early);
    }
    case.put("Vox.wav");
    assert_eq!(case.visit(&[]).code, 0);
    job::stem(&case.manifest(), "Vox.wav")["time_map"]["shift_frames"].clone()
}

/// Time stamps of late files say where these stand, and not where others do.
#[test]
fn an_unstamped_late_file_is_not_moved_by_the_early_stamp_of_another() {
    for first_are_stamped in [false, true] {
        let alone = start_of_a_late_file(first_are_stamped, false);
        let beside = start_of_a_late_file(first_are_stamped, true);
        assert_eq!(beside, alone, "first stamped: {first_are_stamped}");
    }
}

/// Whatever an interrupted first run has written is no orphan when the delivery has changed before the next one.
#[test]
fn an_interrupted_first_run_and_one_more_file_leave_no_orphan() {
    for call in (10..180).step_by(10) {
        let mut case = Case::new(&["Kick.wav", "Vox.wav", "Pad.wav"]);
        case.interrupted(End::DiskFails(call), &[]);
        // It is sorted between the others, and moves their numbers.
        case.put("Bass.wav");
        assert_eq!(case.visit(&[]).code, 0, "after call {call}");
    }
    for moment in [0.3, 0.5, 0.7, 0.8, 0.9] {
        let mut case = Case::new(&["Kick.wav", "Vox.wav", "Pad.wav"]);
        case.interrupted(End::Killed(moment), &[]);
        case.put("Bass.wav");
        case.remove("Pad.wav");
        assert_eq!(case.visit(&[]).code, 0, "killed at {moment}");
    }
}

/// The same of a later one: replaced, removed and added meanwhile.
#[test]
fn an_interrupted_later_run_and_other_changes_leave_no_orphan() {
    for call in (10..180).step_by(10) {
        let mut case = Case::prepared(&["Kick.wav", "Vox.wav", "Pad.wav"]);
        let old = case.desk.world.delivered[Path::new("Vox.wav")].clone();
        case.put("Vox.wav");
        case.put("Bass.wav");
        case.interrupted(End::DiskFails(call), &[]);
        case.desk.world.put(Path::new("Vox.wav"), old);
        case.put("Gtr.wav");
        assert_eq!(case.visit(&[]).code, 0, "after call {call}");
    }
}

/// The manifest is the promise: a new link that was not finished has changed nothing.
#[test]
fn an_interrupted_new_link_is_none_for_the_next_visit() {
    for call in (10..180).step_by(10) {
        let mut case = Case::prepared(&["Kick.wav", "Vox.wav", "Pad.wav"]);
        let loud = Sound { level: 0.9, ..case.sound() };
        case.put_sound("Bass.wav", &loud);
        if call % 20 == 0 {
            case.remove("Pad.wav");
        }
        case.interrupted(End::DiskFails(call), &["--relink"]);
        assert_eq!(case.visit(&[]).code, 0, "after call {call}");
    }
}

/// Nor for the next new link, before which a source was replaced: what nobody can make again is set aside.
#[test]
fn an_interrupted_new_link_is_none_for_the_next_new_link() {
    for call in (10..180).step_by(6) {
        let mut case = Case::prepared(&["Alt/Bass.wav", "Kick.wav", "Vox.wav"]);
        // The name stays until the new link.
        case.rename("Alt/Bass.wav", "Perc.wav");
        assert_eq!(case.visit(&[]).code, 0);
        case.interrupted(End::DiskFails(call), &["--relink"]);
        case.put(if call % 4 == 0 { "Perc.wav" } else { "Vox.wav" });
        assert_eq!(case.visit(&["--relink"]).code, 0, "after call {call}");
    }
}
