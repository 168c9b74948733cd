//! Lists a delivery: which files claim to be audio, how their headers read, and what takes no part.
//!
//! Nothing is decoded here, nothing is written, links to folders are not followed, and links that lead out of the delivery
//! only where the caller allows it. A ZIP archive is listed as a folder.
//! Paths are in their written form (`loadin_storage::written_path`) from here on.

use std::fs::{self, FileType};
use std::io;
use std::path::{Path, PathBuf};

use loadin_codec::Metadata;
use loadin_record::survey::{FileFacts, FormatFacts, Ignored, Inventory, MarkerFacts, Unusable};
use loadin_session::{OtherFile, system_file};

use super::archive;
use super::file::SourceLocation;
use super::link::{self, UnreadLink};
use crate::work::watchdog::{Patience, WatchdogError, watched};
use loadin_storage::written_path::written;

/// Extensions that say "audio": such a file is never ignored, only prepared or refused by name.
const AUDIO_EXTENSIONS: &[&str] = &[
    "wav", "wave", "bwf", "rf64", "bw64", "w64", "aif", "aiff", "aifc", "caf", "flac", "mp3", "m4a", "m4b",
    "mp4", "aac", "ogg", "oga", "opus", "wma", "au", "snd", "sd2", "wv", "ape", "dsf", "dff", "ac3", "ec3",
    "eac3", "dts", "thd", "mlp", "mka", "mpc", "mp2", "mpa", "tta", "tak", "shn", "ofr", "ra", "amr", "8svx",
    "voc", "vox", "aa3", "oma", "qoa", "spx", "weba",
];

/// Extensions of what may hold audio and is not unpacked: a ZIP archive only where it lies in another one.
const ARCHIVE_EXTENSIONS: &[&str] = &[
    "zip", "7z", "rar", "tar", "gz", "tgz", "bz2", "tbz", "xz", "txz", "zst", "lz4", "sit", "sitx", "cab",
    "dmg", "iso",
];

/// Why a delivery cannot be listed.
#[derive(Debug, thiserror::Error)]
#[error("cannot read the delivery \"{}\": {}", path.display(), why(cause))]
pub struct ScanError {
    /// The folder.
    pub path: PathBuf,
    /// What the file system said.
    pub cause: io::Error,
}

/// What is there instead of a delivery, and what to do.
fn why(error: &io::Error) -> String {
    match error.kind() {
        io::ErrorKind::NotADirectory => {
            "it is a file; give the folder that holds the stems, or a ZIP archive of it".to_owned()
        }
        io::ErrorKind::NotFound => "there is no such folder; give the folder that holds the stems".to_owned(),
        _ => error.to_string(),
    }
}

/// Lists the delivery in the folder or ZIP archive `root`; a file that hangs while its header is read is listed as such.
/// `reads_outside` says of a path whether a link that leads out of `root` is read there.
///
/// # Errors
/// When the folder or archive itself cannot be listed.
pub fn scan(
    root: &Path,
    patience: Patience,
    reads_outside: &dyn Fn(&str) -> bool,
) -> Result<Inventory, ScanError> {
    let mut inventory = Inventory { name: name_of(root), files: Vec::new(), ignored: Vec::new(), song: None };
    let listed = if archive::is_archive(root) {
        walk_archive(root, "", patience, &mut inventory)
    } else {
        fs::canonicalize(root)
            .and_then(|real| Walk { root: real, patience, reads_outside }.folder(root, "", &mut inventory))
    };
    listed.map_err(|cause| ScanError { path: root.to_owned(), cause })?;
    inventory.files.sort_by(|a, b| a.path.cmp(&b.path));
    inventory.ignored.sort_by(|a, b| a.path.cmp(&b.path));
    Ok(inventory)
}

/// The delivery's name: that of its folder or archive, also when it is given as `.` or with a final slash. It is written
/// as paths are, so that two deliveries never share a name that their bytes do not.
pub fn name_of(root: &Path) -> String {
    let resolved = fs::canonicalize(root).unwrap_or_else(|_| root.to_owned());
    let name = if archive::is_archive(&resolved) { resolved.file_stem() } else { resolved.file_name() };
    name.map_or_else(|| "delivery".to_owned(), written)
}

/// A walk through the folders of a delivery.
struct Walk<'a> {
    /// The delivery, without links on the way to it.
    root: PathBuf,
    patience: Patience,
    reads_outside: &'a dyn Fn(&str) -> bool,
}

impl Walk<'_> {
    fn folder(&self, folder: &Path, prefix: &str, inventory: &mut Inventory) -> io::Result<()> {
        for entry in fs::read_dir(folder)? {
            let entry = entry?;
            let path = format!("{prefix}{}", written(&entry.file_name()));
            self.entry(&entry.path(), entry.file_type()?, path, inventory);
        }
        Ok(())
    }

    fn entry(&self, real: &Path, kind: FileType, path: String, inventory: &mut Inventory) {
        if kind.is_symlink()
            && let Err(link) = link::follow(&self.root, real, (self.reads_outside)(&path))
        {
            unread(link, path, inventory);
        } else if let Some(why) = beside_audio(&path)
            && (path_is_litter(&path) || !archive::is_archive(real))
            && (kind.is_dir() || !holds_audio(SourceLocation::File(real.to_owned()), self.patience))
        {
            inventory.ignored.push(Ignored { path, why: why.to_owned() });
        } else if kind.is_dir() {
            if let Err(error) = self.folder(real, &format!("{path}/"), inventory) {
                // What lies in it may be audio.
                let why =
                    format!("the folder cannot be read: {error}; give the right to read it, or leave it out");
                inventory.files.push(FileFacts { path, bytes: 0, format: Err(Unusable(why)), unread: false });
            }
        } else if archive::is_archive(real) {
            if let Err(error) = walk_archive(real, &format!("{path}/"), self.patience, inventory) {
                let why = format!("the archive cannot be read: {error}; ask for it again");
                let format = Err(Unusable(why));
                let bytes = fs::symlink_metadata(real).map_or(0, |metadata| metadata.len());
                inventory.files.push(FileFacts { path, bytes, format, unread: false });
            }
        } else {
            file(SourceLocation::File(real.to_owned()), path, self.patience, inventory);
        }
    }
}

/// Lists a link that is not followed: what may be audio is refused by name.
fn unread(link: UnreadLink, path: String, inventory: &mut Inventory) {
    let why = link.to_string();
    if matches!(link, UnreadLink::FolderInside) || beside_audio(&path).is_some() {
        inventory.ignored.push(Ignored { path, why });
    } else {
        inventory.files.push(FileFacts { path, bytes: 0, format: Err(Unusable(why)), unread: true });
    }
}

/// Lists the entries of an archive as if they were files of a folder.
fn walk_archive(real: &Path, prefix: &str, patience: Patience, inventory: &mut Inventory) -> io::Result<()> {
    for listed in archive::list(real)? {
        let path = format!("{prefix}{}", listed.name);
        match listed.entry {
            Err(why) if is_audio_by_name(&path) && !path_is_litter(&path) => {
                let format = Err(Unusable(why.to_string()));
                inventory.files.push(FileFacts { path, bytes: 0, format, unread: false });
            }
            Err(why) => inventory.ignored.push(Ignored { path, why: why.to_string() }),
            Ok(entry) => {
                let place = SourceLocation::Entry(real.to_owned(), entry);
                match beside_audio(&path) {
                    Some(why) if !holds_audio(place.clone(), patience) => {
                        inventory.ignored.push(Ignored { path, why: why.to_owned() });
                    }
                    _ => file(place, path, patience, inventory),
                }
            }
        }
    }
    Ok(())
}

/// What a file is that has no audio by its name; its contents may still say otherwise.
fn beside_audio(path: &str) -> Option<&'static str> {
    let other = system_file(path).filter(|_| !is_audio_by_name(path) || path_is_litter(path));
    other.map(OtherFile::as_str)
}

/// Litter by its very name, such as `._take.wav`, may carry an audio extension.
fn path_is_litter(path: &str) -> bool {
    path.split('/').any(|part| part.starts_with("._") || part == "__MACOSX")
}

fn is_audio_by_name(path: &str) -> bool {
    has_extension(path, AUDIO_EXTENSIONS) || has_extension(path, ARCHIVE_EXTENSIONS)
}

fn has_extension(path: &str, known: &[&str]) -> bool {
    let extension = Path::new(path).extension().and_then(|extension| extension.to_str());
    extension.is_some_and(|extension| known.contains(&extension.to_ascii_lowercase().as_str()))
}

fn holds_audio(place: SourceLocation, patience: Patience) -> bool {
    header(place, patience).is_ok()
}

fn file(real: SourceLocation, path: String, patience: Patience, inventory: &mut Inventory) {
    let bytes_of = real.clone();
    match (header(real, patience), is_audio_by_name(&path)) {
        (Ok((bytes, format)), _) => {
            inventory.files.push(FileFacts { path, bytes, format: Ok(format), unread: false });
        }
        (Err(HeaderError::NotAudio(why)), false) => {
            inventory.ignored.push(Ignored { path, why: format!("not audio: {why}") });
        }
        (Err(error), _) => {
            let bytes = bytes_of.bytes().unwrap_or(0);
            let format = Err(error.into_unusable(has_extension(&path, ARCHIVE_EXTENSIONS)));
            inventory.files.push(FileFacts { path, bytes, format, unread: false });
        }
    }
}

enum HeaderError {
    NotAudio(String),
    Other(String),
}

impl HeaderError {
    fn into_unusable(self, is_archive: bool) -> Unusable {
        Unusable(match self {
            Self::NotAudio(found) if is_archive => {
                format!(
                    "it may hold audio and is not unpacked here ({found}, an archive by its name); unpack it"
                )
            }
            Self::NotAudio(found) => format!("it is not audio but {found}; ask for the file again"),
            Self::Other(text) => text,
        })
    }
}

/// Reads a header, and does not wait for it for ever.
fn header(place: SourceLocation, patience: Patience) -> Result<(u64, FormatFacts), HeaderError> {
    watched(patience, 0.0, move |_| read_header(&place)).unwrap_or_else(|error| {
        Err(HeaderError::Other(match error {
            WatchdogError::GaveUp => "the decoder gave up on its header".to_owned(),
            other => other.to_string(),
        }))
    })
}

fn read_header(place: &SourceLocation) -> Result<(u64, FormatFacts), HeaderError> {
    let other = |error: io::Error| HeaderError::Other(format!("it cannot be opened: {error}"));
    if let SourceLocation::File(path) = place
        && !fs::metadata(path).map_err(other)?.is_file()
    {
        return Err(HeaderError::NotAudio("neither a file nor a folder".to_owned()));
    }
    let bytes = place.bytes().map_err(other)?;
    let file = place.open().map_err(other)?;
    match loadin_codec::open(file, false) {
        Ok(decoder) => {
            let facts = format_facts(&decoder);
            if loadin_audio::RATES_HZ.contains(&facts.rate_hz) {
                Ok((bytes, facts))
            } else {
                let (least, most) = (loadin_audio::RATES_HZ.start(), loadin_audio::RATES_HZ.end());
                Err(HeaderError::Other(format!(
                    "its header says {} Hz, allowed is {least} to {most} Hz; ask how it was recorded",
                    facts.rate_hz
                )))
            }
        }
        Err(loadin_codec::Error::NotAudio { found }) => Err(HeaderError::NotAudio(found)),
        Err(error) => Err(HeaderError::Other(error.to_string())),
    }
}

/// Markers that are kept of one file; more are slices of a loop, and no help.
const MOST_MARKERS: usize = 500;

/// Longest name of a marker that is kept, in characters.
const MOST_CHARS: usize = 80;

fn markers(metadata: &Metadata) -> Vec<MarkerFacts> {
    let kept = metadata.markers().into_iter().take(MOST_MARKERS);
    kept.map(|m| MarkerFacts { frame: m.frame, name: m.name.chars().take(MOST_CHARS).collect() }).collect()
}

fn format_facts(decoder: &loadin_codec::Decoder) -> FormatFacts {
    let format = decoder.format();
    FormatFacts {
        container: format.container.as_str().to_owned(),
        codec: format.codec.as_str().to_owned(),
        rate_hz: format.rate_hz,
        channels: format.channels,
        bits: format.bits,
        float: format.float,
        lossy: format.is_lossy(),
        channel_mask: format.channel_mask,
        frames: format.frames,
        timestamp_frames: decoder.metadata().bext.as_ref().map(|bext| bext.time_reference),
        markers: markers(decoder.metadata()),
        repairs: decoder.repairs().iter().map(ToString::to_string).collect(),
    }
}

#[cfg(test)]
mod tests {
    use loadin_codec::Codec;
    use loadin_record::codec::{ALAC, FLAC, MP3, PCM, PCM_FLOAT, is_lossless, is_pcm};

    /// The record asks by name what the reader says by type.
    #[test]
    fn the_names_of_codecs_are_those_of_the_record() {
        for (codec, name) in [
            (Codec::PcmInt, PCM),
            (Codec::PcmFloat, PCM_FLOAT),
            (Codec::Flac, FLAC),
            (Codec::Alac, ALAC),
            (Codec::Mp3, MP3),
        ] {
            assert_eq!(codec.as_str(), name);
        }
        let others =
            [Codec::ALaw, Codec::MuLaw, Codec::Adpcm, Codec::Mp3, Codec::Aac, Codec::Vorbis, Codec::Other];
        for codec in [Codec::PcmInt, Codec::PcmFloat, Codec::Flac, Codec::Alac].into_iter().chain(others) {
            assert_eq!(is_lossless(codec.as_str()), !codec.is_lossy(), "{codec}");
            assert_eq!(is_pcm(codec.as_str()), matches!(codec, Codec::PcmInt | Codec::PcmFloat), "{codec}");
        }
    }
}
