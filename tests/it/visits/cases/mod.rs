//! Fixed cases of the promise, each judged by the oracle as the random histories are, and by words of its own.

mod late;
mod names;
mod pairs;
mod recipes;
mod refused;
mod tampered;

use std::fs;
use std::path::{Path, PathBuf};

use serde_json::Value;

use super::desk::{Desk, Order};
use super::given::{Given, Sound};
use super::history::End;
use super::oracle::{Ask, Fault, Touched, Visit};
use super::recipe::Recipe;
use super::world::World;
use crate::job;

/// A delivery and its output folder, and the recipe that is given at the next visit.
pub(super) struct Case {
    pub(super) desk: Desk,
    recipe: Recipe,
    sounds: u64,
}

/// What a visit printed, and how it ended.
pub(super) struct Visited {
    pub(super) code: i32,
    said: String,
}

impl Case {
    /// A delivery with a plain sound at each of these paths.
    fn new(paths: &[&str]) -> Self {
        let mut case = Self { desk: Desk::new(World::empty()), recipe: Recipe::new(true), sounds: 0 };
        for path in paths {
            case.put(path);
        }
        case
    }

    /// The same, prepared.
    pub(super) fn prepared(paths: &[&str]) -> Self {
        let mut case = Self::new(paths);
        assert_eq!(case.visit(&[]).code, 0);
        case
    }

    /// A sound that no file has had yet.
    fn sound(&mut self) -> Sound {
        self.sounds += 1;
        Sound { level: 0.05 + 0.01 * self.sounds as f64, ..Sound::plain(self.sounds) }
    }

    pub(super) fn put(&mut self, path: impl AsRef<Path>) {
        let sound = self.sound();
        self.put_sound(path, &sound);
    }

    fn put_sound(&mut self, path: impl AsRef<Path>, sound: &Sound) {
        self.put_given(path, sound.given());
    }

    fn put_given(&mut self, path: impl AsRef<Path>, given: Given) {
        self.desk.world.put(path.as_ref(), given);
        self.desk.oracle.synced = false;
    }

    fn remove(&mut self, path: &str) {
        self.desk.world.remove(Path::new(path));
        self.desk.oracle.synced = false;
    }

    pub(super) fn rename(&mut self, from: &str, to: &str) {
        let given = self.desk.world.remove(Path::new(from)).unwrap();
        self.desk.world.put(Path::new(to), given);
        self.desk.oracle.synced = false;
    }

    /// Where the output of this stem lies, inside the output folder.
    fn output(&self, path: &str) -> String {
        let stems = &self.desk.oracle.stems;
        let stem = stems.iter().find(|stem| stem.path == Path::new(path));
        stem.unwrap_or_else(|| panic!("{path} has no label")).output.clone()
    }

    fn out(&self, path: &str) -> PathBuf {
        self.desk.world.out().join(path)
    }

    fn bytes(&self, path: &str) -> Vec<u8> {
        fs::read(self.out(path)).unwrap_or_else(|error| panic!("{path}: {error}"))
    }

    /// Somebody changes the output of this stem.
    fn edit(&mut self, path: &str) -> Vec<u8> {
        let output = self.output(path);
        let mut bytes = self.bytes(&output);
        *bytes.last_mut().unwrap() ^= 1;
        fs::write(self.out(&output), &bytes).unwrap();
        self.touch(path, Touched::Edited(bytes.clone()));
        bytes
    }

    fn touch(&mut self, path: &str, touched: Touched) {
        let stem = self.desk.oracle.stems.iter_mut().find(|stem| stem.path == Path::new(path));
        stem.unwrap().touched = Some(touched);
        self.desk.oracle.synced = false;
    }

    /// Somebody puts a file of their own into the output folder.
    pub(super) fn own_file(&mut self, path: &str, bytes: &[u8]) {
        let real = self.out(path);
        fs::create_dir_all(real.parent().unwrap()).unwrap();
        fs::write(real, bytes).unwrap();
        self.desk.oracle.foreign.insert(path.to_owned(), bytes.to_vec());
        self.desk.oracle.synced = false;
    }

    pub(super) fn order(&self, batch: bool, more: &[&str]) -> Order {
        let ask = match more {
            [] => Ask::Nothing,
            ["--relink"] => Ask::Relink,
            ["--renew", path] => Ask::Renew(vec![PathBuf::from(path)]),
            _ => panic!("{more:?} is not known here"),
        };
        let delivered = self.desk.world.delivered.clone();
        let visit = Visit::new(delivered, self.recipe.clone(), ask, self.desk.files());
        let visit = visit.saying(self.desk.oracle.said.clone(), &self.desk.oracle);
        Order {
            delivery: self.desk.world.delivery(),
            visit: Visit { batch, ..visit },
            says: false,
            neighbours: Vec::new(),
            more: more.iter().map(|&arg| arg.to_owned()).collect(),
        }
    }

    /// A visit by hand, judged, with everything made again.
    pub(super) fn visit(&mut self, more: &[&str]) -> Visited {
        let order = self.order(false, more);
        self.ordered(&order)
    }

    /// A visit in a batch beside another delivery.
    fn visit_in_a_batch(&mut self) -> Visited {
        let mut order = self.order(true, &[]);
        order.neighbours.push(self.desk.neighbour());
        self.ordered(&order)
    }

    fn ordered(&mut self, order: &Order) -> Visited {
        match self.desk.whole(order, true) {
            Ok(ended) => Visited { code: ended.code, said: ended.said },
            Err(fault) => self.fails(&fault),
        }
    }

    /// A visit by hand that is interrupted.
    fn interrupted(&mut self, end: End, more: &[&str]) {
        let order = self.order(false, more);
        if let Err(fault) = self.desk.interrupted(end, &order) {
            self.fails(&fault);
        }
    }

    fn fails(&self, fault: &Fault) -> ! {
        panic!("{}\n!! {}", self.desk.log.join("\n"), fault.0)
    }

    fn manifest(&self) -> Value {
        serde_json::from_slice(&self.bytes("manifest.json")).unwrap()
    }

    fn findings(&self, path: &str) -> Vec<String> {
        let manifest = self.manifest();
        job::findings(job::stem(&manifest, path)).iter().map(|id| (*id).to_owned()).collect()
    }

    /// Files in `set-aside`, by name.
    fn set_aside(&self) -> Vec<String> {
        let files = self.desk.files().into_keys();
        files.filter_map(|path| path.strip_prefix("set-aside/").map(str::to_owned)).collect()
    }
}

/// All of these stand in the text.
fn assert_says(said: &str, words: &[&str]) {
    for word in words {
        assert!(said.contains(word), "{word:?} is not said: {said}");
    }
}
