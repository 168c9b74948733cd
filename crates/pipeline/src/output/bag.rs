//! Packs a prepared delivery as a bag (`BagIt` 1.0, RFC 8493): the outputs are its payload, and two lists of SHA-256
//! prove payload and tags to whoever receives it, without this program.

use std::collections::BTreeMap;
use std::path::Path;
use std::{fs, io};

use loadin_record::layout::MOST_PAPER_BYTES;
use loadin_record::manifest::{Manifest, Tool};
use loadin_storage::disk::Disk;
use loadin_storage::pieces::digest_file;
use loadin_storage::plain_file;
use loadin_storage::store::{StoreError, store_text};

use crate::output::checksums;
use crate::output::difference::Verified;

/// Folder of the payload.
pub(crate) const PAYLOAD: &str = "data";

const DECLARATION: &str = "bagit.txt";
const INFO: &str = "bag-info.txt";
const PAYLOAD_LIST: &str = "manifest-sha256.txt";
const TAG_LIST: &str = "tagmanifest-sha256.txt";

/// Whether a folder is a bag.
pub(crate) fn is_bag(root: &Path) -> bool {
    root.join(DECLARATION).exists()
}

/// Writes the tags of the bag `root`, whose payload is complete.
pub(crate) fn close(disk: &dyn Disk, root: &Path, manifest: &Manifest) -> Result<(), StoreError> {
    let at = |source| StoreError::Disk { path: root.join(PAYLOAD), source };
    // A run has proved its outputs by digest just now: they are not read once more.
    let outputs = manifest.stems.iter().filter_map(|stem| stem.output.as_ref());
    let proved = outputs.map(|o| (format!("{PAYLOAD}/{}", o.path), (o.bytes, o.sha256.clone()))).collect();
    let payload = payload(root, &proved).map_err(at)?;
    let bytes: u64 = payload.values().map(|(bytes, _)| bytes).sum();
    let tags = [
        (DECLARATION, "BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n".to_owned()),
        (INFO, info(manifest, bytes, payload.len())),
        (PAYLOAD_LIST, list(payload.iter().map(|(path, (_, sum))| (path, sum)))),
    ];
    let mut checksums = BTreeMap::new();
    for (name, text) in &tags {
        checksums.insert((*name).to_owned(), store_text(disk, &root.join(name), text)?.sha256);
    }
    store_text(disk, &root.join(TAG_LIST), &list(&checksums))?;
    Ok(())
}

fn info(manifest: &Manifest, bytes: u64, files: usize) -> String {
    let Tool { name, version } = Tool::this();
    // A line break in a folder's name would begin another label.
    let delivery = manifest.delivery.name.replace(['\r', '\n'], " ");
    format!(
        "Bag-Software-Agent: {name} {version}\nExternal-Description: the stems of \"{delivery}\", prepared by the recipe {} revision {}\nPayload-Oxum: {bytes}.{files}\n",
        manifest.recipe.name, manifest.recipe.revision
    )
}

fn list<'a>(sums: impl IntoIterator<Item = (&'a String, &'a String)>) -> String {
    checksums::to_text(sums.into_iter().map(|(path, sum)| (encoded(path), sum)))
}

/// RFC 8493, section 2.1.3: line breaks and percent signs of a path are percent-encoded, and nothing else.
fn encoded(path: &str) -> String {
    path.replace('%', "%25").replace('\r', "%0D").replace('\n', "%0A")
}

fn decoded(path: &str) -> String {
    path.replace("%0A", "\n").replace("%0D", "\r").replace("%25", "%")
}

/// Files by their path in the bag, with size and SHA-256.
type Files = BTreeMap<String, (u64, String)>;

/// Every file of the payload; those that are `proved` are not read.
fn payload(root: &Path, proved: &Files) -> io::Result<Files> {
    let mut files = BTreeMap::new();
    let mut folders = vec![PAYLOAD.to_owned()];
    while let Some(folder) = folders.pop() {
        for entry in fs::read_dir(root.join(&folder))? {
            let entry = entry?;
            let path = format!("{folder}/{}", entry.file_name().to_string_lossy());
            if entry.file_type()?.is_dir() {
                folders.push(path);
            } else if let Some(known) = proved.get(&path) {
                files.insert(path, known.clone());
            } else {
                let stored = digest_file(&entry.path())?;
                files.insert(path, (stored.bytes, stored.sha256));
            }
        }
    }
    Ok(files)
}

/// Checks the lists of a bag: every listed file is there as listed, and no file of the payload is unlisted.
pub(crate) fn verify(root: &Path, verified: &mut Verified) {
    let found = match payload(root, &Files::new()) {
        Ok(found) => found.into_iter().map(|(path, (_, sum))| (path, sum)).collect(),
        Err(error) => return verified.differs(PAYLOAD, format!("the payload cannot be read: {error}")),
    };
    check_list(root, PAYLOAD_LIST, &found, verified);
    let tags = [DECLARATION, INFO, PAYLOAD_LIST].into_iter();
    let tags = tags.filter_map(|name| Some((name.to_owned(), digest_file(&root.join(name)).ok()?.sha256)));
    check_list(root, TAG_LIST, &tags.collect(), verified);
}

fn check_list(root: &Path, name: &str, found: &BTreeMap<String, String>, verified: &mut Verified) {
    let text = match plain_file::read_text(&root.join(name), MOST_PAPER_BYTES) {
        Ok(text) => text,
        Err(error) => return verified.differs(name, format!("it cannot be read: {error}")),
    };
    let listed: BTreeMap<String, String> =
        checksums::parse(&text).into_iter().map(|(path, sum)| (decoded(&path), sum)).collect();
    for (path, sum) in &listed {
        if found.get(path) != Some(sum) {
            verified.differs(path, format!("it is not as {name} says"));
        }
    }
    for path in found.keys().filter(|path| !listed.contains_key(*path)) {
        verified.differs(path, format!("{name} does not list it"));
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// RFC 8493, section 2.1.3.
    #[test]
    fn paths_are_encoded_as_the_standard_says() {
        assert_eq!(encoded("data/50% \n\r.wav"), "data/50%25 %0A%0D.wav");
        assert_eq!(decoded("data/50%25 %0A%0D.wav"), "data/50% \n\r.wav");
        assert_eq!(decoded(&encoded("data/%0A")), "data/%0A");
    }
}
