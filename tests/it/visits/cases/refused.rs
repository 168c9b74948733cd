//! Visits that are refused: nothing is written, and the ways on are named.

use super::super::oracle::Touched;
use super::super::world::Damage;
use super::{Case, assert_says};

#[test]
fn another_delivery_is_refused_whatever_its_names() {
    let mut case = Case::prepared(&["Kick.wav", "Bass.wav", "Vox.wav"]);
    let (folder, delivered) = case.desk.world.stranger(5);
    for batch in [false, true] {
        let mut order = case.order(batch, &[]);
        (order.delivery, order.visit.delivered) = (folder.clone(), delivered.clone());
        if batch {
            order.neighbours.push(case.desk.neighbour());
        }
        let refused = case.ordered(&order);
        assert_eq!(refused.code, if batch { 1 } else { 2 });
        assert_says(&refused.said, &["--relink", "--out"]);
    }
    // The folder is what it was for its own delivery.
    assert_eq!(case.visit(&[]).code, 0);
}

fn refused_with(damage: Damage, words: &[&str]) {
    let mut case = Case::prepared(&["Kick.wav", "Bass.wav", "Vox.wav"]);
    case.desk.world.damage_by(&mut case.desk.oracle, damage).unwrap();
    let edited = case.edit("Vox.wav");
    case.put("Late.wav");
    let refused = case.visit(&[]);
    assert_eq!(refused.code, 3);
    assert_says(&refused.said, &["manifest.json", "--out"]);
    assert_says(&refused.said, words);
    let in_a_batch = case.visit_in_a_batch();
    assert_eq!(in_a_batch.code, 1);
    case.visit(&[]);
    assert!(case.bytes("audio/03_Vox.wav") == edited);
    // Whoever puts the manifest back has lost nothing.
    assert!(case.desk.world.mend(&mut case.desk.oracle));
    assert_eq!(case.visit(&[]).code, 0);
    assert_eq!(case.output("Late.wav"), "audio/04_Late.wav");
}

#[test]
fn a_missing_manifest_is_refused() {
    refused_with(Damage::Delete, &[]);
}

#[test]
fn a_cut_manifest_is_refused() {
    refused_with(Damage::Cut, &[]);
}

#[test]
fn a_changed_manifest_is_refused() {
    refused_with(Damage::Change, &[]);
}

#[test]
fn a_manifest_of_a_newer_form_is_refused() {
    refused_with(Damage::NewerForm, &["99"]);
}

#[test]
fn an_edited_output_is_not_replaced_by_a_new_source() {
    let mut case = Case::prepared(&["Kick.wav", "Bass.wav", "Vox.wav"]);
    let edited = case.edit("Vox.wav");
    case.put("Vox.wav");
    for batch in [false, true] {
        let order = case.order(batch, &[]);
        let refused = case.ordered(&order);
        assert_eq!(refused.code, if batch { 1 } else { 3 });
        assert_says(&refused.said, &["03_Vox.wav"]);
    }
    assert!(case.bytes("audio/03_Vox.wav") == edited);
    // Whoever moves it away gets the new one.
    std::fs::remove_file(case.out("audio/03_Vox.wav")).unwrap();
    case.touch("Vox.wav", Touched::Deleted);
    assert_eq!(case.visit(&[]).code, 0);
}

#[test]
fn an_edited_output_is_not_made_anew() {
    let mut case = Case::prepared(&["Kick.wav", "Bass.wav"]);
    let edited = case.edit("Bass.wav");
    let refused = case.visit(&["--renew", "Bass.wav"]);
    assert_eq!(refused.code, 3);
    assert_says(&refused.said, &["02_Bass.wav"]);
    // The same label would come out of a new link.
    assert_eq!(case.visit(&["--relink"]).code, 3);
    assert!(case.bytes("audio/02_Bass.wav") == edited);
}
