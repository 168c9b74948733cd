//! The oracle can fail: what a visit left is changed in one place after another, and each is found.

use std::path::Path;

use serde_json::Value;

use super::cases::Case;
use super::folder::Ended;
use super::oracle::{Fault, Foreseen, Oracle, Visit};
use crate::job::{Files, run, tree};

/// A visit of the program that went through, and what the oracle knew before it.
struct Made {
    oracle: Oracle,
    visit: Visit,
    foreseen: Foreseen,
    after: Files,
}

/// Three stems are prepared; one comes late and a person has put a file of their own beside the outputs.
fn made() -> Made {
    let mut case = Case::prepared(&["Kick.wav", "Bass.wav", "Vox.wav"]);
    case.own_file("audio/notes.txt", b"verse, chorus");
    case.put("Tamb.wav");
    let order = case.order(false, &[]);
    let foreseen = case.desk.oracle.foresee(&order.visit);
    let ran = run(&mut case.desk.command(&order));
    assert_eq!(ran.code, 0, "{}{}", ran.out, ran.err);
    let after = tree(&case.desk.world.out());
    Made { oracle: case.desk.oracle, visit: order.visit, foreseen, after }
}

impl Made {
    fn judged(&self, code: i32, through: bool, after: &Files) -> Result<(), Fault> {
        let ended = Ended { code, through, said: String::new() };
        self.oracle.clone().judge(&self.visit, &self.foreseen, &ended, after)
    }

    /// A fault in the files is found, and its words have these in them.
    fn finds(&self, words: &str, plant: impl FnOnce(&mut Files)) {
        let mut after = self.after.clone();
        plant(&mut after);
        assert!(after != self.after, "{words}: nothing was planted");
        let found = self.judged(0, true, &after);
        assert!(found.as_ref().is_err_and(|fault| fault.0.contains(words)), "{words}: {found:?}");
    }

    /// The same of a fault in the manifest.
    fn finds_in_manifest(&self, words: &str, plant: impl FnOnce(&mut Value)) {
        self.finds(words, |files| {
            let bytes = files.get_mut("manifest.json").unwrap();
            let mut manifest = serde_json::from_slice(bytes).unwrap();
            plant(&mut manifest);
            *bytes = manifest.to_string().into_bytes();
        });
    }
}

fn of<'a>(manifest: &'a mut Value, path: &str) -> &'a mut Value {
    let stems = manifest["stems"].as_array_mut().unwrap();
    stems.iter_mut().find(|stem| stem["source"]["path"] == path).unwrap()
}

#[test]
fn a_fault_in_the_record_is_found() {
    let made = made();
    assert_eq!(made.judged(0, true, &made.after), Ok(()));
    made.finds_in_manifest("was audio/", |manifest| {
        let kick = of(manifest, "Kick.wav")["output"]["path"].take();
        let bass = of(manifest, "Bass.wav")["output"]["path"].take();
        of(manifest, "Kick.wav")["output"]["path"] = bass;
        of(manifest, "Bass.wav")["output"]["path"] = kick;
    });
    made.finds_in_manifest("gets the label", |manifest| {
        of(manifest, "Tamb.wav")["output"]["path"] = "audio/03_VOX.wav".into();
    });
    made.finds_in_manifest("the number of", |manifest| {
        of(manifest, "Tamb.wav")["output"]["path"] = "audio/03_Tamb.wav".into();
    });
    made.finds_in_manifest("somebody's own file", |manifest| {
        of(manifest, "Tamb.wav")["output"]["path"] = "audio/notes.txt".into();
    });
    made.finds_in_manifest("the others have", |manifest| {
        let changes = of(manifest, "Tamb.wav")["changes"].as_array_mut().unwrap();
        changes.iter_mut().find(|change| change["stage"] == "gain-stage").unwrap()["to"] = 1.0.into();
    });
    made.finds_in_manifest("the others have", |manifest| {
        of(manifest, "Tamb.wav")["output"]["frames"] = 1.into();
    });
    made.finds_in_manifest("the others have", |manifest| {
        of(manifest, "Tamb.wav")["time_map"]["shift_frames"] = (-1).into();
    });
    made.finds_in_manifest("the link is", |manifest| manifest["link"]["length_frames"] = 1.into());
    made.finds_in_manifest("other bytes than it had", |manifest| {
        of(manifest, "Vox.wav")["output"]["sha256"] = "0".into();
    });
    made.finds_in_manifest("(Kept) is not in the manifest", |manifest| {
        manifest["stems"].as_array_mut().unwrap().retain(|stem| stem["source"]["path"] != "Vox.wav");
    });
    made.finds_in_manifest("is not in the manifest", |manifest| {
        manifest["stems"].as_array_mut().unwrap().retain(|stem| stem["source"]["path"] != "Tamb.wav");
    });
    made.finds_in_manifest("the manifest lists", |manifest| {
        let mut other = of(manifest, "Kick.wav").clone();
        other["source"]["path"] = "Other.wav".into();
        manifest["stems"].as_array_mut().unwrap().push(other);
    });
    made.finds_in_manifest("written with loss", |manifest| {
        let mut other = of(manifest, "Kick.wav").clone();
        (other["source"]["path"], other["output"]) = ("Other \u{fffd}.wav".into(), Value::Null);
        manifest["stems"].as_array_mut().unwrap().push(other);
    });
    made.finds_in_manifest("was added", |manifest| manifest["late"]["files"] = Vec::<Value>::new().into());
    made.finds_in_manifest("another recipe", |manifest| manifest["recipe"]["sha256"] = "0".into());
}

#[test]
fn a_fault_on_the_disk_is_found() {
    let made = made();
    made.finds("is not what the manifest says", |files| files.get_mut("audio/03_Vox.wav").unwrap()[99] ^= 1);
    made.finds("is not there", |files| drop(files.remove("audio/03_Vox.wav")));
    made.finds("wanted are", |files| drop(files.insert("audio/05_Orphan.wav".to_owned(), Vec::new())));
    made.finds("was a person's", |files| files.get_mut("audio/notes.txt").unwrap()[0] ^= 1);
    made.finds("was a person's", |files| drop(files.remove("audio/notes.txt")));
    made.finds("recipe.toml is not", |files| files.get_mut("recipe.toml").unwrap()[0] ^= 1);
    made.finds("is wrong about", |files| files.get_mut("checksums.sha256").unwrap()[3] = b'x');
    made.finds("checksums.sha256 lacks", |files| {
        let list = String::from_utf8(files["checksums.sha256"].clone()).unwrap();
        let rows = list.lines().filter(|row| !row.contains("Tamb"));
        files.insert("checksums.sha256".to_owned(), rows.collect::<Vec<_>>().join("\n").into_bytes());
    });
    let mut owing = Made { oracle: made.oracle.clone(), ..made };
    owing.oracle.owed.insert("0".to_owned());
    assert!(owing.judged(0, true, &owing.after).is_err_and(|fault| fault.0.contains("set-aside lacks")));
}

#[test]
fn a_wrong_end_of_a_visit_is_found() {
    let made = made();
    assert!(made.judged(1, true, &made.after).is_err(), "a wrong exit code");
    assert!(made.judged(3, false, &made.after).is_err(), "it was refused, and should not be");
    let mut refusing = Made { oracle: made.oracle.clone(), ..made };
    refusing.oracle.damaged = true;
    refusing.foreseen = refusing.oracle.foresee(&refusing.visit);
    assert!(refusing.judged(0, true, &refusing.after).is_err(), "it went through, and should not");
    let before = refusing.visit.before.clone();
    assert_eq!(refusing.judged(3, false, &before), Ok(()));
    assert!(refusing.judged(3, false, &refusing.after).is_err(), "it was refused, and wrote");
    let mut interrupted = refusing.oracle.clone();
    assert!(interrupted.judge_interrupted(&refusing.visit, &refusing.after).is_err());
}

/// A visit with nothing to do writes nothing but what is about the run.
#[test]
fn a_repeated_visit_that_writes_is_found() {
    let mut case = Case::prepared(&["Kick.wav", "Bass.wav", "Vox.wav"]);
    assert_eq!(case.visit(&[]).code, 0);
    let order = case.order(false, &[]);
    let foreseen = case.desk.oracle.foresee(&order.visit);
    let made =
        Made { oracle: case.desk.oracle, after: order.visit.before.clone(), visit: order.visit, foreseen };
    assert_eq!(made.judged(0, true, &made.after), Ok(()));
    made.finds("nothing to do", |files| drop(files.insert("new.txt".to_owned(), Vec::new())));
}

/// What the oracle expects of a stem follows from what was done.
#[test]
fn a_stem_is_its_path_or_else_its_content() {
    let mut case = Case::prepared(&["Kick.wav", "Bass.wav"]);
    let place = |case: &Case, path: &str| {
        let assigned = case.desk.oracle.assign(&case.desk.world.delivered);
        let stem = assigned.paths.iter().find(|(_, at)| *at == Path::new(path));
        stem.map(|(index, _)| case.desk.oracle.stems[*index].output.clone())
    };
    case.rename("Kick.wav", "Drums/Kick in.wav");
    assert_eq!(place(&case, "Drums/Kick in.wav").as_deref(), Some("audio/01_Kick.wav"));
    // A new file at the old path is that stem; what was moved is new then.
    case.put("Kick.wav");
    assert_eq!(place(&case, "Kick.wav").as_deref(), Some("audio/01_Kick.wav"));
    assert_eq!(place(&case, "Drums/Kick in.wav"), None);
}
