//! System files, notes, documents and whatever else comes with stems and is none, by name alone. Opens nothing.

/// Extensions, and why their files take no part.
const BY_EXTENSION: &[(&[&str], &str)] = &[
    (&["txt", "md", "rtf", "nfo"], "a text note"),
    (&["pdf", "doc", "docx", "odt", "xls", "xlsx", "csv"], "a document"),
    (&["jpg", "jpeg", "png", "gif", "tif", "tiff", "heic"], "an image"),
    (&["mid", "midi"], "a MIDI file"),
    (&["pk", "peak", "peaks", "pkf", "ovw"], "a peak file of an editing program"),
    (&["zip", "rar", "7z", "gz", "tar"], "an archive; unpack it first"),
];

/// Why the file or folder at `path` is known to be no stem, by its name alone. `None` for everything else.
pub fn system_file(path: &str) -> Option<&'static str> {
    let name = path.rsplit('/').next().unwrap_or(path);
    if path.split('/').any(|part| part == "__MACOSX") || name.starts_with("._") {
        return Some("file-system litter");
    }
    if matches!(
        name,
        ".DS_Store"
            | "Thumbs.db"
            | "desktop.ini"
            | ".localized"
            | ".Spotlight-V100"
            | ".Trashes"
            | ".fseventsd"
    ) {
        return Some("file-system litter");
    }
    let extension = name.rsplit_once('.')?.1.to_ascii_lowercase();
    BY_EXTENSION.iter().find(|(known, _)| known.contains(&extension.as_str())).map(|(_, why)| *why)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn litter_and_notes_are_named() {
        assert_eq!(system_file("._Kick.wav"), Some("file-system litter"));
        assert_eq!(system_file("__MACOSX/song/._Kick.wav"), Some("file-system litter"));
        assert_eq!(system_file("notes.TXT"), Some("a text note"));
        assert_eq!(system_file("Kick.wav"), None);
        assert_eq!(system_file("README"), None);
    }
}
