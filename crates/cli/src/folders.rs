//! Folders that deliveries get in a common one. Knows no verb.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use loadin_pipeline::source::scan;

use crate::Failure;

/// Deliveries of one name would share a folder in `out`.
pub(crate) fn refuse_shared_folders(deliveries: &[PathBuf], out: &Path) -> Result<(), Failure> {
    let mut taken: BTreeMap<String, &Path> = BTreeMap::new();
    for delivery in deliveries {
        let name = scan::name_of(delivery);
        let folder = out.join(&name);
        if let Some(other) = taken.insert(name, delivery) {
            return Err(Failure::bad(format!(
                "\"{}\" and \"{}\" have one name and would share \"{}\"; do them one by one, or rename one",
                other.display(),
                delivery.display(),
                folder.display()
            )));
        }
    }
    Ok(())
}
