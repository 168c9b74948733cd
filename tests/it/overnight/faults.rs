//! The disk fails: every call of a run meets every fault once.

use std::fs;
use std::io::{self, Read, Write};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicUsize, Ordering};

use loadin_pipeline::output::folder::Packaging;
use loadin_pipeline::run::{self, Job, RunError};
use loadin_pipeline::work::context::Context;
use loadin_pipeline::work::stop::Stop;
use loadin_plan::recipe::{Recipe, find_shipped};
use loadin_storage::disk::{Disk, DiskFile, RealDisk};

use loadin_audio::signal;
use loadin_tests::Delivery;

use super::assert_same;
use super::assert_whole;
use super::delivery;
use super::delivery_of;
use super::outputs;
use crate::job::loadin;

/// What goes wrong. The numbers are those of Linux (`errno.h`, from memory).
#[derive(Debug, Clone, Copy, PartialEq)]
enum Fault {
    Errno(i32),
    /// Half of what was asked for is written, which is no fault.
    ShortWrite,
    /// Writing succeeds and keeps nothing, as on a bad share.
    KeepsNothing,
}

const NO_SPACE: Fault = Fault::Errno(28);
const INPUT_OUTPUT: Fault = Fault::Errno(5);
const READ_ONLY: Fault = Fault::Errno(30);
const QUOTA: Fault = Fault::Errno(122);

/// A disk on which one call of many meets a fault.
struct FaultyDisk {
    turn: Turn,
    /// What it says of its room; the truth where nothing is given.
    free_bytes: Option<u64>,
}

/// Counts calls, and says which meets the fault: the one with the number `at`, and, if the fault stays, every later one.
#[derive(Clone, Default)]
struct Turn {
    calls: Arc<AtomicUsize>,
    at: usize,
    fault: Option<Fault>,
    stays: bool,
}

impl Turn {
    fn fault(&self) -> Option<Fault> {
        let call = self.calls.fetch_add(1, Ordering::Relaxed);
        self.fault.filter(|_| call == self.at || self.stays && call > self.at)
    }

    fn check(&self) -> io::Result<()> {
        match self.fault() {
            Some(Fault::Errno(number)) => Err(io::Error::from_raw_os_error(number)),
            _ => Ok(()),
        }
    }
}

struct FaultyFile {
    file: Box<dyn DiskFile>,
    turn: Turn,
}

impl Write for FaultyFile {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        match self.turn.fault() {
            Some(Fault::Errno(number)) => Err(io::Error::from_raw_os_error(number)),
            Some(Fault::ShortWrite) => self.file.write(&bytes[..bytes.len().div_ceil(2)]),
            Some(Fault::KeepsNothing) => Ok(bytes.len()),
            None => self.file.write(bytes),
        }
    }

    fn flush(&mut self) -> io::Result<()> {
        self.file.flush()
    }
}

impl DiskFile for FaultyFile {
    fn rewrite_head(&mut self, bytes: &[u8]) -> io::Result<()> {
        self.turn.check()?;
        self.file.rewrite_head(bytes)
    }

    fn sync(&mut self) -> io::Result<()> {
        self.turn.check()?;
        self.file.sync()
    }
}

impl Disk for FaultyDisk {
    fn create_new(&self, path: &Path) -> io::Result<Box<dyn DiskFile>> {
        self.turn.check()?;
        Ok(Box::new(FaultyFile { file: RealDisk.create_new(path)?, turn: self.turn.clone() }))
    }

    fn open(&self, path: &Path) -> io::Result<Box<dyn Read + Send>> {
        self.turn.check()?;
        RealDisk.open(path)
    }

    fn rename(&self, from: &Path, to: &Path) -> io::Result<()> {
        self.turn.check()?;
        RealDisk.rename(from, to)
    }

    fn remove(&self, path: &Path) -> io::Result<()> {
        self.turn.check()?;
        RealDisk.remove(path)
    }

    fn create_folder(&self, folder: &Path) -> io::Result<()> {
        self.turn.check()?;
        RealDisk.create_folder(folder)
    }

    fn remove_folder(&self, folder: &Path) -> io::Result<()> {
        self.turn.check()?;
        RealDisk.remove_folder(folder)
    }

    fn sync_folder(&self, folder: &Path) -> io::Result<()> {
        self.turn.check()?;
        RealDisk.sync_folder(folder)
    }

    fn free_bytes(&self, folder: &Path) -> io::Result<u64> {
        self.turn.check()?;
        self.free_bytes.map_or_else(|| RealDisk.free_bytes(folder), Ok)
    }
}

const ALL_FAULTS: [Fault; 6] =
    [NO_SPACE, INPUT_OUTPUT, READ_ONLY, QUOTA, Fault::ShortWrite, Fault::KeepsNothing];

/// Prepares on this disk by a recipe that is shipped, in this process and on one thread.
pub(crate) fn prepare(delivery: &Path, out: &Path, disk: impl Disk + 'static) -> Result<(), RunError> {
    // The papers of these tests are one text; a session file would be missed.
    let recipe = find_shipped("mix-prep").unwrap().text;
    prepare_by(&without_session_file(recipe), delivery, out, disk, false)
}

/// A recipe without the session file.
fn without_session_file(recipe: &str) -> String {
    recipe.replacen("stage = \"label\"\n", "stage = \"label\"\nsession-file = false\n", 1)
}

/// Prepares on a disk that is full from this call on, and for good.
pub(crate) fn prepare_until(
    call: usize,
    recipe: &str,
    delivery: &Path,
    out: &Path,
    relink: bool,
) -> Result<(), RunError> {
    let turn = Turn { at: call, fault: Some(NO_SPACE), stays: true, ..Turn::default() };
    prepare_by(recipe, delivery, out, FaultyDisk { turn, free_bytes: None }, relink)
}

fn prepare_by(
    recipe: &str,
    delivery: &Path,
    out: &Path,
    disk: impl Disk + 'static,
    relink: bool,
) -> Result<(), RunError> {
    let recipe = Recipe::parse(recipe).unwrap();
    let job = Job {
        delivery,
        out,
        recipe: &recipe,
        disk: Arc::new(disk),
        song: None,
        packaging: Packaging::Plain,
        relink,
        renew: &[],
        batch: false,
        work: Context::new(Stop::new(), Arc::new(|_| {})),
        papers: &|_, _| vec![("paper.txt".to_owned(), b"a paper\n".to_vec())],
        started_unix: 0,
    };
    // One thread, so that the calls come in one order.
    let pool = rayon::ThreadPoolBuilder::new().num_threads(1).build().unwrap();
    pool.install(|| run::prepare(&job)).map(drop)
}

#[test]
fn every_call_meets_every_fault_and_nothing_is_half_written() {
    let delivery = delivery_of(2, 5_000);
    let calls = Arc::new(AtomicUsize::new(0));
    let counting = Turn { calls: Arc::clone(&calls), ..Turn::default() };
    let counting = FaultyDisk { turn: counting, free_bytes: None };
    let whole = delivery.out("whole");
    prepare(&delivery.path(), &whole, counting).unwrap();
    let undisturbed = outputs(&whole);
    let calls = calls.load(Ordering::Relaxed);
    assert!(calls > 40, "{calls} calls are too few to be all of a run");
    let mut refused = 0;
    for (at, (fault, stays)) in (0..calls)
        .flat_map(|at| ALL_FAULTS.iter().flat_map(move |&fault| [(at, (fault, false)), (at, (fault, true))]))
    {
        // A fault that stays is only of interest where it can stay.
        if stays && !matches!(fault, NO_SPACE | READ_ONLY) {
            continue;
        }
        let when = format!("after {fault:?} at call {at} of {calls}, stays: {stays}");
        let out = delivery.out("faulty");
        let turn = Turn { at, fault: Some(fault), stays, ..Turn::default() };
        let disk = FaultyDisk { turn, free_bytes: None };
        match prepare(&delivery.path(), &out, disk) {
            Ok(()) => assert_same(&out, &undisturbed, &when),
            Err(error) => {
                refused += 1;
                assert!(!matches!(fault, Fault::ShortWrite), "{when}: {error}");
                let text = error.to_string();
                assert!(text.contains("faulty"), "{when}: the message names no file: {text}");
                assert_whole(&out, &undisturbed, &when);
            }
        }
        prepare(&delivery.path(), &out, RealDisk).unwrap_or_else(|error| panic!("{when}: {error}"));
        assert_same(&out, &undisturbed, &when);
        fs::remove_dir_all(&out).unwrap();
    }
    assert!(refused > calls, "only {refused} faults were noticed");
}

/// A delivery before the visit that meets a fault: a first one, or a later one, in which a file came and one was replaced.
fn before_a_fault(later: bool) -> (Delivery, PathBuf, Option<(String, Vec<u8>)>) {
    let delivery = delivery_of(2, 5_000);
    let out = delivery.out("faulty");
    if !later {
        return (delivery, out, None);
    }
    prepare(&delivery.path(), &out, RealDisk).unwrap();
    delivery.wav("Stem 02.wav", 48_000, 24, &noise(90));
    delivery.wav("Stem 00.wav", 48_000, 24, &noise(91));
    let at_work = second(&out);
    assert!(at_work.is_some());
    (delivery, out, at_work)
}

fn noise(seed: u64) -> [Vec<f64>; 1] {
    [signal::noise(seed, 0.05, 9_000)]
}

/// The output of the second stem.
fn second(out: &Path) -> Option<(String, Vec<u8>)> {
    outputs(out).into_iter().find(|(name, _)| name.starts_with("audio/02_"))
}

/// A fault, then a file that comes late, then the next visit: in a first preparation, and in a later one, whose outputs are
/// at work by then. One fault a call in turn, or every one: `LOADIN_FAULTS=1`.
#[test]
fn a_file_that_comes_after_any_fault_finds_a_folder_in_order() {
    for later in [false, true] {
        let calls = Arc::new(AtomicUsize::new(0));
        let (delivery, out, _) = before_a_fault(later);
        let turn = Turn { calls: Arc::clone(&calls), ..Turn::default() };
        prepare(&delivery.path(), &out, FaultyDisk { turn, free_bytes: None }).unwrap();
        let calls = calls.load(Ordering::Relaxed);
        let mut refused = 0;
        let chosen = |at: usize, number: usize| every_fault() || at % ALL_FAULTS.len() == number;
        let all = (0..calls).flat_map(|at| (0..ALL_FAULTS.len()).map(move |number| (at, number)));
        for (at, number) in all.filter(|&(at, number)| chosen(at, number)) {
            let fault = ALL_FAULTS[number];
            let (delivery, out, at_work) = before_a_fault(later);
            let turn = Turn { at, fault: Some(fault), ..Turn::default() };
            let met = prepare(&delivery.path(), &out, FaultyDisk { turn, free_bytes: None });
            refused += usize::from(met.is_err());
            delivery.wav("Stem 03.wav", 48_000, 24, &noise(92));
            let when = format!("after {fault:?} at call {at} of {calls}, later: {later}");
            prepare(&delivery.path(), &out, RealDisk).unwrap_or_else(|error| panic!("{when}: {error}"));
            let ran = loadin(&["verify", out.to_str().unwrap()]);
            assert_eq!(ran.code, 0, "{when}: {}{}", ran.out, ran.err);
            assert!(!later || second(&out) == at_work, "{when}: what was at work has changed");
        }
        assert!(refused > calls / 4, "only {refused} faults were noticed in {calls} calls");
    }
}

#[expect(clippy::disallowed_methods, reason = "how thorough the test is changes no output")]
fn every_fault() -> bool {
    std::env::var("LOADIN_FAULTS").is_ok()
}

/// A disk that fills up in the middle is refused before the first byte when that can be known.
#[test]
fn too_small_a_disk_is_refused_before_the_first_byte() {
    let delivery = delivery(2);
    let out = delivery.out("small");
    let small = FaultyDisk { turn: Turn::default(), free_bytes: Some(300_000) };
    let error = prepare(&delivery.path(), &out, small).unwrap_err().to_string();
    assert!(error.contains("0.3 MB free") && error.contains("nothing was written"), "{error}");
    assert_eq!(fs::read_dir(out.join("audio")).unwrap().count(), 0);
}
