//! What a person edits, deletes or puts into the output folder.

use std::fs;

use super::super::oracle::Touched;
use super::Case;

#[test]
fn an_edited_output_stays_as_it_is() {
    let mut case = Case::prepared(&["Kick.wav", "Bass.wav", "Vox.wav"]);
    let edited = case.edit("Vox.wav");
    assert_eq!(case.visit(&[]).code, 0);
    assert!(case.findings("Vox.wav").contains(&"output-edited".to_owned()));
    // It stays through whatever else happens.
    case.put("Late.wav");
    case.put("Kick.wav");
    assert_eq!(case.visit(&[]).code, 0);
    case.rename("Vox.wav", "Vocals/Lead.wav");
    assert_eq!(case.visit(&[]).code, 0);
    case.remove("Vocals/Lead.wav");
    assert_eq!(case.visit(&[]).code, 0);
    assert!(case.bytes("audio/03_Vox.wav") == edited);
}

#[test]
fn an_edited_output_of_a_stem_that_is_left_out_stays_where_it_is() {
    let mut case = Case::prepared(&["Kick.wav", "Bass.wav", "Vox.wav"]);
    let edited = case.edit("Vox.wav");
    case.recipe.leave_out = vec!["Vox.wav".to_owned()];
    assert_eq!(case.visit(&[]).code, 1);
    assert!(case.bytes("audio/03_Vox.wav") == edited);
    assert!(case.set_aside().is_empty());
}

#[test]
fn a_deleted_output_is_made_again() {
    let mut case = Case::prepared(&["Kick.wav", "Bass.wav", "Vox.wav"]);
    case.put("Late.wav");
    case.visit(&[]);
    for path in ["Vox.wav", "Late.wav"] {
        let output = case.output(path);
        let bytes = case.bytes(&output);
        fs::remove_file(case.out(&output)).unwrap();
        case.touch(path, Touched::Deleted);
        assert_eq!(case.visit(&[]).code, 0);
        assert!(case.bytes(&output) == bytes);
    }
}

#[test]
fn a_file_of_a_persons_own_stays_and_a_new_stem_gets_another_name() {
    let mut case = Case::prepared(&["Kick.wav", "Bass.wav"]);
    case.own_file("audio/03_Late.wav", b"a bounce of somebody");
    case.own_file("audio/notes/cue list.txt", b"verse, chorus");
    case.put("Late.wav");
    assert_eq!(case.visit(&[]).code, 0);
    assert_ne!(case.output("Late.wav").to_lowercase(), "audio/03_late.wav");
    assert!(case.bytes("audio/03_Late.wav") == b"a bounce of somebody");
    // Case alone does not tell two files apart everywhere.
    case.own_file("audio/04_PERC.WAV", b"another");
    case.own_file("audio/05_PERC.WAV", b"another");
    case.put("Perc.wav");
    assert_eq!(case.visit(&[]).code, 0);
    let output = case.output("Perc.wav").to_lowercase();
    assert!(!["audio/04_perc.wav", "audio/05_perc.wav"].contains(&output.as_str()), "{output}");
}

/// The dry run of a visit is no visit.
#[test]
fn a_plan_of_a_visit_writes_nothing() {
    let mut case = Case::prepared(&["Kick.wav", "Bass.wav", "Vox.wav"]);
    case.edit("Vox.wav");
    case.put("Late.wav");
    case.put("Kick.wav");
    case.remove("Bass.wav");
    let order = case.order(false, &[]);
    if let Err(fault) = case.desk.plans(&order) {
        case.fails(&fault);
    }
}
