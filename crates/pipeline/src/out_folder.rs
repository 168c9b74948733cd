//! The output folder: what may be written there, and what of an earlier run may be replaced.

use std::collections::BTreeSet;
use std::fs::{self, File};
use std::io;
use std::path::{Path, PathBuf};

use loadin_plan::plan::Plan;
use loadin_record::layout::{AUDIO, MEMORY};
use loadin_record::manifest::Manifest;
use loadin_storage::disk::Disk;
use loadin_storage::lock::{Holder, Lock, LockError};
use loadin_storage::pieces::digest_file;
use loadin_storage::records::Records;
use loadin_storage::store::{self, StoreError, UNFINISHED};

use crate::audio_folder;
use crate::bag;
use crate::journal::{self, JOURNAL, KnownOutput, Renders};
use crate::manifest_file::read_manifest;

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
    /// It is packed in another way.
    #[error("\"{}\" holds a prepared delivery {}; prepare into it in the same way, or choose another --out", out.display(), if *bag { "as a bag (--bag)" } else { "that is no bag" })]
    OtherPackaging {
        /// The output folder.
        out: PathBuf,
        /// Whether what is there is a bag.
        bag: bool,
    },
    /// A prepared file was changed by somebody.
    #[error("\"{}\" was changed after it was prepared, and would be replaced; move it away or choose another --out", path.display())]
    ChangedSince {
        /// The file.
        path: PathBuf,
    },
    /// Another run is at work there.
    #[error("another run is at work in \"{}\"{}; wait until it has ended, or choose another --out", out.display(), held_by(holder.as_ref()))]
    Busy {
        /// The output folder.
        out: PathBuf,
        /// Who holds it, where that is known.
        holder: Option<Holder>,
    },
    /// There is not enough room.
    #[error("\"{}\" needs {} and has {} free; nothing was written, make room or choose another --out", out.display(), megabytes(*needed), megabytes(*free))]
    NoRoom {
        /// The output folder.
        out: PathBuf,
        /// Bytes that the outputs need.
        needed: u64,
        /// Bytes that are free.
        free: u64,
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
    Store(#[from] StoreError),
}

fn held_by(holder: Option<&Holder>) -> String {
    holder.map_or_else(String::new, |h| format!(" (process {} on {})", h.process, h.host))
}

fn megabytes(bytes: u64) -> String {
    format!("{:.1} MB", bytes as f64 / 1e6)
}

/// How outputs are packed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Packaging {
    /// They lie in the output folder.
    #[default]
    Plain,
    /// The output folder is a bag (RFC 8493), and they are its payload.
    Bag,
}

impl Packaging {
    /// How a folder is packed that an earlier run has filled.
    pub(crate) fn of(root: &Path) -> Self {
        if bag::is_bag(root) { Self::Bag } else { Self::Plain }
    }

    fn outputs(self, root: &Path) -> PathBuf {
        match self {
            Self::Plain => root.to_owned(),
            Self::Bag => root.join(bag::PAYLOAD),
        }
    }
}

/// Where the outputs of a prepared delivery lie: in its folder, or in the payload of the bag that it is.
pub fn outputs_of(root: &Path) -> PathBuf {
    Packaging::of(root).outputs(root)
}

/// A folder that is claimed for a run.
pub(crate) struct OutFolder {
    root: PathBuf,
    packaging: Packaging,
    /// Where the outputs lie.
    out: PathBuf,
    lock: Lock,
    earlier: Option<Manifest>,
}

impl OutFolder {
    /// Refuses an output folder inside the delivery, and a delivery inside the output folder's audio.
    pub(crate) fn check_place(delivery: &Path, out: &Path) -> Result<(), OutFolderError> {
        let resolve = |path: &Path| resolved(path).unwrap_or_else(|| path.to_owned());
        let (inner, outer) = (resolve(out), resolve(delivery));
        if inner.starts_with(&outer) || outer == inner || outer.starts_with(inner.join(AUDIO)) {
            return Err(OutFolderError::Overlaps { out: out.to_owned(), delivery: delivery.to_owned() });
        }
        Ok(())
    }

    /// Takes the folder for a run: it must be new, empty, or one of ours where nobody is at work.
    pub(crate) fn claim(root: &Path, packaging: Packaging) -> Result<Self, OutFolderError> {
        let at = |path: &Path| {
            let path = path.to_owned();
            move |source| OutFolderError::Disk { path, source }
        };
        let (out, memory) = (packaging.outputs(root), root.join(MEMORY));
        let other = match packaging {
            Packaging::Plain => bag::is_bag(root),
            Packaging::Bag => root.join("manifest.json").exists(),
        };
        if other {
            return Err(OutFolderError::OtherPackaging {
                out: root.to_owned(),
                bag: packaging == Packaging::Plain,
            });
        }
        let earlier = read_manifest(&out).ok();
        if earlier.is_none()
            && !memory.exists()
            && let Some(found) = foreign(root).map_err(at(root))?
        {
            return Err(OutFolderError::NotOurs { out: root.to_owned(), found });
        }
        fs::create_dir_all(memory.join(JOURNAL)).map_err(at(&memory))?;
        fs::create_dir_all(out.join(AUDIO)).map_err(at(&out))?;
        let lock = memory.join("lock");
        let lock = Lock::take(&lock).map_err(|refused| match refused {
            LockError::Held(holder) => OutFolderError::Busy { out: root.to_owned(), holder },
            LockError::Disk(source) => OutFolderError::Disk { path: lock, source },
        })?;
        Ok(Self { root: root.to_owned(), packaging, out, lock, earlier })
    }

    /// Where the outputs lie.
    pub(crate) fn outputs(&self) -> &Path {
        &self.out
    }

    /// What the earlier run has left.
    pub(crate) fn earlier(&self) -> Option<&Manifest> {
        self.earlier.as_ref()
    }

    /// Whether the last run ended while it replaced outputs.
    pub(crate) fn was_interrupted(&self) -> bool {
        self.lock.interrupted
    }

    /// What earlier runs have finished here.
    pub(crate) fn records<'a>(&self, disk: &'a dyn Disk) -> Records<'a> {
        journal::records(disk, &self.root.join(MEMORY))
    }

    /// Says that outputs are about to be replaced: from here on an interrupted run leaves a sign.
    pub(crate) fn begin_writing(&mut self) -> Result<(), OutFolderError> {
        let failed = |source| OutFolderError::Disk { path: self.root.join(MEMORY), source };
        self.lock.begin_writing().map_err(failed)
    }

    /// Checks that the outputs of `plan` may be written and fit.
    pub(crate) fn check(&self, disk: &dyn Disk, plan: &Plan) -> Result<(), OutFolderError> {
        self.guard(plan)?;
        let needed: u64 = plan
            .rendered()
            .map(|stem| {
                let there = fs::metadata(self.out.join(stem.output_path())).map_or(0, |data| data.len());
                stem.output_bytes().saturating_sub(there)
            })
            .sum();
        match disk.free_bytes(&self.out) {
            Ok(free) if free < needed => Err(OutFolderError::NoRoom { out: self.out.clone(), needed, free }),
            // Where the system does not say, the writes will.
            _ => Ok(()),
        }
    }

    /// Files of the earlier run that the new one replaces or removes must be as that run left them.
    fn guard(&self, plan: &Plan) -> Result<(), OutFolderError> {
        let known = self.earlier_outputs();
        for known in &known {
            let real = self.out.join(&known.path);
            if File::open(&real).is_ok() {
                let found = digest_file(&real)
                    .map_err(|source| OutFolderError::Disk { path: real.clone(), source })?;
                if found.sha256 != known.sha256 && !self.lock.interrupted {
                    return Err(OutFolderError::ChangedSince { path: real });
                }
            }
        }
        if self.earlier.is_none() || self.lock.interrupted {
            return Ok(());
        }
        for stem in plan.rendered() {
            let path = stem.output_path();
            if let Some(path) = audio_folder::in_the_way(&self.out, &self.out.join(&path)) {
                return Err(OutFolderError::ChangedSince { path });
            }
            if !known.iter().any(|ours| ours.path == path) && self.out.join(&path).exists() {
                return Err(OutFolderError::ChangedSince { path: self.out.join(path) });
            }
        }
        Ok(())
    }

    /// The outputs that the earlier run's manifest lists.
    pub(crate) fn earlier_outputs(&self) -> Vec<KnownOutput> {
        let stems = self.earlier.iter().flat_map(|manifest| &manifest.stems);
        let known = stems.filter_map(|stem| {
            let output = stem.output.as_ref()?;
            let (source, path, sha256) = (&stem.source.path, &output.path, &output.sha256);
            Some(KnownOutput { source: source.clone(), path: path.clone(), sha256: sha256.clone() })
        });
        known.collect()
    }

    /// Ends the run: what earlier runs left and the new one has no place for goes, and so does the lock. The output of a
    /// stem that is no longer in the delivery is set aside: nobody could make it again.
    pub(crate) fn release(self, disk: &dyn Disk, manifest: &Manifest) -> Result<(), OutFolderError> {
        let current: BTreeSet<&str> =
            manifest.stems.iter().filter_map(|stem| stem.output.as_ref().map(|o| o.path.as_str())).collect();
        let sources: BTreeSet<&str> = manifest.stems.iter().map(|stem| stem.source.path.as_str()).collect();
        let known = self.earlier_outputs().into_iter().chain(Renders(&self.records(disk)).outputs());
        for known in known.filter(|known| !current.contains(known.path.as_str())) {
            let real = self.out.join(&known.path);
            // What somebody changed meanwhile is no longer ours.
            if !digest_file(&real).is_ok_and(|found| found.sha256 == known.sha256) {
                continue;
            }
            if sources.contains(known.source.as_str()) {
                remove(disk, &real)?;
            } else {
                set_aside(disk, &self.out, &real)?;
            }
        }
        for path in audio_folder::listed(&self.out).iter().filter(|path| path.ends_with(UNFINISHED)) {
            remove(disk, &self.out.join(path))?;
        }
        audio_folder::remove_empty(&self.out);
        if self.packaging == Packaging::Bag {
            bag::close(disk, &self.root, manifest)?;
        }
        let Self { root, lock, .. } = self;
        lock.remove().map_err(|source| OutFolderError::Disk { path: root.join(MEMORY), source })
    }
}

fn remove(disk: &dyn Disk, path: &Path) -> Result<(), OutFolderError> {
    store::remove_if_there(disk, path)
        .map_err(|source| OutFolderError::Disk { path: path.to_owned(), source })
}

/// Moves an output out of the way, under a name that is free.
fn set_aside(disk: &dyn Disk, out: &Path, real: &Path) -> Result<(), OutFolderError> {
    let folder = out.join("set-aside");
    let failed = |source| OutFolderError::Disk { path: folder.clone(), source };
    fs::create_dir_all(&folder).map_err(failed)?;
    let stem = real.file_stem().unwrap_or_default().to_string_lossy();
    let end = real.extension().map(|end| format!(".{}", end.to_string_lossy())).unwrap_or_default();
    let names =
        (1..).map(|copy| if copy == 1 { format!("{stem}{end}") } else { format!("{stem} ({copy}){end}") });
    Ok(store::move_to_free(disk, real, names.map(|name| folder.join(name)))?)
}

/// Something in the folder that is not an empty `audio` folder of ours.
fn foreign(out: &Path) -> io::Result<Option<String>> {
    if !out.exists() {
        return Ok(None);
    }
    for entry in fs::read_dir(out)? {
        let entry = entry?;
        let name = entry.file_name().to_string_lossy().into_owned();
        if name == AUDIO && fs::read_dir(entry.path())?.next().is_none() || name.ends_with(UNFINISHED) {
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
