//! Another user of the share puts a link to a folder of somebody else's into an output folder, between any two calls of a run, and
//! takes it away again. Whatever the run does then, nothing in that folder changes.

use std::fs;
use std::io::{self, Read};
use std::os::unix::fs::symlink;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicUsize, Ordering};

use loadin_audio::signal::noise;
use loadin_storage::disk::{Disk, DiskFile, RealDisk};
use loadin_storage::folder_disk::FolderDisk;
use loadin_tests::Delivery;

use crate::job::{Files, assert_same_files, copy, tree};
use crate::overnight::faults::prepare;

/// Folders that the other user exchanges for a link.
const PLACES: [&str; 5] = ["audio", "audio/01_Kick+Bass", ".loadin", ".loadin/journal", "set-aside"];

/// A disk on which a folder is a link to somebody else's during one call.
#[derive(Clone)]
struct RacingDisk {
    real: Arc<dyn Disk>,
    calls: Arc<AtomicUsize>,
    at: usize,
    /// The folder, and where the link leads.
    exchanged: Option<(PathBuf, PathBuf)>,
}

impl RacingDisk {
    fn during<T>(&self, call: impl FnOnce(&dyn Disk) -> T) -> T {
        let turn = self.calls.fetch_add(1, Ordering::Relaxed);
        let Some((place, victim)) =
            self.exchanged.as_ref().filter(|(place, _)| turn == self.at && place.is_dir())
        else {
            return call(&*self.real);
        };
        let hidden = place.with_file_name("hidden for a moment");
        fs::rename(place, &hidden).unwrap();
        symlink(victim, place).unwrap();
        let done = call(&*self.real);
        // The run may have taken the link away itself.
        let _ = fs::remove_file(place);
        fs::rename(&hidden, place).unwrap();
        done
    }
}

impl Disk for RacingDisk {
    fn create_new(&self, path: &Path) -> io::Result<Box<dyn DiskFile>> {
        self.during(|disk| disk.create_new(path))
    }

    fn open(&self, path: &Path) -> io::Result<Box<dyn Read + Send>> {
        self.during(|disk| disk.open(path))
    }

    fn rename(&self, from: &Path, to: &Path) -> io::Result<()> {
        self.during(|disk| disk.rename(from, to))
    }

    fn remove(&self, path: &Path) -> io::Result<()> {
        self.during(|disk| disk.remove(path))
    }

    fn create_folder(&self, folder: &Path) -> io::Result<()> {
        self.during(|disk| disk.create_folder(folder))
    }

    fn remove_folder(&self, folder: &Path) -> io::Result<()> {
        self.during(|disk| disk.remove_folder(folder))
    }

    fn sync_folder(&self, folder: &Path) -> io::Result<()> {
        self.during(|disk| disk.sync_folder(folder))
    }

    fn free_bytes(&self, folder: &Path) -> io::Result<u64> {
        self.during(|disk| disk.free_bytes(folder))
    }
}

/// A preparation, and a delivery that has changed since: what the visits of these tests find.
struct Case {
    delivery: Delivery,
    first: PathBuf,
    out: PathBuf,
    /// How many calls an undisturbed visit makes, and what it leaves.
    calls: usize,
    whole: Files,
}

impl Case {
    fn new() -> Self {
        let delivery = Delivery::new("song");
        let wav = |name: &str, seed: u64| delivery.wav(name, 48_000, 24, &[noise(seed, 0.3, 5_000)]);
        wav("Kick.wav", 1);
        wav("Pad.wav", 2);
        let (first, out) = (delivery.out("first"), delivery.out("out"));
        prepare(&delivery.path(), &first, FolderDisk::new(&first)).unwrap();
        // At the next visit one is replaced, so that the old output is set aside, and one has come.
        wav("Kick.wav", 3);
        wav("Bass.wav", 4);
        copy(&first, &out);
        let disk = RacingDisk {
            real: Arc::new(FolderDisk::new(&out)),
            calls: Arc::default(),
            at: usize::MAX,
            exchanged: None,
        };
        prepare(&delivery.path(), &out, disk.clone()).unwrap();
        let (calls, whole) = (disk.calls.load(Ordering::Relaxed), tree(&out.join("audio")));
        assert!(calls > 40, "{calls} calls are too few to be all of a visit");
        Self { delivery, first, out, calls, whole }
    }

    /// A visit during whose call `at` the folder `place` is a link. Says whether the run was refused, and what the other folder
    /// held before and holds now.
    fn visit(&self, real: Arc<dyn Disk>, place: &str, at: usize) -> (bool, Files, Files) {
        let victim = self.delivery.out("victim");
        for folder in [&self.out, &victim] {
            let _ = fs::remove_dir_all(folder);
        }
        copy(&self.first, &self.out);
        // Somebody else's folder holds what this one holds: no name is missing there.
        let same = self.first.join(place);
        copy(if same.is_dir() { &same } else { &self.first }, &victim);
        let before = tree(&victim);
        let exchanged = Some((self.out.join(place), victim.clone()));
        let disk = RacingDisk { real, calls: Arc::default(), at, exchanged };
        let refused = prepare(&self.delivery.path(), &self.out, disk).is_err();
        (refused, before, tree(&victim))
    }
}

#[test]
fn a_link_between_any_two_calls_lets_nothing_out() {
    let case = Case::new();
    let mut refused = 0;
    for place in PLACES {
        for at in 0..case.calls {
            let (was_refused, before, after) = case.visit(Arc::new(FolderDisk::new(&case.out)), place, at);
            refused += usize::from(was_refused);
            assert_same_files(&after, &before, &format!("{place}, call {at} of {}", case.calls));
            if at % 10 == 0 {
                prepare(&case.delivery.path(), &case.out, FolderDisk::new(&case.out)).unwrap();
                let when = format!("{place}, after call {at}");
                assert_same_files(&tree(&case.out.join("audio")), &case.whole, &when);
            }
        }
    }
    assert!(refused > case.calls / 4, "{refused} of {} were refused in five places", case.calls);
}

/// The test above would see it: a disk that follows links lets something out.
#[test]
fn a_disk_that_follows_links_is_seen() {
    let case = Case::new();
    let seen = |at: usize| {
        let (_, before, after) = case.visit(Arc::new(RealDisk), "audio", at);
        before != after
    };
    assert!((0..case.calls).any(seen));
}
