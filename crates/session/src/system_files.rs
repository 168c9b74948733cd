//! System files, notes, documents and whatever else comes with stems and is none, by name alone. Opens nothing.

/// What a file is that comes with stems and is none.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum OtherFile {
    /// What file systems and desktops leave behind.
    Litter,
    /// A text note.
    TextNote,
    /// A document of an office program.
    Document,
    /// An image.
    Image,
    /// A MIDI file.
    Midi,
    /// The waveform that an editing program keeps for its own screen.
    PeakFile,
    /// An archive.
    Archive,
}

impl OtherFile {
    /// The words in papers: what it is, and what to do where something is to be done.
    pub fn as_str(self) -> &'static str {
        match self {
            Self::Litter => "file-system litter",
            Self::TextNote => "a text note",
            Self::Document => "a document",
            Self::Image => "an image",
            Self::Midi => "a MIDI file",
            Self::PeakFile => "a peak file of an editing program",
            Self::Archive => "an archive; unpack it first",
        }
    }
}

/// Extensions, in lower case, and what their files are.
const BY_EXTENSION: &[(&[&str], OtherFile)] = &[
    (&["txt", "md", "rtf", "nfo"], OtherFile::TextNote),
    (&["pdf", "doc", "docx", "odt", "xls", "xlsx", "csv"], OtherFile::Document),
    (&["jpg", "jpeg", "png", "gif", "tif", "tiff", "heic"], OtherFile::Image),
    (&["mid", "midi"], OtherFile::Midi),
    (&["pk", "peak", "peaks", "pkf", "ovw"], OtherFile::PeakFile),
    (&["zip", "rar", "7z", "gz", "tar"], OtherFile::Archive),
];

/// Names of litter.
const LITTER: &[&str] =
    &[".DS_Store", "Thumbs.db", "desktop.ini", ".localized", ".Spotlight-V100", ".Trashes", ".fseventsd"];

/// What the file or folder at `path` is, where its name alone says that it is no stem. `None` for everything else.
pub fn system_file(path: &str) -> Option<OtherFile> {
    let name = path.rsplit('/').next().unwrap_or(path);
    let is_litter = path.split('/').any(|part| part == "__MACOSX") || name.starts_with("._");
    if is_litter || LITTER.contains(&name) {
        return Some(OtherFile::Litter);
    }
    let extension = name.rsplit_once('.')?.1.to_ascii_lowercase();
    BY_EXTENSION.iter().find(|(known, _)| known.contains(&extension.as_str())).map(|(_, what)| *what)
}

/// Whether the file at `path` is read for what it states: a text note or a MIDI file. Rich text is not, since it is full of
/// numbers that state nothing.
pub fn is_read(path: &str) -> bool {
    let is_rich = path.rsplit_once('.').is_some_and(|(_, extension)| extension.eq_ignore_ascii_case("rtf"));
    matches!(system_file(path), Some(OtherFile::TextNote | OtherFile::Midi)) && !is_rich
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn litter_and_notes_are_named() {
        assert_eq!(system_file("._Kick.wav"), Some(OtherFile::Litter));
        assert_eq!(system_file("__MACOSX/song/._Kick.wav"), Some(OtherFile::Litter));
        assert_eq!(system_file("song/.DS_Store"), Some(OtherFile::Litter));
        assert_eq!(system_file("notes.TXT"), Some(OtherFile::TextNote));
        assert_eq!(system_file("Kick.wav"), None);
        assert_eq!(system_file("README"), None);
    }
}
