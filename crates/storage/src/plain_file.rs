//! Opening what may be no file at all: a pipe waits for ever, a device never ends, and opening one may do something. Only plain
//! files are opened. It knows no folder.

use std::fs::{self, File, FileType, Metadata, OpenOptions};
use std::io::{self, Read};
use std::path::Path;

/// Opens the plain file at `path`, or the one that a link there leads to, for reading.
///
/// # Errors
/// When it cannot be opened, or is no plain file.
pub fn open(path: &Path) -> io::Result<File> {
    check(&fs::metadata(path)?)?;
    let mut options = OpenOptions::new();
    options.read(true);
    // Something else may take its place between the two calls.
    do_not_wait(&mut options);
    let file = options.open(path)?;
    check(&file.metadata()?)?;
    Ok(file)
}

/// The whole text of the plain file at `path`, of at most `most_bytes`.
///
/// # Errors
/// When it cannot be opened, is no plain file or no text, or is longer.
pub fn read_text(path: &Path, most_bytes: u64) -> io::Result<String> {
    text_of(open(path)?, most_bytes)
}

/// The whole text of a source that is known to be read safely, of at most `most_bytes`.
///
/// # Errors
/// When it cannot be read, is no text, or is longer.
pub fn text_of(source: impl Read, most_bytes: u64) -> io::Result<String> {
    let mut text = String::new();
    source.take(most_bytes + 1).read_to_string(&mut text)?;
    if text.len() as u64 > most_bytes {
        let why = format!("it is longer than {most_bytes} bytes");
        return Err(io::Error::new(io::ErrorKind::FileTooLarge, why));
    }
    Ok(text)
}

pub(crate) fn check(data: &Metadata) -> io::Result<()> {
    if data.is_file() {
        return Ok(());
    }
    let why = format!("it is no plain file but {}", kind(data.file_type()));
    Err(io::Error::new(io::ErrorKind::InvalidInput, why))
}

#[cfg(unix)]
fn kind(kind: FileType) -> &'static str {
    use std::os::unix::fs::FileTypeExt;

    if kind.is_dir() {
        "a folder"
    } else if kind.is_fifo() {
        "a pipe"
    } else if kind.is_socket() {
        "a socket"
    } else {
        "a device"
    }
}

#[cfg(not(unix))]
fn kind(kind: FileType) -> &'static str {
    if kind.is_dir() { "a folder" } else { "something else" }
}

#[cfg(unix)]
fn do_not_wait(options: &mut OpenOptions) {
    use std::os::unix::fs::OpenOptionsExt;

    options.custom_flags(rustix::fs::OFlags::NONBLOCK.bits() as i32);
}

#[cfg(not(unix))]
fn do_not_wait(_options: &mut OpenOptions) {}

#[cfg(all(test, unix))]
mod tests {
    use super::*;

    #[test]
    fn only_plain_files_are_opened_and_nobody_waits_for_a_pipe() {
        let folder = tempfile::tempdir().unwrap();
        let at = |name: &str| folder.path().join(name);
        fs::write(at("text"), "four").unwrap();
        std::os::unix::fs::symlink(at("text"), at("link")).unwrap();
        std::os::unix::fs::symlink("/dev/zero", at("endless")).unwrap();
        rustix::fs::mkfifoat(rustix::fs::CWD, at("pipe"), rustix::fs::Mode::RUSR).unwrap();
        fs::create_dir(at("folder")).unwrap();
        for name in ["text", "link"] {
            assert_eq!(read_text(&at(name), 4).unwrap(), "four");
        }
        assert!(read_text(&at("text"), 3).unwrap_err().to_string().contains("longer than 3 bytes"));
        for (name, what) in [("endless", "a device"), ("pipe", "a pipe"), ("folder", "a folder")] {
            assert!(open(&at(name)).unwrap_err().to_string().contains(what), "{name}");
        }
    }
}
