//! What a container has room for, and in which words it holds it. It writes nothing: the writers follow the same rules
//! on their own.

use super::aiff::MOST_NAME_BYTES;
use super::flac::MOST_CHUNK_BYTES;
use super::list::pieces;
use super::sorted::{Sorted, is_list};
use super::time_change::{Carried, Fate};
use crate::{Chunk, Target};

/// Says of every chunk what becomes of it in a file of the target: the writers follow the same rules. A WAV file holds
/// everything as it is.
pub fn fit_container(target: Target, carried: &mut [Carried]) {
    for one in carried {
        let Some(chunk) = &one.chunk else { continue };
        let fate = match target {
            Target::Wav => continue,
            Target::Flac => in_flac(chunk),
            Target::Aiff => in_aiff(chunk),
            Target::Caf => in_caf(chunk),
        };
        match fate {
            Some(Fate::Dropped(why)) => {
                one.chunk = None;
                one.fate = Fate::Dropped(why);
            }
            Some(Fate::Moved(how)) => {
                let before = match &one.fate {
                    Fate::Moved(what) => format!("{what}; "),
                    _ => String::new(),
                };
                one.fate = Fate::Moved(before + &how);
            }
            _ => {}
        }
    }
}

fn moved(how: &str) -> Fate {
    Fate::Moved(how.to_owned())
}

fn in_flac(chunk: &Chunk) -> Option<Fate> {
    let too_long = chunk.bytes.len() > MOST_CHUNK_BYTES;
    too_long.then(|| Fate::Dropped("a metadata block of FLAC has room for 16 MiB".to_owned()))
}

/// Whether a list of marker texts has anything but names.
fn has_more_than_names(chunk: &Chunk) -> bool {
    pieces(&chunk.bytes[4..]).iter().any(|(id, _)| id != b"labl")
}

fn in_aiff(chunk: &Chunk) -> Option<Fate> {
    let alone = std::slice::from_ref(chunk);
    let is_long = |label: &&[u8]| label.len() > 4 + 1 + MOST_NAME_BYTES;
    if &chunk.id == b"cue " {
        let count = Sorted::of(alone).markers.len();
        let most = usize::from(u16::MAX / 2);
        let lost = if count > most { format!("; the first {most} of {count}") } else { String::new() };
        return Some(moved(&format!("as the markers of AIFF (MARK){lost}")));
    }
    if is_list(chunk, *b"adtl") {
        let cut = pieces(&chunk.bytes[4..]).iter().map(|(_, label)| *label).any(|label| is_long(&label));
        let lost = if has_more_than_names(chunk) { "; lengths and notes have no place there" } else { "" };
        let cut = if cut { "; names end after 255 bytes" } else { "" };
        return Some(moved(&format!("names as those of the markers of AIFF (MARK){lost}{cut}")));
    }
    is_list(chunk, *b"INFO").then(|| moved("as the texts of AIFF (NAME, AUTH, (c) and ANNO)"))
}

fn in_caf(chunk: &Chunk) -> Option<Fate> {
    if &chunk.id == b"cue " {
        return Some(moved("as the markers of CAF (mark)"));
    }
    if is_list(chunk, *b"adtl") {
        let lost = if has_more_than_names(chunk) { "; lengths and notes have no place there" } else { "" };
        return Some(moved(&format!("names as those of the markers of CAF (strg), in UTF-8{lost}")));
    }
    is_list(chunk, *b"INFO").then(|| moved("as the information of CAF (info), in UTF-8"))
}
