//! Names of files that clients send: words of the trade, several of which come to one label, and bytes that are no text.

use std::collections::BTreeSet;
use std::path::{Path, PathBuf};

use loadin_tests::Random;

const FOLDERS: &[&str] = &["", "", "", "Alt/", "Reel 2/"];
const WORDS: &[&str] = &["Kick", "Bass", "Gtr", "Gtr", "Vox", "Vox", "Pad", "Perc", "Cl\u{e9}", "Cle\u{301}"];
const TAILS: &[&str] = &["", " 2", "-2", "_2", " DI", " ld"];

/// A path that is not in `used`, not even in another case.
pub(super) fn fresh(draw: &mut Random, used: &BTreeSet<PathBuf>, folders: bool) -> PathBuf {
    let lower = |path: &Path| path.to_string_lossy().to_lowercase();
    let taken: BTreeSet<String> = used.iter().map(|path| lower(path)).collect();
    for number in 3.. {
        let word = |draw: &mut Random, words: &[&'static str]| *draw.pick(words).unwrap_or(&"");
        let folder = if folders { word(draw, FOLDERS) } else { "" };
        let tail = if number < 30 { word(draw, TAILS).to_owned() } else { format!(" {number}") };
        let path = PathBuf::from(format!("{folder}{}{tail}.wav", word(draw, WORDS)));
        if !taken.contains(&lower(&path)) {
            return path;
        }
    }
    unreachable!("numbers do not end")
}

/// A path with a line break in it, or with a byte that is no UTF-8: several differ in that byte alone.
#[cfg(unix)]
pub(super) fn odd(draw: &mut Random, used: &BTreeSet<PathBuf>) -> PathBuf {
    use std::ffi::OsString;
    use std::os::unix::ffi::OsStringExt;
    for number in 0u8.. {
        let byte = 0xF5 + number % 10;
        let name = match draw.below(3) {
            0 => format!("Vox\n{number}.wav").into_bytes(),
            _ => [b"Gtr ".as_slice(), &[byte], b".wav"].concat(),
        };
        let path = PathBuf::from(OsString::from_vec(name));
        if !used.contains(&path) {
            return path;
        }
    }
    unreachable!("a history has few files")
}

/// Elsewhere all names are text.
#[cfg(not(unix))]
pub(super) fn odd(draw: &mut Random, used: &BTreeSet<PathBuf>) -> PathBuf {
    fresh(draw, used, true)
}
