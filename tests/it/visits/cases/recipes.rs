//! Another recipe, a new link, and stems that are made anew.

use std::path::Path;

use loadin_tests::Random;

use super::super::given::Given;
use super::super::oracle::Ask;
use super::{Case, assert_says};
use crate::job;

#[test]
fn another_recipe_by_hand_changes_nothing_and_says_what_it_would() {
    for change in ["target", "separator", "coarse"] {
        let mut case = Case::prepared(&["Kick in.wav", "Bass DI.wav", "Vox ld.wav"]);
        let own = case.recipe.clone();
        match change {
            "target" => case.recipe.target = -9,
            "separator" => case.recipe.separator = '-',
            _ => case.recipe.coarse = Some("Bass DI.wav".to_owned()),
        }
        let refused = case.visit(&[]);
        assert_eq!(refused.code, 2, "{change}");
        assert_says(&refused.said, &["Bass DI.wav", "--relink", "--renew", "--out"]);
        assert_eq!(refused.said.contains("Kick in.wav"), change != "coarse", "{change}: {}", refused.said);
        // With a file that came late, too.
        case.put("Perc.wav");
        assert_eq!(case.visit(&[]).code, 2);
        case.recipe = own;
        assert_eq!(case.visit(&[]).code, 0);
    }
}

/// A source that is gone may come back, and its output must then be what the recipe makes of it.
#[test]
fn another_recipe_by_hand_is_refused_for_a_stem_whose_source_is_gone_or_cannot_be_used() {
    for torn in [false, true] {
        let mut case = Case::prepared(&["Kick in.wav", "Bass DI.wav"]);
        let (own, bass) = (case.recipe.clone(), case.desk.world.delivered[Path::new("Bass DI.wav")].clone());
        if torn {
            case.put_given("Bass DI.wav", Given::unreadable(&mut Random::new(3)));
        } else {
            case.remove("Bass DI.wav");
        }
        case.recipe.coarse = Some("Bass DI.wav".to_owned());
        let refused = case.visit(&[]);
        assert_eq!(refused.code, 2, "torn: {torn}");
        assert_says(&refused.said, &["Bass DI.wav", "--relink", "--out"]);
        case.recipe = own;
        assert_eq!(case.visit(&[]).code, i32::from(torn));
        case.put_given("Bass DI.wav", bass);
        assert_eq!(case.visit(&[]).code, 0);
    }
}

#[test]
fn a_batch_goes_on_by_the_recipe_of_the_folder() {
    let mut case = Case::prepared(&["Kick in.wav", "Bass DI.wav"]);
    case.recipe.target = -9;
    case.recipe.separator = '-';
    case.put("Vox ld.wav");
    let visited = case.visit_in_a_batch();
    assert_eq!(visited.code, 0);
    assert!(visited.said.contains("recipe"), "{}", visited.said);
    assert_eq!(case.output("Vox ld.wav"), "audio/03_Vox_ld.wav");
}

/// The survey of what was prepared is not lost to a file that came later and was never prepared.
#[test]
fn what_a_recipe_would_change_is_known_after_several_files_under_one_name() {
    let mut case = Case::prepared(&["Kick.wav", "Bass.wav", "Vox.wav"]);
    let prepared = case.recipe.target;
    case.put("Bass.wav");
    case.recipe.target = -9;
    assert_eq!(case.visit(&[]).code, 2);
    case.put_given("Bass.wav", Given::unreadable(&mut Random::new(5)));
    case.recipe.target = prepared;
    case.recipe.leave_out = vec!["Vox.wav".to_owned()];
    let visited = case.visit(&[]);
    assert_eq!(visited.code, 1, "{}", visited.said);
}

#[test]
fn a_recipe_that_changes_no_output_goes_on() {
    let mut case = Case::prepared(&["Kick.wav", "Bass.wav"]);
    case.recipe.revision = 2;
    assert_eq!(case.visit(&[]).code, 0);
    assert_eq!(case.manifest()["recipe"]["revision"], 2);
}

#[test]
fn a_stem_that_is_left_out_is_set_aside_and_has_its_label_again_when_it_is_let_in() {
    let mut case = Case::prepared(&["Kick.wav", "Bass.wav", "Vox.wav"]);
    let output = case.output("Bass.wav");
    let bytes = case.bytes(&output);
    case.recipe.leave_out = vec!["Bass.wav".to_owned()];
    case.visit(&[]);
    assert_eq!(case.set_aside(), ["02_Bass.wav"]);
    // Another stem does not get what is its own.
    case.put("Alt/Bass.wav");
    case.visit(&[]);
    case.recipe.leave_out.clear();
    assert_eq!(case.visit(&[]).code, 0);
    assert_eq!(case.output("Bass.wav"), output);
    assert!(case.bytes(&output) == bytes);
}

#[test]
fn a_table_for_chosen_stems_leaves_them_out_too() {
    let case = Case::prepared(&["Kick.wav", "Bass.wav", "Vox.wav"]);
    let text = case.recipe.text();
    let base = "leave-out = []\n";
    assert!(text.contains(base));
    let chosen = format!("{base}[[stage.for]]\nstems = \"Vox.wav\"\nleave-out = [\"*\"]\n");
    let path = case.desk.world.beside("chosen.toml");
    std::fs::write(&path, text.replace(base, &chosen)).unwrap();
    let (delivery, out) = (case.desk.world.delivery(), case.desk.world.out());
    let before = case.desk.files();
    let (ran, manifest) = job::prep(&delivery, &out, &["--recipe", path.to_str().unwrap()]);
    assert_eq!(ran.code, 1, "{}{}", ran.out, ran.err);
    assert_eq!(job::stem(&manifest, "Vox.wav")["state"], "set-aside");
    let after = case.desk.files();
    assert!(after.get("set-aside/03_Vox.wav") == before.get("audio/03_Vox.wav"));
    for path in ["audio/01_Kick.wav", "audio/02_Bass.wav"] {
        assert!(after.get(path) == before.get(path), "{path}");
    }
    assert_eq!(job::loadin(&["verify", out.to_str().unwrap()]).code, 0);
}

/// By its path or by its label.
#[test]
fn one_stem_alone_is_made_anew() {
    for name in ["Bass.wav", "02_Bass"] {
        let mut case = Case::prepared(&["Kick.wav", "Bass.wav", "Vox.wav"]);
        let old = case.bytes("audio/02_Bass.wav");
        case.recipe.coarse = Some("Bass.wav".to_owned());
        let mut order = case.order(false, &["--renew", "Bass.wav"]);
        order.more = vec!["--renew".to_owned(), name.to_owned()];
        assert_eq!(case.ordered(&order).code, 0);
        assert_eq!(case.set_aside(), ["02_Bass.wav"]);
        assert!(case.bytes("set-aside/02_Bass.wav") == old);
        assert_eq!(job::stem(&case.manifest(), "Bass.wav")["output"]["bits"], 16);
    }
}

#[test]
fn nothing_is_made_anew_where_the_recipe_would_change_others_too() {
    let mut case = Case::prepared(&["Kick.wav", "Bass.wav", "Vox.wav"]);
    case.recipe.target = -9;
    let refused = case.visit(&["--renew", "Bass.wav"]);
    assert_eq!(refused.code, 2);
    assert_says(&refused.said, &["Kick.wav", "Vox.wav"]);
}

#[test]
fn a_stem_that_is_not_there_cannot_be_made_anew() {
    let case = Case::prepared(&["Kick.wav", "Bass.wav"]);
    let before = case.desk.files();
    let mut order = case.order(false, &["--renew", "Bass.wav"]);
    order.more = vec!["--renew".to_owned(), "Bess.wav".to_owned()];
    let ran = job::run(&mut case.desk.command(&order));
    assert_eq!(ran.code, 2, "{}{}", ran.out, ran.err);
    assert_says(&ran.err, &["Bess.wav"]);
    assert!(!ran.err.contains("unexpected argument"), "{}", ran.err);
    let after = case.desk.files();
    assert!(
        before.iter().all(|(path, bytes)| path.starts_with(".loadin/") || after.get(path) == Some(bytes))
    );
}

/// A new link is as if everything had come together; what nobody could make again is set aside.
#[test]
fn a_new_link_is_a_preparation_as_in_an_empty_folder() {
    let mut case = Case::prepared(&["Kick.wav", "Bass.wav", "Vox.wav"]);
    let (bass, vox) = (case.bytes("audio/02_Bass.wav"), case.bytes("audio/03_Vox.wav"));
    case.put("Bass.wav");
    case.put("Acoustic.wav");
    case.remove("Vox.wav");
    case.recipe.target = -9;
    assert_eq!(case.visit(&["--relink"]).code, 0);
    let fresh = case.desk.world.beside("fresh");
    let recipe = case.desk.world.beside("recipe.toml");
    let arguments = ["--recipe", recipe.to_str().unwrap()];
    let (_, manifest) = job::prep(&case.desk.world.delivery(), &fresh, &arguments);
    let found = case.manifest();
    for field in ["link", "stems", "late", "recipe"] {
        assert_eq!(found[field], manifest[field], "{field}");
    }
    let aside: Vec<Vec<u8>> =
        case.set_aside().iter().map(|name| case.bytes(&format!("set-aside/{name}"))).collect();
    assert!(aside.contains(&bass) && aside.contains(&vox), "{:?}", case.set_aside());
}

/// Who wants another delivery in the folder has to say so, and loses nothing of the first.
#[test]
fn a_new_link_takes_another_delivery_and_sets_the_first_aside() {
    let mut case = Case::prepared(&["Kick.wav", "Bass.wav"]);
    let first = [case.bytes("audio/01_Kick.wav"), case.bytes("audio/02_Bass.wav")];
    let (folder, delivered) = case.desk.world.stranger(9);
    let mut order = case.order(false, &["--relink"]);
    (order.delivery, order.visit.delivered) = (folder, delivered);
    assert_eq!(order.visit.ask, Ask::Relink);
    assert_eq!(case.ordered(&order).code, 0);
    let aside: Vec<Vec<u8>> =
        case.set_aside().iter().map(|name| case.bytes(&format!("set-aside/{name}"))).collect();
    assert!(first.iter().all(|bytes| aside.contains(bytes)), "{:?}", case.set_aside());
}
