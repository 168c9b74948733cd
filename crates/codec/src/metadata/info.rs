//! Titles and comments of other containers as `LIST`/`INFO` (Multimedia Programming Interface and Data Specifications
//! 1.0, 1991): the few names that both sides have; all others become comments with their name. Knows no container.

use super::list::list;
use crate::Chunk;

/// Names of Vorbis comments (Vorbis I specification, section 5.2.2) and what `INFO` calls them.
const NAMES: &[(&str, [u8; 4])] = &[
    ("TITLE", *b"INAM"),
    ("ARTIST", *b"IART"),
    ("ALBUM", *b"IPRD"),
    ("GENRE", *b"IGNR"),
    ("DATE", *b"ICRD"),
    ("COPYRIGHT", *b"ICOP"),
    ("COMMENT", *b"ICMT"),
    ("DESCRIPTION", *b"ISBJ"),
    ("ENCODER", *b"ISFT"),
];

/// The name of a Vorbis comment for what `INFO` calls `id`.
pub(super) fn named(id: [u8; 4]) -> Option<&'static str> {
    NAMES.iter().find(|(_, known)| *known == id).map(|(name, _)| *name)
}

/// One `INFO` list of all texts; none where there are none. A name that stands twice is a comment the second time.
pub(super) fn info(texts: &[(String, Vec<u8>)]) -> Option<Chunk> {
    let mut pieces: Vec<([u8; 4], Vec<u8>)> = Vec::new();
    let mut comments: Vec<u8> = Vec::new();
    for (name, value) in texts {
        let known = NAMES.iter().find(|(known, _)| known.eq_ignore_ascii_case(name)).map(|(_, id)| *id);
        if let Some(id) = known.filter(|id| id != b"ICMT" && !pieces.iter().any(|(taken, _)| taken == id)) {
            pieces.push((id, terminated(value)));
            continue;
        }
        let prefix = if known == Some(*b"ICMT") { String::new() } else { format!("{name}=") };
        if !comments.is_empty() {
            comments.extend(b"; ");
        }
        comments.extend(prefix.as_bytes());
        comments.extend(value);
    }
    if !comments.is_empty() {
        pieces.push((*b"ICMT", terminated(&comments)));
    }
    (!pieces.is_empty()).then(|| list(*b"INFO", pieces.iter().map(|(id, value)| (*id, &value[..]))))
}

fn terminated(value: &[u8]) -> Vec<u8> {
    let mut bytes = value.to_vec();
    bytes.push(0);
    bytes
}
