//! Names: case, forms of one letter, bytes that are no text, and names that a system keeps for itself.

use super::Case;
#[cfg(unix)]
use crate::job;

#[test]
fn a_name_in_another_case_is_the_same_stem() {
    let mut case = Case::prepared(&["Kick.wav", "Bass.wav", "Vox lead.wav"]);
    let before = case.desk.files();
    case.rename("Vox lead.wav", "VOX LEAD.WAV");
    case.rename("Kick.wav", "kick.wav");
    assert_eq!(case.visit(&[]).code, 0);
    let after = case.desk.files();
    for (path, bytes) in before.iter().filter(|(path, _)| path.starts_with("audio/")) {
        assert!(after.get(path) == Some(bytes), "{path}");
    }
    case.put("Vox lead 2.wav");
    assert_eq!(case.visit(&[]).code, 0);
}

#[test]
fn a_stem_that_moves_into_a_folder_is_the_same_stem() {
    let mut case = Case::prepared(&["Kick.wav", "Bass.wav", "Vox.wav"]);
    case.rename("Vox.wav", "Vocals/Lead vocal take 3.wav");
    // What has its old name now is another one, even in the same round.
    case.put("Vocals/Vox.wav");
    assert_eq!(case.visit(&[]).code, 0);
    assert_eq!(case.output("Vocals/Lead vocal take 3.wav"), "audio/03_Vox.wav");
}

/// One letter in its two forms (Unicode Standard Annex #15): two files, where the disk tells them apart.
#[cfg(target_os = "linux")]
#[test]
fn two_forms_of_one_name_are_two_stems() {
    let mut case = Case::prepared(&["Kick.wav", "Cl\u{e9}.wav", "Cle\u{301}.wav"]);
    case.put("Cle.wav");
    assert_eq!(case.visit(&[]).code, 0);
    let (one, other) = (case.output("Cl\u{e9}.wav"), case.output("Cle\u{301}.wav"));
    assert_ne!(one.to_lowercase(), other.to_lowercase());
}

#[cfg(unix)]
#[test]
fn names_that_differ_only_in_bytes_that_are_no_text_are_two_stems() {
    use std::ffi::OsStr;
    use std::os::unix::ffi::OsStrExt;
    let mut case = Case::new(&["Kick.wav"]);
    for name in [b"Gtr \xfe.wav", b"Gtr \xff.wav", b"Vox\n1.wav", b"Vox\r1.wav"] {
        case.put(OsStr::from_bytes(name));
    }
    assert_eq!(case.visit(&[]).code, 0);
    let manifest = case.manifest();
    assert_eq!(manifest["stems"].as_array().unwrap().len(), 5);
    let outputs = case.desk.files().into_keys().filter(|path| path.starts_with("audio/"));
    assert_eq!(outputs.count(), 5);
    // A later visit knows them again.
    case.put("Bass.wav");
    case.put(OsStr::from_bytes(b"Gtr \xfe.wav"));
    assert_eq!(case.visit(&[]).code, 0);
    let said = job::loadin(&["verify", case.desk.world.out().to_str().unwrap()]);
    assert_eq!(said.code, 0, "{}", said.out);
}

/// "Naming Files, Paths, and Namespaces" (Win32 documentation; from memory): no file of Windows may have these names,
/// whatever its extension.
#[test]
fn no_label_is_a_name_that_windows_keeps_for_itself() {
    let mut case = Case::new(&["aux.wav", "Con.wav", "nul.wav", "prn.wav", "Com1.wav"]);
    case.recipe.number = false;
    assert_eq!(case.visit(&[]).code, 0);
    case.put("Lpt1.wav");
    assert_eq!(case.visit(&[]).code, 0);
    for path in case.desk.files().keys().filter_map(|path| path.strip_prefix("audio/")) {
        let label = path.split('.').next().unwrap().to_lowercase();
        let kept = ["aux", "con", "nul", "prn", "com1", "lpt1"];
        assert!(!kept.contains(&label.as_str()), "{path}");
    }
}
