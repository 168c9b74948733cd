//! Labels against the rules of file systems and of Unicode.

use std::collections::BTreeSet;

use loadin_session::{Charset, KICK_AND_BASS_FIRST, Label, LabelInput, LabelOptions, labels};

fn made(paths: &[&str], charset: Charset, number: bool) -> Vec<Label> {
    let options =
        LabelOptions { max_chars: 31, charset, separator: '_', number, order: KICK_AND_BASS_FIRST.to_vec() };
    let stems: Vec<LabelInput> = paths.iter().map(|path| LabelInput::new(path)).collect();
    labels(&stems, &[], &options).into_iter().flatten().collect()
}

fn texts(paths: &[&str], charset: Charset) -> Vec<String> {
    made(paths, charset, false).into_iter().map(|label| label.text).collect()
}

/// Device names of "Naming Files, Paths, and Namespaces" (Microsoft Learn, Windows file system documentation): reserved
/// with any extension, the superscript digits included. List from memory.
#[test]
fn no_label_is_the_name_of_a_device() {
    let numbered = ["COM", "LPT"]
        .iter()
        .flat_map(|port| "123456789\u{b9}\u{b2}\u{b3}".chars().map(move |digit| format!("{port}{digit}")));
    let devices: Vec<String> =
        ["CON", "PRN", "AUX", "NUL"].map(str::to_owned).into_iter().chain(numbered).collect();
    for charset in [Charset::Ascii, Charset::Unicode] {
        for device in &devices {
            for path in [
                format!("{device}.wav"),
                format!("{}.wav", device.to_lowercase()),
                format!("{device}.tar.wav"),
            ] {
                let text = &texts(&[&path], charset)[0];
                let bare = text.split('.').next().unwrap().to_uppercase();
                assert!(!devices.contains(&bare), "{path} became {text}");
            }
        }
    }
}

/// The same page: < > : " / \\ | ? * and the codes 0 to 31 are forbidden, and so are a final dot and space.
#[test]
fn no_label_holds_a_forbidden_character() {
    let forbidden: String = (0u8..32).map(char::from).chain("<>:\"/\\|?*".chars()).collect();
    // A slash parts folders and so cannot come from a file name.
    for bad in forbidden.chars().filter(|bad| *bad != '/') {
        for path in [
            format!("Vox{bad}1.wav"),
            format!("{bad}Vox.wav"),
            format!("Vox{bad}.wav"),
            format!("Vox {bad} . .wav"),
        ] {
            for charset in [Charset::Ascii, Charset::Unicode] {
                let text = &texts(&[&path], charset)[0];
                assert!(
                    !text.contains(|c| forbidden.contains(c)) && !text.ends_with(['.', ' ']),
                    "{path:?}: {text:?}"
                );
                assert!(text.starts_with("Vox") || text == "1", "{path:?}: {text:?}");
            }
        }
    }
}

/// Equivalent sequences of UAX #15 (Unicode Normalization Forms), figures 3 and 4: the Ångström sign and Å, ô̩ in two
/// orders of its marks, the ligature ﬁ.
#[test]
fn names_that_unicode_calls_equal_are_told_apart() {
    let pairs = [
        ("\u{212b}.wav", "A\u{30a}.wav"),
        ("\u{c5}.wav", "\u{212b}.wav"),
        ("o\u{302}\u{329}.wav", "o\u{329}\u{302}.wav"),
        ("\u{fb01}.wav", "fi.wav"),
        ("\u{e9}.wav", "E\u{301}.wav"),
    ];
    for (one, other) in pairs {
        for charset in [Charset::Ascii, Charset::Unicode] {
            let found = made(&[one, other], charset, false);
            assert_eq!(found.iter().filter(|label| label.collided).count(), 1, "{one} {other}: {found:?}");
            assert_ne!(found[0].text.to_lowercase(), found[1].text.to_lowercase());
        }
    }
}

/// Full case folding of the Unicode Standard (CaseFolding.txt): ß folds to ss, ς and Σ to σ, the long s to s. File
/// systems that ignore case by full folding have one file for each of these pairs.
#[test]
fn names_that_differ_in_case_alone_are_told_apart() {
    for (one, other) in
        [("Straße", "STRASSE"), ("Λόγος", "ΛΌΓΟΣ"), ("\u{17f}ax", "SAX"), ("Vox", "VOX"), ("ÉTÉ", "été")]
    {
        let found = made(&[one, other], Charset::Unicode, false);
        assert_eq!(found.iter().filter(|label| label.collided).count(), 1, "{one} {other}: {found:?}");
    }
}

/// 255 bytes in UTF-8 (POSIX `NAME_MAX` on the usual systems) and 255 UTF-16 units (NTFS), extension included.
#[test]
fn names_fit_every_file_system() {
    let long = "長い名前のとても大きなギター".repeat(30);
    let emoji_and_marks = "a\u{301}\u{302}\u{303}".repeat(200);
    for path in [format!("{long}.wav"), format!("{emoji_and_marks}.wav"), format!("{}.wav", "W".repeat(300))]
    {
        for charset in [Charset::Ascii, Charset::Unicode] {
            for label in made(&[&path], charset, true) {
                let name = format!("{}.wav", label.text);
                assert!(
                    name.len() <= 255
                        && name.encode_utf16().count() <= 255
                        && label.text.chars().count() <= 31,
                    "{name}"
                );
                assert!(label.text.len() > 3, "{name}");
            }
        }
    }
}

/// Many files of one name from many folders: common practice, no source.
#[test]
fn a_thousand_equal_names_become_a_thousand_labels() {
    let paths: Vec<String> = (0..1200).map(|folder| format!("take {folder}/Vox.wav")).collect();
    let paths: Vec<&str> = paths.iter().map(String::as_str).collect();
    let found: BTreeSet<String> = texts(&paths, Charset::Ascii).into_iter().collect();
    assert_eq!(found.len(), 1200);
    assert!(found.iter().all(|text| text.chars().count() <= 31));
}
