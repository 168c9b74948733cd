//! Papers as files of an output folder: written again, and never over somebody's own words. It does not know what they say.

use std::collections::BTreeMap;
use std::path::Path;

use loadin_record::digest::{Stored, digest};
use loadin_record::layout::CHECKSUMS;
use loadin_storage::disk::Disk;
use loadin_storage::pieces::digest_file;
use loadin_storage::store::{StoreError, move_to_free, store_bytes, store_text};

use super::checksums::{self, listed};

/// Writes papers and gives their digests. A paper that somebody has edited since it was written is kept under another
/// name: a note that was worded by hand is work.
pub(crate) fn store_papers(
    disk: &dyn Disk,
    out: &Path,
    papers: Vec<(String, Vec<u8>)>,
) -> Result<BTreeMap<String, String>, StoreError> {
    let ours = listed(out);
    let mut sums = BTreeMap::new();
    for (name, bytes) in papers {
        let path = out.join(&name);
        let new = digest(&bytes);
        // After an interrupted run the new paper may be there already, and not be listed yet.
        let edited = digest_file(&path)
            .is_ok_and(|found| found.sha256 != new && ours.get(&name) != Some(&found.sha256));
        if edited {
            keep(disk, &path)?;
        }
        sums.insert(name, store_bytes(disk, &path, &bytes)?.sha256);
    }
    Ok(sums)
}

/// Gives a file a name that is free: "client-note (edited).md".
fn keep(disk: &dyn Disk, path: &Path) -> Result<(), StoreError> {
    let stem = path.file_stem().unwrap_or_default().to_string_lossy();
    let ending = path.extension().map_or(String::new(), |ending| format!(".{}", ending.to_string_lossy()));
    let names = (1..).map(|n| if n == 1 { "edited".to_owned() } else { format!("edited {n}") });
    move_to_free(disk, path, names.map(|word| path.with_file_name(format!("{stem} ({word}){ending}"))))
}

/// Writes the list of digests.
pub(crate) fn store_list(
    disk: &dyn Disk,
    out: &Path,
    sums: &BTreeMap<String, String>,
) -> Result<Stored, StoreError> {
    store_text(disk, &out.join(CHECKSUMS), &checksums::to_text(sums))
}
