//! The entries of a ZIP archive, and which of them are not touched.
//!
//! Source: PKWARE APPNOTE 6.3 (names in code page 437 or UTF-8, stored and deflated entries). The central directory is
//! read by the `zip` crate; what it says of sizes holds, since nothing more is ever unpacked.

use std::collections::{BTreeMap, BTreeSet};
use std::io::{self, BufReader, Read};
use std::path::Path;

use zip::{CompressionMethod, ZipArchive};

use loadin_storage::plain_file;
use loadin_storage::written_path::written_bytes;

/// More entries than this are no delivery.
const MOST_ENTRIES: usize = 20_000;

/// Sound does not become so much smaller, save for silence; with [`BOMB_BYTES`] it is taken for a bomb.
const BOMB_RATIO: u64 = 200;

/// What unpacks to less than this does no harm, whatever its ratio: nothing is unpacked to the disk or kept.
const BOMB_BYTES: u64 = 2 << 30;

/// Where the bytes of an entry are.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Entry {
    pub(super) start: u64,
    pub(super) packed_bytes: u64,
    /// Bytes that come out.
    pub(super) bytes: u64,
    pub(super) crc32: u32,
    pub(super) deflated: bool,
}

/// An entry by the written form of its name inside the archive, or why it is not touched.
pub(super) struct Listed {
    pub(super) name: String,
    pub(super) entry: Result<Entry, EntryRefused>,
}

/// Why an entry of an archive is not touched.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub(super) enum EntryRefused {
    /// Unpacked, it would lie somewhere else.
    #[error("its path leads out of the archive; ask for an archive without such paths")]
    LeadsOut,
    /// It has a password.
    #[error("it is encrypted in the archive; ask for it without a password")]
    Encrypted,
    /// It is packed in a way that is not read.
    #[error(
        "it is packed in a way that is not read here; read are stored and deflated files; ask for another archive"
    )]
    OtherMethod,
    /// What the archive says of it contradicts itself.
    #[error("the archive is damaged here: sizes do not agree; ask for it again")]
    Damaged,
    /// It would become far larger than sound does.
    #[error(
        "{packed_bytes} bytes would become {bytes}; that is a bomb, not sound (allowed is {BOMB_RATIO} times, or up to {BOMB_BYTES} bytes)"
    )]
    Bomb {
        /// Bytes in the archive.
        packed_bytes: u64,
        /// Bytes that would come out.
        bytes: u64,
    },
    /// Its bytes are those of another entry too.
    #[error("it shares bytes with another file of the archive; that is a bomb, not sound")]
    Overlaps,
}

/// Whether a file claims to be a ZIP archive, by extension and content: documents are such archives too.
pub(super) fn is_archive(path: &Path) -> bool {
    let by_name = path.extension().is_some_and(|extension| extension.eq_ignore_ascii_case("zip"));
    let mut head = [0; 4];
    let mut starts = || plain_file::open(path).and_then(|mut file| file.read_exact(&mut head)).is_ok();
    // An archive without entries begins with the record of its end.
    by_name && path.is_file() && starts() && matches!(&head, b"PK\x03\x04" | b"PK\x05\x06")
}

/// Lists an archive.
pub(super) fn list(path: &Path) -> io::Result<Vec<Listed>> {
    let bytes = std::fs::metadata(path)?.len();
    let mut archive = ZipArchive::new(BufReader::new(plain_file::open(path)?)).map_err(io::Error::other)?;
    if archive.len() > MOST_ENTRIES {
        let text = format!("it holds {} files, allowed are {MOST_ENTRIES}", archive.len());
        return Err(io::Error::new(io::ErrorKind::InvalidData, text));
    }
    // The library keeps the last of them only.
    if archive.has_duplicate_names() {
        return Err(two_of_one_name());
    }
    let (mut listed, mut raw_names) = (Vec::new(), Vec::new());
    for index in 0..archive.len() {
        let named = archive.name_for_index(index).and_then(Result::ok).map(std::borrow::Cow::into_owned);
        let Ok(file) = archive.by_index_raw(index) else {
            // One bad entry refuses only itself.
            let name = named.map_or_else(|| format!("entry {}", index + 1), |name| plain(&name));
            raw_names.push(format!("{} (entry {})", written_bytes(name.as_bytes()), index + 1));
            listed.push(Listed { name: written_bytes(name.as_bytes()), entry: Err(EntryRefused::Damaged) });
            continue;
        };
        let name = match std::str::from_utf8(file.name_raw()) {
            // Many archivers write UTF-8 without saying so.
            Ok(name) => name.to_owned(),
            Err(_) => file.name().map_or_else(
                |_| String::from_utf8_lossy(file.name_raw()).into_owned(),
                std::borrow::Cow::into_owned,
            ),
        };
        // Some archivers separate by backslashes.
        let name = plain(&name.replace('\\', "/"));
        if name.ends_with('/') || file.is_dir() {
            continue;
        }
        let entry = Entry {
            start: file.data_start().unwrap_or(u64::MAX),
            packed_bytes: file.compressed_size(),
            bytes: file.size(),
            crc32: file.crc32(),
            deflated: file.compression() == CompressionMethod::Deflated,
        };
        let refused = refusal(&name, &entry, bytes, file.encrypted(), file.compression());
        raw_names.push(written_bytes(file.name_raw()));
        listed.push(Listed { name: written_bytes(name.as_bytes()), entry: refused.map_or(Ok(entry), Err) });
    }
    tell_apart(&mut listed, raw_names)?;
    refuse_overlaps(&mut listed);
    Ok(listed)
}

/// A name without the parts that lead nowhere: `./a.wav` and `b//a.wav` are ordinary. One that leads out stays as it is.
fn plain(name: &str) -> String {
    let parts = name.split('/').skip(usize::from(name.starts_with('/')));
    let plain = parts.filter(|part| !matches!(*part, "" | ".")).collect::<Vec<_>>().join("/");
    let (root, end) =
        (if name.starts_with('/') { "/" } else { "" }, if name.ends_with('/') { "/" } else { "" });
    format!("{root}{plain}{end}")
}

/// Names of different bytes can read alike: in two code pages, or with either slash. Those that do not stand in the archive
/// as they read are told by their bytes then; a written name of bytes has what no readable one has, a backslash that
/// begins `\\` or `\x`.
fn tell_apart(listed: &mut [Listed], raw_names: Vec<String>) -> io::Result<()> {
    let mut times: BTreeMap<String, usize> = BTreeMap::new();
    for listed in listed.iter() {
        *times.entry(listed.name.clone()).or_default() += 1;
    }
    for (listed, raw) in listed.iter_mut().zip(raw_names) {
        if times[&listed.name] > 1 {
            listed.name = raw;
        }
    }
    // One name may stand there twice, once said to be UTF-8 and once not: the library takes them for two.
    let names: BTreeSet<&str> = listed.iter().map(|listed| listed.name.as_str()).collect();
    if names.len() == listed.len() { Ok(()) } else { Err(two_of_one_name()) }
}

fn two_of_one_name() -> io::Error {
    io::Error::new(io::ErrorKind::InvalidData, "it holds two files of one name")
}

fn refusal(
    name: &str,
    entry: &Entry,
    archive_bytes: u64,
    encrypted: bool,
    compression: CompressionMethod,
) -> Option<EntryRefused> {
    let leads_out = name.starts_with('/')
        || name.as_bytes().get(1) == Some(&b':')
        || name.split('/').any(|part| matches!(part, "" | "." | ".."));
    let behind_end = entry.start.checked_add(entry.packed_bytes).is_none_or(|end| end > archive_bytes);
    if leads_out {
        Some(EntryRefused::LeadsOut)
    } else if encrypted {
        Some(EntryRefused::Encrypted)
    } else if !matches!(compression, CompressionMethod::Stored | CompressionMethod::Deflated) {
        Some(EntryRefused::OtherMethod)
    } else if behind_end || !entry.deflated && entry.bytes != entry.packed_bytes {
        Some(EntryRefused::Damaged)
    } else if entry.bytes > BOMB_BYTES && entry.bytes / BOMB_RATIO > entry.packed_bytes {
        Some(EntryRefused::Bomb { packed_bytes: entry.packed_bytes, bytes: entry.bytes })
    } else {
        None
    }
}

/// Entries that share bytes are how a small archive pretends to hold much.
fn refuse_overlaps(listed: &mut [Listed]) {
    let mut places: Vec<(u64, u64, usize)> = listed
        .iter()
        .enumerate()
        .filter_map(|(index, listed)| {
            let entry = listed.entry.as_ref().ok()?;
            Some((entry.start, entry.start + entry.packed_bytes, index))
        })
        .collect();
    places.sort_unstable();
    let mut end = 0;
    for (start, its_end, index) in places {
        if start < end {
            listed[index].entry = Err(EntryRefused::Overlaps);
        }
        end = end.max(its_end);
    }
}
