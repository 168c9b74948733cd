//! Reads what lies beside the audio: text notes and MIDI files, for the facts that they state.
//!
//! Only so many files and bytes are read; what is stated becomes facts, and the texts themselves are quoted in the record.

use std::io::{self, Read};
use std::path::Path;

use encoding_rs::{UTF_16BE, UTF_16LE};
use loadin_codec::decoded;
use loadin_record::finding::{Finding, Id};
use loadin_record::survey::Inventory;
use loadin_session::facts::{Midi, read_midi};
use loadin_session::{OtherFile, is_read, remarks, system_file};

use crate::source::file::{SourceLocation, locate};
use crate::work::watchdog::{Patience, WatchdogError, watched};

/// Notes are short; a longer text is something else.
const MOST_TEXT_BYTES: u64 = 256 * 1024;

/// A tempo map with every note of a long song fits many times.
const MOST_MIDI_BYTES: u64 = 4 * 1024 * 1024;

/// Files of each kind that are read.
const MOST_FILES: usize = 50;

/// What was read: the path and the contents of each file, in the order of the paths.
#[derive(Debug, Default)]
pub(crate) struct Notes {
    pub(crate) texts: Vec<(String, String)>,
    pub(crate) midis: Vec<(String, Midi)>,
    /// What could not be read, and what texts say of missing, late or replaced files.
    pub(crate) findings: Vec<Finding>,
}

/// Why a note was not read.
#[derive(Debug, thiserror::Error)]
enum NoteError {
    /// It is a pipe, a link or the like.
    #[error("it is no plain file")]
    NotPlain,
    /// It is longer than notes are.
    #[error("it has {found_bytes} bytes, at most {most_bytes} are read")]
    TooLong {
        /// Its size.
        found_bytes: u64,
        /// The largest that is read.
        most_bytes: u64,
    },
    /// The file system does not give it.
    #[error(transparent)]
    Disk(#[from] io::Error),
    /// It was not waited for any longer.
    #[error(transparent)]
    Watchdog(#[from] WatchdogError),
    /// It is no MIDI file.
    #[error(transparent)]
    Midi(#[from] loadin_session::Error),
}

/// Reads the notes of a delivery.
pub(crate) fn read(delivery: &Path, inventory: &Inventory, patience: Patience) -> Notes {
    let mut notes = Notes::default();
    for path in inventory.ignored.iter().map(|ignored| ignored.path.as_str()) {
        let result = match system_file(path) {
            Some(OtherFile::TextNote) if notes.texts.len() < MOST_FILES && is_read(path) => {
                bytes(delivery, path, MOST_TEXT_BYTES, patience)
                    .map(|bytes| notes.texts.push((path.to_owned(), text(&bytes))))
            }
            Some(OtherFile::Midi) if notes.midis.len() < MOST_FILES => {
                bytes(delivery, path, MOST_MIDI_BYTES, patience)
                    .and_then(|bytes| Ok(read_midi(&bytes)?))
                    .map(|midi| notes.midis.push((path.to_owned(), midi)))
            }
            _ => Ok(()),
        };
        if let Err(why) = result {
            let text = format!("\"{path}\" was not read for tempo, key and markers: {why}");
            notes.findings.push(Finding::new(Id::NoteUnread, text).with("path", path));
        }
    }
    let said: Vec<Finding> = notes.texts.iter().flat_map(|(path, text)| said(path, text)).collect();
    notes.findings.extend(said);
    notes
}

/// What a note says of files, as text: it is quoted, and nothing follows from it.
fn said(path: &str, text: &str) -> Vec<Finding> {
    let quoted = remarks(text).into_iter().map(|remark| {
        let text = format!("\"{path}\" says: \u{201c}{remark}\u{201d}");
        Finding::new(Id::NoteSays, text).with("path", path).with("remark", remark)
    });
    quoted.collect()
}

fn bytes(delivery: &Path, path: &str, most_bytes: u64, patience: Patience) -> Result<Vec<u8>, NoteError> {
    let place = locate(delivery, path)?;
    let read = move || {
        // A pipe would be waited for; a link may lead anywhere.
        if let SourceLocation::File(real) = &place
            && !std::fs::symlink_metadata(real)?.is_file()
        {
            return Err(NoteError::NotPlain);
        }
        let found_bytes = place.bytes()?;
        let mut bytes = Vec::new();
        place.open()?.take(most_bytes + 1).read_to_end(&mut bytes)?;
        if bytes.len() as u64 > most_bytes {
            return Err(NoteError::TooLong { found_bytes, most_bytes });
        }
        Ok(bytes)
    };
    watched(patience, 0.0, move |_| read())?
}

/// Any encoding to Unicode: UTF-16 without a mark is known by its zeros, every other byte of Latin text.
fn text(bytes: &[u8]) -> String {
    let zeros = |odd: usize| bytes.iter().skip(odd).step_by(2).filter(|&&byte| byte == 0).count();
    let half = bytes.len() / 4 + 1;
    if zeros(1) >= half {
        UTF_16LE.decode(bytes).0.into_owned()
    } else if zeros(0) >= half {
        UTF_16BE.decode(bytes).0.into_owned()
    } else {
        decoded(bytes)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The same words in every encoding that notes come in; byte values of "é" and "♯" from the Unicode charts and
    /// from code page 1252 (from memory).
    #[test]
    fn notes_are_read_in_any_encoding() {
        let words = "Tempo: 92 – prélude";
        let units: Vec<u16> = words.encode_utf16().collect();
        let little: Vec<u8> = units.iter().flat_map(|unit| unit.to_le_bytes()).collect();
        let big: Vec<u8> = units.iter().flat_map(|unit| unit.to_be_bytes()).collect();
        let marked = |mark: &[u8], rest: &[u8]| [mark, rest].concat();
        for bytes in [
            words.as_bytes().to_vec(),
            marked(b"\xEF\xBB\xBF", words.as_bytes()),
            little.clone(),
            big.clone(),
            marked(b"\xFF\xFE", &little),
            marked(b"\xFE\xFF", &big),
            b"Tempo: 92 \x96 pr\xE9lude".to_vec(),
        ] {
            assert_eq!(text(&bytes), words, "{bytes:x?}");
        }
        assert_eq!(text(b""), "");
    }
}
