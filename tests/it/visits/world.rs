//! The disk of a history: a delivery, its output folder, and whatever somebody does to the two between visits.

use std::collections::BTreeSet;
use std::fs;
use std::path::{Path, PathBuf};

use loadin_tests::Random;
use serde_json::Value;

use super::given::{Given, Sound};
use super::history::Act;
use super::names;
use super::oracle::{Delivered, Oracle, Stem, Touched};
use super::recipe::plain;

/// The name that the delivery's folder has at first, and that of its output folder.
pub(super) const SONG: &str = "song";

/// What somebody does to a manifest.
#[derive(Debug, Clone, Copy)]
pub(super) enum Damage {
    Delete,
    Cut,
    /// Another number in it.
    Change,
    NewerForm,
}

/// A delivery, its output folder, and what is kept beside them.
pub(super) struct World {
    folder: tempfile::TempDir,
    /// The delivery's folder, below that of all deliveries.
    pub(super) name: String,
    pub(super) delivered: Delivered,
    /// Every path that a file of the delivery ever had.
    used: BTreeSet<PathBuf>,
    /// Files that were removed or replaced, for whoever wants them back.
    kept: Vec<(PathBuf, Given)>,
    /// The manifest before somebody was at it.
    manifest: Option<Vec<u8>>,
    /// Whether the first files have time stamps.
    stamped: bool,
}

impl World {
    /// An empty delivery.
    pub(super) fn empty() -> Self {
        let world = Self {
            folder: tempfile::tempdir().expect("a temporary folder"),
            name: SONG.to_owned(),
            delivered: Delivered::new(),
            used: BTreeSet::new(),
            kept: Vec::new(),
            manifest: None,
            stamped: false,
        };
        fs::create_dir_all(world.delivery()).expect("a folder");
        world
    }

    /// A delivery of a few stems.
    pub(super) fn new(seed: u64) -> Self {
        let mut draw = Random::new(seed);
        let mut world = Self::empty();
        world.stamped = draw.once_in(4);
        for number in 0..2 + draw.below(3) {
            let path = names::fresh(&mut draw, &world.used, number > 0);
            let mut sound = Sound::draw(&mut draw);
            sound.stamp_seconds = world.stamped.then_some(0.05 * number as f64);
            world.put(&path, sound.given());
        }
        world
    }

    /// The delivery.
    pub(super) fn delivery(&self) -> PathBuf {
        self.folder.path().join("inbox").join(&self.name)
    }

    /// The folder of all output folders.
    pub(super) fn prepared(&self) -> PathBuf {
        self.folder.path().join("prepared")
    }

    /// The output folder of the delivery.
    pub(super) fn out(&self) -> PathBuf {
        self.prepared().join(SONG)
    }

    /// A place for something else.
    pub(super) fn beside(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    /// Puts a file into the delivery.
    pub(super) fn put(&mut self, path: &Path, given: Given) {
        self.used.insert(path.to_owned());
        write(&self.delivery().join(path), &given.bytes);
        if let Some(old) = self.delivered.insert(path.to_owned(), given) {
            self.kept.push((path.to_owned(), old));
        }
    }

    /// Takes a file out of the delivery.
    pub(super) fn remove(&mut self, path: &Path) -> Option<Given> {
        fs::remove_file(self.delivery().join(path)).expect("a file that goes");
        self.delivered.remove(path)
    }

    /// Another delivery whose files have the same names: its folder.
    pub(super) fn stranger(&self, seed: u64) -> (PathBuf, Delivered) {
        let folder = self.beside(&format!("elsewhere {seed:x}")).join(&self.name);
        let mut draw = Random::new(seed);
        let delivered: Delivered =
            self.delivered.keys().map(|path| (path.clone(), Sound::draw(&mut draw).given())).collect();
        for (path, given) in &delivered {
            write(&folder.join(path), &given.bytes);
        }
        (folder, delivered)
    }

    /// Does it, where it can be done, and says what was done.
    pub(super) fn act(&mut self, act: Act, seed: u64, oracle: &mut Oracle) -> Option<String> {
        let mut draw = Random::new(seed);
        let said = match act {
            Act::EditOutput | Act::DeleteOutput => self.touch_output(act, &mut draw, oracle),
            Act::OwnFile | Act::OwnFileInTheWay => self.put_own_file(act, &mut draw, oracle),
            Act::DamageManifest => {
                let all = [Damage::Delete, Damage::Cut, Damage::Change, Damage::NewerForm];
                let damage = all[draw.below(all.len())];
                self.damage_by(oracle, damage).map(|()| format!("{damage:?} of the manifest"))
            }
            _ => self.deliver(act, &mut draw, oracle),
        }?;
        oracle.synced = false;
        Some(said)
    }

    /// What the client does.
    fn deliver(&mut self, act: Act, draw: &mut Random, oracle: &Oracle) -> Option<String> {
        match act {
            Act::Add => {
                let path = names::fresh(draw, &self.used, true);
                let mut sound = Sound::draw(draw);
                sound.stamp_seconds = (self.stamped && draw.once_in(2)).then(|| 0.1 * draw.below(5) as f64);
                Some(self.add(&path, &sound))
            }
            Act::AddOddly => {
                let path = names::odd(draw, &self.used);
                Some(self.add(&path, &Sound::draw(draw)))
            }
            Act::AddEarly => {
                let path = names::fresh(draw, &self.used, true);
                let mut sound = Sound::draw(draw);
                sound.stamp_seconds = Some(-0.1 - 0.1 * draw.below(4) as f64);
                Some(self.add(&path, &sound))
            }
            Act::Remove => self.take_away(draw, oracle),
            Act::Replace | Act::Break => self.replace(act, draw, oracle),
            Act::PutBack => self.put_back(draw, oracle),
            _ => self.rename(act, draw, oracle),
        }
    }

    fn take_away(&mut self, draw: &mut Random, oracle: &Oracle) -> Option<String> {
        let path = self.any(draw, oracle, |_, _| true)?;
        // A folder without sound is no delivery.
        let mut others = self.delivered.iter().filter(|(other, given)| **other != path && given.readable);
        others.next()?;
        let given = self.remove(&path)?;
        self.kept.push((path.clone(), given));
        Some(format!("removed {path:?}"))
    }

    fn replace(&mut self, act: Act, draw: &mut Random, oracle: &Oracle) -> Option<String> {
        let fits =
            |path: &Path, given: &Given| act == Act::Replace || given.readable && plain(path).is_some();
        let path = self.any(draw, oracle, fits)?;
        let given = if act == Act::Replace {
            let mut sound = Sound::draw(draw);
            let stamped = self.delivered[&path].stamped && draw.once_in(2);
            sound.stamp_seconds = stamped.then(|| 0.1 * draw.below(5) as f64);
            sound.given()
        } else {
            Given::unreadable(draw)
        };
        let said = format!("replaced {path:?} by {}", given.words);
        self.put(&path, given);
        Some(said)
    }

    fn put_back(&mut self, draw: &mut Random, oracle: &Oracle) -> Option<String> {
        let place = draw.below(self.kept.len());
        let (path, _) = self.kept.get(place)?;
        if self.delivered.get(path).is_some_and(|given| oracle.is_needed(path, given)) {
            return None;
        }
        let (path, given) = self.kept.remove(place);
        self.put(&path, given);
        Some(format!("put {path:?} back as it was"))
    }

    fn add(&mut self, path: &Path, sound: &Sound) -> String {
        let given = sound.given();
        let said = format!("added {path:?}: {}", given.words);
        self.put(path, given);
        said
    }

    /// Gives the delivery's folder another name.
    pub(super) fn rename_folder(&mut self, name: &str) {
        let old = self.delivery();
        name.clone_into(&mut self.name);
        fs::rename(old, self.delivery()).expect("a folder with another name");
    }

    fn rename(&mut self, act: Act, draw: &mut Random, oracle: &Oracle) -> Option<String> {
        if act == Act::RenameFolder {
            self.rename_folder(if self.name == SONG { "song v2" } else { SONG });
            return Some(format!("renamed the delivery's folder to {:?}", self.name));
        }
        // A name that the recipe speaks of is not changed: whether it still speaks of the stem would be a matter of taste.
        let spoken_of = |path: &Path| oracle.recipe.as_ref().is_some_and(|recipe| recipe.is_coarse(path));
        let from = self.any(draw, oracle, |path, given| given.readable && !spoken_of(path))?;
        let to = match act {
            Act::Rename => names::fresh(draw, &self.used, true),
            Act::Move => Path::new("Sorted").join(from.file_name()?),
            _ => in_other_case(&from)?,
        };
        if self.used.contains(&to) {
            return None;
        }
        let given = self.remove(&from)?;
        self.put(&to, given);
        Some(format!("renamed {from:?} to {to:?}"))
    }

    /// A file of the delivery that may be changed, and fits.
    fn any(
        &self,
        draw: &mut Random,
        oracle: &Oracle,
        fits: impl Fn(&Path, &Given) -> bool,
    ) -> Option<PathBuf> {
        let may = |(path, given): &(&PathBuf, &Given)| !oracle.is_needed(path, given) && fits(path, given);
        let paths: Vec<&PathBuf> = self.delivered.iter().filter(may).map(|(path, _)| path).collect();
        draw.pick(&paths).map(|path| (*path).clone())
    }

    fn touch_output(&self, act: Act, draw: &mut Random, oracle: &mut Oracle) -> Option<String> {
        // What is deleted shall be made again, so that there must be something to make it of.
        let there = |stem: &Stem| {
            let at_its_path = self.delivered.get(&stem.path).is_some_and(|given| given.readable);
            at_its_path || self.delivered.values().any(|given| given.sha256 == stem.source)
        };
        let fits = |stem: &&mut Stem| {
            let deleted = stem.touched == Some(Touched::Deleted);
            stem.listed && !deleted && (act == Act::EditOutput || there(stem))
        };
        let mut stems: Vec<_> = oracle.stems.iter_mut().filter(fits).collect();
        let place = draw.below(stems.len());
        let stem = stems.get_mut(place)?;
        let path = self.out().join(&stem.output);
        let mut bytes = fs::read(&path).ok()?;
        if act == Act::DeleteOutput {
            fs::remove_file(&path).expect("a file that goes");
            stem.touched = Some(Touched::Deleted);
            return Some(format!("deleted {}", stem.output));
        }
        let middle = bytes.len() / 2;
        bytes[middle] ^= 1 + draw.below(255) as u8;
        write(&path, &bytes);
        stem.touched = Some(Touched::Edited(bytes));
        Some(format!("edited {}", stem.output))
    }

    fn put_own_file(&mut self, act: Act, draw: &mut Random, oracle: &mut Oracle) -> Option<String> {
        let recipe = oracle.recipe.as_ref()?;
        let path = match act {
            Act::OwnFile => ["audio/notes.txt", "audio/bounces/my mix.wav", "audio/00_click.wav"]
                [draw.below(3)]
            .to_owned(),
            _ if recipe.number => format!("audio/{:02}{}Tamb.wav", oracle.stems.len() + 1, recipe.separator),
            _ => "audio/Tamb.wav".to_owned(),
        };
        let real = self.out().join(&path);
        let late = PathBuf::from("Tamb.wav");
        if real.exists() || act == Act::OwnFileInTheWay && self.used.contains(&late) {
            return None;
        }
        let bytes = draw.number().to_le_bytes().repeat(40);
        write(&real, &bytes);
        oracle.foreign.insert(path.clone(), bytes);
        let own = format!("put a file of their own at {path}");
        if act == Act::OwnFile {
            return Some(own);
        }
        Some(format!("{own}, and {}", self.add(&late, &Sound::draw(draw))))
    }

    /// Does something to the manifest; [`World::mend`] puts it back.
    pub(super) fn damage_by(&mut self, oracle: &mut Oracle, damage: Damage) -> Option<()> {
        let path = self.out().join("manifest.json");
        let whole = fs::read(&path).ok().filter(|_| oracle.is_prepared() && !oracle.damaged)?;
        let mut manifest: Value = serde_json::from_slice(&whole).ok()?;
        match damage {
            Damage::Delete => fs::remove_file(&path).expect("a file that goes"),
            Damage::Cut => write(&path, &whole[..whole.len() / 2]),
            Damage::Change => {
                manifest["link"]["length_frames"] = 1.into();
                write(&path, manifest.to_string().as_bytes());
            }
            Damage::NewerForm => {
                manifest["manifest"] = 99.into();
                write(&path, manifest.to_string().as_bytes());
            }
        }
        self.manifest = Some(whole);
        oracle.damaged = true;
        Some(())
    }

    /// Puts the manifest back as it was, where somebody was at it.
    pub(super) fn mend(&mut self, oracle: &mut Oracle) -> bool {
        let Some(whole) = self.manifest.take() else { return false };
        write(&self.out().join("manifest.json"), &whole);
        oracle.damaged = false;
        true
    }
}

/// The same name in capitals, or in small letters.
fn in_other_case(path: &Path) -> Option<PathBuf> {
    let name = path.file_name()?.to_str()?;
    let capitals = name.to_uppercase();
    Some(path.with_file_name(if capitals == name { name.to_lowercase() } else { capitals }))
}

fn write(path: &Path, bytes: &[u8]) {
    fs::create_dir_all(path.parent().expect("a file lies in a folder")).expect("that folder");
    fs::write(path, bytes).expect("a file that is written");
}
