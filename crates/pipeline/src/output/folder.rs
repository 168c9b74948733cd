//! The output folder: what may be written there, and what of an earlier run may be replaced.

use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::io;
use std::path::{Path, PathBuf};

use loadin_plan::plan::StemPlan;
use loadin_record::layout::{AUDIO, MANIFEST, MEMORY, SET_ASIDE};
use loadin_record::manifest::{FORMAT_VERSION, Manifest, ManifestError};
use loadin_record::path_below::PathBelow;
use loadin_storage::disk::Disk;
use loadin_storage::folder_disk::FolderDisk;
use loadin_storage::inside;
use loadin_storage::lock::{Lock, LockError};
use loadin_storage::pieces::digest_file;
use loadin_storage::records::Records;
use loadin_storage::store::{self, StoreError, UNFINISHED};

use crate::journal::{self, JOURNAL, Renders, Surveys};
use crate::output::manifest_file::{ManifestFileError, read_manifest};
use crate::output::prepared::{OutputState, Prepared, has_outputs};
use crate::output::{audio_folder, bag};

pub use super::error::OutFolderError;

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

/// The lock, below `.loadin`.
const LOCK: &str = "lock";

/// The sign of a finished preparation beside the lock: outputs without a manifest are then no interrupted first run.
const FINISHED: &str = "finished";

impl OutFolder {
    /// Refuses an output folder inside the delivery, and a delivery in what a run writes into the output folder.
    pub(crate) fn check_place(delivery: &Path, out: &Path) -> Result<(), OutFolderError> {
        let resolve = |path: &Path| resolved(path).unwrap_or_else(|| path.to_owned());
        let (inner, outer) = (resolve(out), resolve(delivery));
        let written_by_us = |packaging: &Packaging| {
            let outputs = packaging.outputs(&inner);
            let inside = [AUDIO, SET_ASIDE].into_iter().any(|folder| outer.starts_with(outputs.join(folder)));
            inside || outputs.starts_with(&outer)
        };
        if [Packaging::Plain, Packaging::Bag].iter().any(written_by_us)
            || outer.starts_with(inner.join(MEMORY))
        {
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
        if !out.join(MANIFEST).exists()
            && !memory.exists()
            && let Some(found) = foreign(root).map_err(at(root))?
        {
            return Err(OutFolderError::NotOurs { out: root.to_owned(), found });
        }
        let ours = [JOURNAL, LOCK, FINISHED, AWAY].map(|name| memory.join(name));
        let beside = [AUDIO, SET_ASIDE].map(|name| out.join(name));
        for place in [&out, &memory].into_iter().filter(|place| *place != root).chain(&ours).chain(&beside) {
            inside::refuse_link(place).map_err(at(place))?;
        }
        fs::create_dir_all(root).map_err(at(root))?;
        let disk = FolderDisk::new(root);
        let wanted = [&memory, &memory.join(JOURNAL), &out, &out.join(AUDIO)];
        for folder in wanted.into_iter().filter(|folder| *folder != root) {
            store::make_folder(&disk, folder).map_err(at(folder))?;
        }
        let lock = memory.join(LOCK);
        let lock = Lock::take(&disk, &lock).map_err(|refused| match refused {
            LockError::Held(holder) => OutFolderError::Busy { out: root.to_owned(), holder },
            LockError::Disk(source) => OutFolderError::Disk { path: lock, source },
        })?;
        let finished = !lock.interrupted || memory.join(FINISHED).exists();
        // Under the lock: whoever was at work there until now may have written another one.
        let earlier = earlier_in(&out, finished)?;
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

    /// The outputs of a preparation that gives way to a new one, in whose places others may come.
    pub(crate) fn given_up(&self) -> Replaced {
        let outputs = self.earlier.iter().flat_map(Manifest::outputs);
        outputs.map(|output| (output.path.clone(), (output.sha256.clone(), Goes::Away))).collect()
    }

    /// What lies in the folder.
    pub(crate) fn look(&self, disk: &dyn Disk) -> Result<Prepared, OutFolderError> {
        Prepared::look(&self.out, self.earlier(), &Renders(&self.records(disk)).written())
    }

    /// Checks that outputs may be written at these places and fit: somebody's own files are never replaced.
    pub(crate) fn check(
        &self,
        disk: &dyn Disk,
        prepared: &Prepared,
        stems: &[&StemPlan],
    ) -> Result<(), OutFolderError> {
        let mut needed = 0;
        for stem in stems {
            let path = stem.output_path();
            let real = self.out.join(&path);
            if let Some(path) = audio_folder::in_the_way(&self.out, &real) {
                return Err(OutFolderError::ChangedSince { path });
            }
            if prepared.state(&path) == Some(OutputState::Edited) || prepared.is_foreign(&path) {
                return Err(OutFolderError::ChangedSince { path: real });
            }
            let there = fs::metadata(&real).map_or(0, |data| data.len());
            needed += stem.output_bytes().saturating_sub(there);
        }
        match disk.free_bytes(&self.out) {
            Ok(free) if free < needed => Err(OutFolderError::NoRoom { out: self.out.clone(), needed, free }),
            // Where the system does not say, the writes will.
            _ => Ok(()),
        }
    }

    /// Refuses to make anew, under another name, what somebody has edited.
    pub(crate) fn check_own<'o>(
        &self,
        prepared: &Prepared,
        mut outputs: impl Iterator<Item = &'o str>,
    ) -> Result<(), OutFolderError> {
        match outputs.find(|path| prepared.state(path) == Some(OutputState::Edited)) {
            Some(path) => Err(OutFolderError::ChangedSince { path: self.out.join(path) }),
            None => Ok(()),
        }
    }

    /// Takes away what has no place any more, before anything new is written: what interrupted runs have left goes, an
    /// output that is promised no longer goes where `goes` says. What somebody has edited stays.
    pub(crate) fn clear(
        &self,
        disk: &dyn Disk,
        prepared: &Prepared,
        wanted: &BTreeSet<PathBelow>,
        goes: impl Fn(&str) -> Option<Goes>,
    ) -> Result<(), OutFolderError> {
        for path in prepared.leftovers.iter().filter(|path| !wanted.contains(path.as_str())) {
            remove(disk, &self.out.join(path))?;
        }
        for (path, state) in &prepared.outputs {
            let real = self.out.join(path);
            match (state, goes(path)) {
                (OutputState::AsPrepared, Some(Goes::SetAside)) => set_aside(disk, &self.out, &real)?,
                (OutputState::AsPrepared, Some(Goes::Away)) => take_away(disk, &self.out, &real)?,
                (OutputState::Unfinished, Some(_)) if !wanted.contains(path.as_str()) => remove(disk, &real)?,
                _ => {}
            }
        }
        Ok(())
    }

    /// What an interrupted run has taken away goes to `set-aside`, where the manifest promises it and it is not `remade`.
    pub(crate) fn save_taken(
        &self,
        disk: &dyn Disk,
        remade: impl Fn(&PathBelow) -> bool,
    ) -> Result<(), StoreError> {
        let Some(earlier) = self.earlier() else { return Ok(()) };
        let taken = taken_away(&self.out).and_then(|folder| fs::read_dir(folder).ok());
        for file in taken.into_iter().flatten().flatten().map(|entry| entry.path()) {
            let Ok(found) = digest_file(&file) else { continue };
            if earlier.outputs().any(|output| output.sha256 == found.sha256 && !remade(&output.path)) {
                set_aside(disk, &self.out, &file)?;
            }
        }
        Ok(())
    }

    /// Ends the run, whose manifest is written: nothing has to be remembered of it, and the lock goes.
    pub(crate) fn release(self, disk: &dyn Disk, manifest: &Manifest) -> Result<(), OutFolderError> {
        for path in audio_folder::listed(&self.out).iter().filter(|path| path.ends_with(UNFINISHED)) {
            remove(disk, &self.out.join(path))?;
        }
        // Papers too: one that is not written again would keep what a killed run has left of it.
        for path in
            BTreeSet::from([&self.out, &self.root]).into_iter().flat_map(|folder| unfinished_papers(folder))
        {
            remove(disk, &path)?;
        }
        audio_folder::remove_empty(disk, &self.out);
        if self.packaging == Packaging::Bag {
            bag::close(disk, &self.root, manifest)?;
        }
        let sources = manifest.stems.iter().filter_map(|stem| stem.source.sha256.as_deref());
        Surveys(&self.records(disk)).forget_others(&sources.collect());
        Renders(&self.records(disk)).forget_written();
        let memory = self.root.join(MEMORY);
        let failed = |source| OutFolderError::Disk { path: memory.clone(), source };
        // What the new manifest has no place for is taken away for good.
        store::remove_files(disk, &memory.join(AWAY)).map_err(failed)?;
        match disk.create_new(&memory.join(FINISHED)) {
            Err(error) if error.kind() != io::ErrorKind::AlreadyExists => return Err(failed(error)),
            _ => {}
        }
        self.lock.remove().map_err(failed)
    }
}

/// Outputs that others take the place of: SHA-256 in hex and where they go, by path inside the output folder.
pub(crate) type Replaced = BTreeMap<PathBelow, (String, Goes)>;

/// Folder below `.loadin` of outputs that a new preparation has no place for, until its manifest is there.
const AWAY: &str = "away";

/// What runs remember of the folder of these outputs: beside them, or beside the payload of a bag; `None` where they
/// remember nothing.
pub(crate) fn memory_of(out: &Path) -> Option<PathBuf> {
    let memory = [out.join(MEMORY), out.parent()?.join(MEMORY)];
    memory.into_iter().find(|memory| memory.is_dir())
}

/// That folder; `None` where nothing is remembered.
pub(crate) fn taken_away(out: &Path) -> Option<PathBuf> {
    memory_of(out).map(|memory| memory.join(AWAY))
}

/// Takes an output away, under a name that is free.
pub(crate) fn take_away(disk: &dyn Disk, out: &Path, real: &Path) -> Result<(), StoreError> {
    match taken_away(out) {
        Some(folder) => move_into(disk, &folder, real),
        None => set_aside(disk, out, real),
    }
}

/// Where an output goes that is promised no longer.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Goes {
    /// Into `set-aside`: nobody could make it again.
    SetAside,
    /// Away: it can be made again.
    Away,
}

/// The manifest of the preparation in a folder; `finished` says that there must be one beside outputs.
pub(crate) fn earlier_in(out: &Path, finished: bool) -> Result<Option<Manifest>, OutFolderError> {
    let path = out.join(MANIFEST);
    let damaged = |why: String| OutFolderError::DamagedManifest { path: path.clone(), why };
    match read_manifest(out) {
        Ok(manifest) if manifest.digest == manifest.own_digest() => Ok(Some(manifest)),
        Ok(_) => Err(damaged("its contents do not match the digest that it carries".to_owned())),
        Err(ManifestFileError::Disk { cause, .. }) if cause.kind() == io::ErrorKind::NotFound => {
            if finished && has_outputs(out) {
                return Err(OutFolderError::NoManifest { path });
            }
            Ok(None)
        }
        Err(ManifestFileError::Contents { cause: ManifestError::OtherVersion { found }, .. })
            if found > u64::from(FORMAT_VERSION) =>
        {
            Err(OutFolderError::NewerManifest { path, found })
        }
        Err(ManifestFileError::Disk { cause, .. }) => Err(damaged(cause.to_string())),
        Err(ManifestFileError::Contents { cause, .. }) => Err(damaged(cause.to_string())),
    }
}

/// What interrupted runs have left in a folder of papers; their names are hidden ones.
fn unfinished_papers(folder: &Path) -> Vec<PathBuf> {
    let entries = fs::read_dir(folder).into_iter().flatten().flatten();
    let is_left = |name: &str| name.starts_with('.') && name.ends_with(UNFINISHED);
    entries
        .filter(|entry| entry.file_name().to_str().is_some_and(is_left))
        .map(|entry| entry.path())
        .collect()
}

fn remove(disk: &dyn Disk, path: &Path) -> Result<(), OutFolderError> {
    store::remove_if_there(disk, path)
        .map_err(|source| OutFolderError::Disk { path: path.to_owned(), source })
}

/// Moves an output out of the way, under a name that is free.
pub(crate) fn set_aside(disk: &dyn Disk, out: &Path, real: &Path) -> Result<(), StoreError> {
    move_into(disk, &out.join(SET_ASIDE), real)
}

fn move_into(disk: &dyn Disk, folder: &Path, real: &Path) -> Result<(), StoreError> {
    let failed = |source| StoreError::Disk { path: folder.to_owned(), source };
    store::make_folder(disk, folder).map_err(failed)?;
    let stem = real.file_stem().unwrap_or_default().to_string_lossy();
    let end = real.extension().map(|end| format!(".{}", end.to_string_lossy())).unwrap_or_default();
    let names =
        (1..).map(|copy| if copy == 1 { format!("{stem}{end}") } else { format!("{stem} ({copy}){end}") });
    store::move_to_free(disk, real, names.map(|name| folder.join(name)))
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
