//! Files inside an output folder that may come back from strangers: opened without following a link on the way, so that nothing
//! outside of the folder is read for one of it. It knows no record; how a path is written is checked by its type.

use std::fs::{self, File};
use std::io::{self, Error, ErrorKind};
use std::path::Path;

use loadin_record::digest::Stored;
use loadin_record::path_below::PathBelow;

use crate::pieces::digest as digest_of;
use crate::plain_file;

/// Opens a plain file below `root` for reading.
///
/// # Errors
/// When it cannot be opened, is no plain file, or when it or a folder on the way to it is a link.
pub fn open(root: &Path, path: &PathBelow) -> io::Result<File> {
    let file = open_step_by_step(root, path)?;
    plain_file::check(&file.metadata()?)?;
    Ok(file)
}

/// Size and SHA-256 of a plain file below `root`.
///
/// # Errors
/// As [`open`], or when it cannot be read.
pub fn digest(root: &Path, path: &PathBelow) -> io::Result<Stored> {
    digest_of(&mut open(root, path)?)
}

/// Refuses what is a link where a file or folder of our own would be; nothing at all is fine.
///
/// # Errors
/// When it is one, or when the system does not say.
pub fn refuse_link(path: &Path) -> io::Result<()> {
    match fs::symlink_metadata(path) {
        Ok(data) if data.is_symlink() => Err(is_link()),
        Err(error) if error.kind() != ErrorKind::NotFound => Err(error),
        _ => Ok(()),
    }
}

fn is_link() -> Error {
    Error::new(ErrorKind::InvalidInput, "it is a link, which may lead out of the folder")
}

/// Each name is opened in the folder that was opened before it: nobody can put a link in between.
#[cfg(unix)]
fn open_step_by_step(root: &Path, path: &PathBelow) -> io::Result<File> {
    use rustix::fs::{Mode, OFlags, openat};
    use rustix::io::Errno;

    let base = OFlags::RDONLY | OFlags::CLOEXEC | OFlags::NOFOLLOW;
    // What is no folder, or a link, is told in two ways by different systems.
    let told = |error: Errno, real: &Path| match error {
        Errno::LOOP | Errno::MLINK | Errno::NOTDIR if refuse_link(real).is_err() => is_link(),
        error => error.into(),
    };
    let mut folder = File::open(root)?;
    let mut real = root.to_owned();
    let mut names = path.split('/').peekable();
    while let Some(name) = names.next() {
        real.push(name);
        let more = if names.peek().is_some() { OFlags::DIRECTORY } else { OFlags::NONBLOCK };
        folder =
            openat(&folder, name, base | more, Mode::empty()).map_err(|error| told(error, &real))?.into();
    }
    Ok(folder)
}

#[cfg(not(unix))]
fn open_step_by_step(root: &Path, path: &PathBelow) -> io::Result<File> {
    let mut real = root.to_owned();
    for name in path.split('/') {
        real.push(name);
        refuse_link(&real)?;
    }
    plain_file::open(&real)
}

#[cfg(all(test, unix))]
mod tests {
    use std::io::Read;
    use std::os::unix::fs::symlink;

    use super::*;

    #[test]
    fn no_link_is_followed_on_the_way() {
        let folder = tempfile::tempdir().unwrap();
        let (root, outside) = (folder.path().join("out"), folder.path().join("outside"));
        fs::create_dir_all(root.join("audio/Drums")).unwrap();
        fs::create_dir_all(&outside).unwrap();
        fs::write(outside.join("Kick.wav"), "theirs").unwrap();
        fs::write(root.join("audio/Drums/Kick.wav"), "ours").unwrap();
        symlink(&outside, root.join("audio/Linked")).unwrap();
        symlink(outside.join("Kick.wav"), root.join("audio/Linked.wav")).unwrap();
        symlink("Drums/Kick.wav", root.join("audio/Inside.wav")).unwrap();
        let below = |path: &str| PathBelow::new(path).unwrap();
        let mut text = String::new();
        open(&root, &below("audio/Drums/Kick.wav")).unwrap().read_to_string(&mut text).unwrap();
        assert_eq!(text, "ours");
        assert_eq!(digest(&root, &below("audio/Drums/Kick.wav")).unwrap().bytes, 4);
        for path in ["audio/Linked/Kick.wav", "audio/Linked.wav", "audio/Inside.wav"] {
            let error = open(&root, &below(path)).unwrap_err();
            assert!(error.to_string().contains("it is a link"), "{path}: {error}");
        }
        assert_eq!(open(&root, &below("audio/Bass.wav")).unwrap_err().kind(), ErrorKind::NotFound);
        assert!(open(&root, &below("audio/Drums")).unwrap_err().to_string().contains("no plain file"));
        refuse_link(&root.join("audio")).unwrap();
        refuse_link(&root.join("nothing")).unwrap();
        refuse_link(&root.join("audio/Linked")).unwrap_err();
    }
}
