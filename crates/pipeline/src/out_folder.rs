//! The output folder: what may be written there, and what of an earlier run may be replaced.

use std::fs::{self, File};
use std::io;
use std::path::{Path, PathBuf};

use crate::manifest::Manifest;
use crate::plan::Plan;
use crate::render::output_path;
use crate::storage::{Disk, StoreError, UNFINISHED, digest, store_text};

/// Marks a folder in which a run is under way or was interrupted.
const MARKER: &str = ".loadin-run";

/// Why an output folder cannot be used.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum OutFolderError {
    /// It lies inside the delivery, or the delivery inside it.
    #[error("the output folder \"{}\" and the delivery \"{}\" lie inside each other: a delivery is never written to; choose another --out", out.display(), delivery.display())]
    Overlaps {
        /// The output folder.
        out: PathBuf,
        /// The delivery.
        delivery: PathBuf,
    },
    /// It holds something else.
    #[error("the output folder \"{}\" holds \"{found}\", which this program did not write; choose an empty or a new folder", out.display())]
    NotOurs {
        /// The output folder.
        out: PathBuf,
        /// Something in it.
        found: String,
    },
    /// A prepared file was changed by somebody.
    #[error("\"{}\" was changed after it was prepared, and would be replaced; move it away or choose another --out", path.display())]
    ChangedSince {
        /// The file.
        path: PathBuf,
    },
    /// The file system refused.
    #[error("cannot use \"{}\": {source}", path.display())]
    Disk {
        /// The path.
        path: PathBuf,
        /// What the file system said.
        source: io::Error,
    },
    /// A file cannot be written.
    #[error(transparent)]
    Store(#[from] StoreError<std::convert::Infallible>),
}

/// A folder that is claimed for a run.
pub(crate) struct OutFolder {
    out: PathBuf,
    earlier: Option<Manifest>,
}

impl OutFolder {
    /// Refuses an output folder inside the delivery, and a delivery inside the output folder's audio.
    pub(crate) fn check_place(delivery: &Path, out: &Path) -> Result<(), OutFolderError> {
        let resolve = |path: &Path| resolved(path).unwrap_or_else(|| path.to_owned());
        let (inner, outer) = (resolve(out), resolve(delivery));
        if inner.starts_with(&outer) || outer == inner || outer.starts_with(inner.join("audio")) {
            return Err(OutFolderError::Overlaps { out: out.to_owned(), delivery: delivery.to_owned() });
        }
        Ok(())
    }

    /// Takes the folder for a run of `plan`: it must be new, empty, or one of ours whose files nobody has changed.
    pub(crate) fn claim(disk: &dyn Disk, out: &Path, plan: &Plan) -> Result<Self, OutFolderError> {
        let at = |path: &Path| {
            let path = path.to_owned();
            move |source| OutFolderError::Disk { path, source }
        };
        fs::create_dir_all(out.join("audio")).map_err(at(out))?;
        let earlier = fs::read_to_string(out.join("manifest.json"))
            .ok()
            .and_then(|text| Manifest::from_json(&text).ok());
        if earlier.is_none()
            && !out.join(MARKER).exists()
            && let Some(found) = foreign(out).map_err(at(out))?
        {
            return Err(OutFolderError::NotOurs { out: out.to_owned(), found });
        }
        let folder = Self { out: out.to_owned(), earlier };
        folder.guard(plan)?;
        store_text(
            disk,
            &out.join(MARKER),
            "A run is under way here, or was interrupted. Run the same command again.\n",
        )?;
        Ok(folder)
    }

    /// Files of the earlier run that the new one replaces or removes must be as that run left them.
    fn guard(&self, plan: &Plan) -> Result<(), OutFolderError> {
        let known = self.earlier_outputs();
        for (path, sha256) in &known {
            let real = self.out.join(path);
            if let Ok(mut file) = File::open(&real) {
                let found = digest(&mut file)
                    .map_err(|source| OutFolderError::Disk { path: real.clone(), source })?;
                if found.sha256 != *sha256 && !self.out.join(MARKER).exists() {
                    return Err(OutFolderError::ChangedSince { path: real });
                }
            }
        }
        if self.earlier.is_none() || self.out.join(MARKER).exists() {
            return Ok(());
        }
        for stem in plan.stems.iter().filter(|stem| stem.is_rendered()) {
            let path = output_path(stem);
            if !known.iter().any(|(ours, _)| *ours == path) && self.out.join(&path).exists() {
                return Err(OutFolderError::ChangedSince { path: self.out.join(path) });
            }
        }
        Ok(())
    }

    fn earlier_outputs(&self) -> Vec<(String, String)> {
        let stems = self.earlier.iter().flat_map(|manifest| &manifest.stems);
        stems.filter_map(|stem| stem.output.as_ref().map(|o| (o.path.clone(), o.sha256.clone()))).collect()
    }

    /// Ends the run: outputs of the earlier run that have no place in the new one go, and the marker goes.
    pub(crate) fn release(self, disk: &dyn Disk, manifest: &Manifest) -> Result<(), OutFolderError> {
        let current: Vec<&str> =
            manifest.stems.iter().filter_map(|stem| stem.output.as_ref().map(|o| o.path.as_str())).collect();
        let stale = self
            .earlier_outputs()
            .into_iter()
            .map(|(path, _)| path)
            .filter(|p| !current.contains(&p.as_str()));
        for path in stale.chain([MARKER.to_owned()]) {
            let real = self.out.join(path);
            match disk.remove(&real) {
                Err(source) if source.kind() != io::ErrorKind::NotFound => {
                    return Err(OutFolderError::Disk { path: real, source });
                }
                _ => {}
            }
        }
        Ok(())
    }
}

/// Something in the folder that is not an empty `audio` folder of ours.
fn foreign(out: &Path) -> io::Result<Option<String>> {
    for entry in fs::read_dir(out)? {
        let entry = entry?;
        let name = entry.file_name().to_string_lossy().into_owned();
        if name == "audio" && fs::read_dir(entry.path())?.next().is_none() || name.ends_with(UNFINISHED) {
            continue;
        }
        return Ok(Some(name));
    }
    Ok(None)
}

/// The absolute path of something that may not exist yet.
fn resolved(path: &Path) -> Option<PathBuf> {
    let absolute = std::path::absolute(path).ok()?;
    for ancestor in absolute.ancestors() {
        if let Ok(real) = fs::canonicalize(ancestor) {
            let rest = absolute.strip_prefix(ancestor).ok()?;
            return Some(if rest.as_os_str().is_empty() { real } else { real.join(rest) });
        }
    }
    None
}
