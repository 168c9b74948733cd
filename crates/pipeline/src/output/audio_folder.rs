//! The folder of the prepared stems, and the folders of groups in it.

use std::fs;
use std::path::{Path, PathBuf};

use loadin_storage::disk::Disk;
use loadin_storage::store::{self, StoreError};

/// Its name inside the output folder.
pub(crate) const AUDIO: &str = "audio";

/// Every folder between the output folder and a file in it, from the outside in.
fn folders<'a>(out: &Path, file: &'a Path) -> Vec<&'a Path> {
    let inside = |folder: &&Path| folder.starts_with(out) && *folder != out;
    let mut folders: Vec<&Path> = file.ancestors().skip(1).filter(inside).collect();
    folders.reverse();
    folders
}

/// Makes the folders that the file at `path` needs, and their names durable.
pub(crate) fn make_way(disk: &dyn Disk, out: &Path, path: &Path) -> Result<(), StoreError> {
    for folder in folders(out, path) {
        let made = match store::make_folder(disk, folder) {
            Ok(true) => disk.sync_folder(folder.parent().unwrap_or(out)),
            made => made.map(drop),
        };
        made.map_err(|source| StoreError::Disk { path: folder.to_owned(), source })?;
    }
    Ok(())
}

/// Something in the way of the file at `path`: a file where a folder of a group should be, or a link, which might lead
/// out of the output folder.
pub(crate) fn in_the_way(out: &Path, path: &Path) -> Option<PathBuf> {
    let stands = |folder: &&Path| fs::symlink_metadata(folder).is_ok_and(|there| !there.is_dir());
    folders(out, path).into_iter().find(stands).map(Path::to_owned)
}

/// Every file below the folder `audio` of an output folder, and every folder in which there is none, by its path inside
/// the output folder.
pub(crate) fn listed(out: &Path) -> Vec<String> {
    let inside = |path: &Path| {
        let parts = path.strip_prefix(out).unwrap_or(path).components();
        parts.map(|part| part.as_os_str().to_string_lossy()).collect::<Vec<_>>().join("/")
    };
    let mut found = Vec::new();
    for folder in all_folders(out) {
        let entries = entries(&folder);
        if entries.is_empty() && folder != out.join(AUDIO) {
            found.push(inside(&folder));
        }
        found.extend(entries.iter().filter(|entry| !is_folder(entry)).map(|entry| inside(&entry.path())));
    }
    found.sort();
    found
}

fn entries(folder: &Path) -> Vec<fs::DirEntry> {
    fs::read_dir(folder).into_iter().flatten().flatten().collect()
}

/// A link to a folder is none.
fn is_folder(entry: &fs::DirEntry) -> bool {
    entry.file_type().is_ok_and(|kind| kind.is_dir())
}

/// The folders below `audio` and that one itself.
pub(crate) fn all_folders(out: &Path) -> Vec<PathBuf> {
    let mut all = vec![out.join(AUDIO)];
    let mut next = 0;
    while let Some(folder) = all.get(next).cloned() {
        all.extend(entries(&folder).iter().filter(|entry| is_folder(entry)).map(fs::DirEntry::path));
        next += 1;
    }
    all
}

/// Removes the folders of groups that have become empty. Best effort: an empty folder harms nobody.
pub(crate) fn remove_empty(disk: &dyn Disk, out: &Path) {
    for folder in all_folders(out).iter().skip(1).rev() {
        // The system refuses to remove one that is not empty.
        let _ = disk.remove_folder(folder);
    }
}

#[cfg(test)]
mod tests {
    use loadin_storage::disk::RealDisk;

    use super::*;

    #[test]
    fn folders_are_made_listed_and_removed() {
        let folder = tempfile::tempdir().unwrap();
        let out = folder.path();
        let path = out.join("audio/08_Vocals/3_Backing/01_BV.wav");
        make_way(&RealDisk, out, &path).unwrap();
        make_way(&RealDisk, out, &path).unwrap();
        fs::write(&path, "").unwrap();
        make_way(&RealDisk, out, &out.join("audio/02_Drums/a.wav")).unwrap();
        assert_eq!(listed(out), ["audio/02_Drums", "audio/08_Vocals/3_Backing/01_BV.wav"]);
        remove_empty(&RealDisk, out);
        assert_eq!(listed(out), ["audio/08_Vocals/3_Backing/01_BV.wav"]);
        fs::remove_file(&path).unwrap();
        remove_empty(&RealDisk, out);
        assert_eq!(all_folders(out), [out.join("audio")]);
    }

    #[test]
    fn what_stands_where_a_folder_should_be_is_seen() {
        let folder = tempfile::tempdir().unwrap();
        let out = folder.path();
        let path = out.join("audio/02_Drums/a.wav");
        assert_eq!(in_the_way(out, &path), None);
        fs::create_dir(out.join("audio")).unwrap();
        fs::write(out.join("audio/02_Drums"), "").unwrap();
        assert_eq!(in_the_way(out, &path), Some(out.join("audio/02_Drums")));
        assert!(make_way(&RealDisk, out, &path).is_err());
    }
}
