//! What a person knows who keeps watch over a delivery and its output folder: what they did to both, what was promised,
//! and so what the next visit has to do. It reads manifests and files and knows nothing of how the program plans.

use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};

use super::given::Given;
use super::recipe::Recipe;
use super::said::Said;
use crate::job::Files;

/// The files of a delivery by their path in it.
pub(super) type Delivered = BTreeMap<PathBuf, Given>;

/// Something that the promise does not allow.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Fault(pub(super) String);

/// Fails with a fault, in words, where the condition does not hold.
macro_rules! hold {
    ($condition:expr, $($words:tt)+) => {
        if !$condition {
            return Err($crate::visits::oracle::Fault(format!($($words)+)));
        }
    };
}
pub(super) use hold;

/// What was done to an output from outside.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) enum Touched {
    /// It has other bytes now.
    Edited(Vec<u8>),
    Deleted,
}

/// A stem that has a label.
#[derive(Debug, Clone)]
pub(super) struct Stem {
    /// Where it was at the last visit that went through.
    pub(super) path: PathBuf,
    /// Digest of the source that its output was made of.
    pub(super) source: String,
    /// Digest of the sound that was last seen at its path.
    pub(super) seen: String,
    /// Path of its output, which is its label for ever.
    pub(super) output: String,
    /// Digest of the output.
    pub(super) made: String,
    /// Whether the manifest lists the output.
    pub(super) listed: bool,
    pub(super) coarse: bool,
    /// Whether no source of it ever had a time stamp.
    pub(super) unstamped: bool,
    pub(super) touched: Option<Touched>,
}

/// What the stems of one preparation share.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Shared {
    pub(super) gain_db: f64,
    pub(super) frames: u64,
    pub(super) rate_hz: u64,
    pub(super) timestamp: Option<u64>,
    /// Where stems without a stamp start, once there is one.
    pub(super) unstamped_shift: Option<i64>,
}

/// What is asked of a visit beside the plain work.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) enum Ask {
    Nothing,
    Relink,
    /// The stems at these paths are to be made anew.
    Renew(Vec<PathBuf>),
}

/// A visit, as whoever makes it knows it.
#[derive(Debug, Clone)]
pub(super) struct Visit {
    pub(super) delivered: Delivered,
    pub(super) recipe: Recipe,
    /// What the engineer says: what is given at the visit, or what was said before.
    pub(super) said: Said,
    /// The same, by the paths that the stems have now.
    pub(super) heard: Said,
    /// Where the stems of which is spoken are now, by the paths that are said.
    pub(super) places: BTreeMap<String, String>,
    pub(super) batch: bool,
    pub(super) ask: Ask,
    /// The output folder before it.
    pub(super) before: Files,
}

/// What a visit may do.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Foreseen {
    /// Exit codes where it goes through; none where it must not.
    pub(super) through: BTreeSet<i32>,
    /// Exit codes where it is refused; none where it must go through.
    pub(super) refused: BTreeSet<i32>,
    /// Why it is refused, for people.
    pub(super) why: Vec<&'static str>,
}

/// What becomes of a stem with a label.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Fate {
    /// Its output is as it was.
    Kept,
    /// Its output was deleted, and is made again.
    Remade,
    /// Another sound has its path.
    Replaced,
    Renewed,
    /// What has its path now is no sound.
    Unreadable,
    Gone,
    LeftOut,
    /// It was left out and is prepared again.
    LetIn,
    /// It has no output and gets none.
    Absent,
}

/// Which file is which stem.
#[derive(Debug, Default)]
pub(super) struct Assigned {
    /// Where each stem is now.
    pub(super) paths: BTreeMap<usize, PathBuf>,
    /// Files that are no known stem.
    pub(super) new: Vec<PathBuf>,
}

/// Keeps watch.
#[derive(Debug, Clone, Default)]
pub(super) struct Oracle {
    /// Every stem that has had a label since the last new link.
    pub(super) stems: Vec<Stem>,
    pub(super) shared: Option<Shared>,
    /// The recipe that the folder was prepared by; none before the first preparation.
    pub(super) recipe: Option<Recipe>,
    /// What the engineer had said of it by then.
    pub(super) said: Said,
    /// The same, by the paths that the stems had then.
    pub(super) heard: Said,
    /// Where the stems were of which the engineer speaks, and what their files were, by the paths that were said.
    pub(super) spoken: BTreeMap<String, (PathBuf, String)>,
    /// Digests of all sources that the manifest names.
    pub(super) known: BTreeSet<String>,
    /// What a person put below `audio/`, or edited there and is not listed any more.
    pub(super) foreign: Files,
    /// Digests of what must lie in `set-aside`.
    pub(super) owed: BTreeSet<String>,
    /// What is wrong with the manifest, where somebody was at it.
    pub(super) damaged: bool,
    /// Nothing was done since the last visit went through.
    pub(super) synced: bool,
    /// A visit was interrupted and none has gone through since.
    pub(super) unsettled: bool,
}

impl Oracle {
    /// Whether there has been a preparation.
    pub(super) fn is_prepared(&self) -> bool {
        self.recipe.is_some()
    }

    /// Which file is which stem: by path, byte for byte; or, where that path is gone, one file of equal content.
    pub(super) fn assign(&self, delivered: &Delivered) -> Assigned {
        let mut assigned = Assigned::default();
        for (index, stem) in self.stems.iter().enumerate() {
            if delivered.contains_key(&stem.path) {
                assigned.paths.insert(index, stem.path.clone());
            }
        }
        // Two stems may have a claim to one file: the one of the same name goes first.
        for by_name in [true, false] {
            for (index, stem) in self.stems.iter().enumerate() {
                if assigned.paths.contains_key(&index) {
                    continue;
                }
                let taken: BTreeSet<&PathBuf> = assigned.paths.values().collect();
                let alike = |(path, given): &(&PathBuf, &Given)| {
                    given.sha256 == stem.seen
                        && !taken.contains(path)
                        && (!by_name || path.file_name() == stem.path.file_name())
                };
                let candidates: Vec<_> =
                    delivered.iter().filter(alike).map(|(path, _)| path.clone()).collect();
                if let [path] = candidates.as_slice() {
                    assigned.paths.insert(index, path.clone());
                }
            }
        }
        let taken: BTreeSet<&PathBuf> = assigned.paths.values().collect();
        assigned.new = delivered.keys().filter(|path| !taken.contains(path)).cloned().collect();
        assigned
    }

    /// What becomes of a stem at a visit that goes through.
    pub(super) fn fate(&self, index: usize, visit: &Visit, assigned: &Assigned) -> Fate {
        let (stem, recipe) = (&self.stems[index], self.recipe_at(visit));
        let path = assigned.paths.get(&index);
        let left_out = [
            recipe.leaves_out(path.unwrap_or(&stem.path)),
            visit.heard.leaves_out(path.unwrap_or(&stem.path)),
        ];
        let left_out = left_out.contains(&true);
        let Some((path, given)) = path.map(|path| (path, &visit.delivered[path])) else {
            return match (stem.listed, left_out) {
                (true, true) => Fate::LeftOut,
                (true, false) => Fate::Gone,
                (false, _) => Fate::Absent,
            };
        };
        match (stem.listed, left_out) {
            (true, true) => Fate::LeftOut,
            (false, true) => Fate::Absent,
            (false, false) => {
                if given.readable {
                    Fate::LetIn
                } else {
                    Fate::Absent
                }
            }
            (true, false) if !given.readable => Fate::Unreadable,
            (true, false) if given.sha256 != stem.source => Fate::Replaced,
            (true, false) if visit.ask.renews(path) => Fate::Renewed,
            (true, false) if stem.touched == Some(Touched::Deleted) => Fate::Remade,
            (true, false) => Fate::Kept,
        }
    }

    /// The recipe that a visit goes by: in a batch the folder's own goes on.
    pub(super) fn recipe_at<'a>(&'a self, visit: &'a Visit) -> &'a Recipe {
        let own = self.recipe.as_ref().filter(|_| visit.batch && visit.ask != Ask::Relink);
        own.unwrap_or(&visit.recipe)
    }

    /// What the visit may do.
    pub(super) fn foresee(&self, visit: &Visit) -> Foreseen {
        let mut foreseen = Foreseen { through: BTreeSet::new(), refused: BTreeSet::new(), why: Vec::new() };
        let mut refuse = |code: i32, why: &'static str| {
            foreseen.refused.insert(if visit.batch { 1 } else { code });
            foreseen.why.push(why);
        };
        if self.damaged {
            refuse(3, "the manifest cannot be used");
        }
        let anew = !self.is_prepared() || visit.ask == Ask::Relink;
        if !anew {
            if !visit.delivered.values().any(|given| self.known.contains(&given.sha256)) {
                refuse(2, "it is another delivery");
            }
            if self.would_change(visit, false) {
                refuse(2, "the recipe would change what is prepared");
            }
            if self.would_rename(visit) {
                refuse(2, "the answers would change what is prepared");
            }
            if self.would_overwrite(visit) {
                refuse(3, "an edited output would be replaced");
            }
        }
        // What the present names would become by another separator only the program knows: a moved stem may have one word
        // now. A fixed case has it where no stem has moved.
        if !anew && !self.damaged && self.would_change(visit, true) {
            foreseen.refused.insert(2);
        }
        if foreseen.why.is_empty() {
            foreseen.through = self.codes(visit);
            // Only the program knows whether the new names are those of edited files.
            let edited = self.stems.iter().any(|stem| matches!(stem.touched, Some(Touched::Edited(_))));
            let foreign = !self.foreign.is_empty();
            if visit.ask == Ask::Relink && (edited || foreign) || self.may_collide(visit) {
                foreseen.refused.insert(if visit.batch { 1 } else { 3 });
            }
        }
        foreseen
    }

    /// Exit codes of a visit that goes through.
    fn codes(&self, visit: &Visit) -> BTreeSet<i32> {
        let recipe = self.recipe_at(visit);
        // What the engineer leaves out is missed by nobody.
        let by_recipe = |path: &Path| recipe.leaves_out(path) && !visit.heard.leaves_out(path);
        let missing = |(path, given): (&PathBuf, &Given)| {
            !given.readable && !visit.heard.leaves_out(path) || by_recipe(path)
        };
        if visit.delivered.iter().any(missing) {
            return BTreeSet::from([1]);
        }
        // A stem that is both gone and left out may be counted or not.
        let assigned = self.assign(&visit.delivered);
        let gone_and_out = |index: &usize| {
            let path = &self.stems[*index].path;
            !assigned.paths.contains_key(index) && (recipe.leaves_out(path) || visit.heard.leaves_out(path))
        };
        let unsure = (0..self.stems.len()).any(|index| gone_and_out(&index));
        if unsure { BTreeSet::from([0, 1]) } else { BTreeSet::from([0]) }
    }

    /// Whether a recipe that is given by hand would change an output that nobody asked to renew.
    fn would_change(&self, visit: &Visit, by_separator: bool) -> bool {
        let Some(own) = self.recipe.as_ref().filter(|own| !visit.batch && **own != visit.recipe) else {
            return false;
        };
        let assigned = self.assign(&visit.delivered);
        let stays = |fate: Fate| !matches!(fate, Fate::LeftOut | Fate::Absent | Fate::LetIn);
        self.stems.iter().enumerate().any(|(index, stem)| {
            let path = assigned.paths.get(&index).unwrap_or(&stem.path);
            stays(self.fate(index, visit, &assigned))
                && !visit.ask.renews(path)
                && (own.target != visit.recipe.target
                    || own.separator != visit.recipe.separator
                        && stem.output.contains(own.separator)
                        && by_separator
                    || stem.coarse != visit.recipe.is_coarse(path))
        })
    }

    /// Whether other answers would call an output otherwise that nobody asked to renew.
    fn would_rename(&self, visit: &Visit) -> bool {
        let assigned = self.assign(&visit.delivered);
        (0..self.stems.len()).any(|index| {
            let path = assigned.paths.get(&index).unwrap_or(&self.stems[index].path);
            let fate = self.fate(index, visit, &assigned);
            !matches!(fate, Fate::LeftOut | Fate::Absent | Fate::LetIn | Fate::Renewed)
                && self.is_renamed(index, path, visit)
        })
    }

    /// Whether a stem, which is at `path` now, is called otherwise than before.
    pub(super) fn is_renamed(&self, index: usize, path: &Path, visit: &Visit) -> bool {
        self.said != visit.said && self.heard.label(&self.stems[index].path) != visit.heard.label(path)
    }

    /// Whether the visit would replace what somebody edited.
    fn would_overwrite(&self, visit: &Visit) -> bool {
        let assigned = self.assign(&visit.delivered);
        self.stems.iter().enumerate().any(|(index, stem)| {
            matches!(stem.touched, Some(Touched::Edited(_)))
                && matches!(self.fate(index, visit, &assigned), Fate::Replaced | Fate::Renewed)
        })
    }

    /// Whether a stem may come to a place where what somebody made of its output has stayed.
    fn may_collide(&self, visit: &Visit) -> bool {
        let assigned = self.assign(&visit.delivered);
        self.stems.iter().enumerate().any(|(index, stem)| {
            let comes = visit.ask == Ask::Relink || self.fate(index, visit, &assigned) == Fate::LetIn;
            !stem.listed && comes && self.foreign.contains_key(&stem.output)
        })
    }

    /// Whether anything in the folder is not as the program left it.
    pub(super) fn is_tampered(&self) -> bool {
        !self.foreign.is_empty() || self.stems.iter().any(|stem| stem.listed && stem.touched.is_some())
    }

    /// Whether this source must stay as it is for now: its output was deleted and can only be made from it.
    pub(super) fn is_needed(&self, path: &Path, given: &Given) -> bool {
        let mut deleted = self.stems.iter().filter(|stem| stem.touched == Some(Touched::Deleted));
        deleted.any(|stem| stem.source == given.sha256 || stem.path == path)
    }
}

impl Ask {
    /// Whether the stem at this path is to be made anew.
    pub(super) fn renews(&self, path: &Path) -> bool {
        matches!(self, Self::Renew(paths) if paths.iter().any(|renewed| renewed == path))
    }
}

impl Oracle {
    /// How `verify --delivery --replay` may end after a visit that went through.
    pub(super) fn replay_codes(&self, delivered: &Delivered) -> Vec<i32> {
        let there = |stem: &Stem| delivered.get(&stem.path).is_some_and(|given| given.sha256 == stem.source);
        if self.is_tampered() || self.stems.iter().any(|stem| stem.listed && !there(stem)) {
            return vec![4];
        }
        // Whether a file that never was prepared, and cannot be, is a difference is open.
        let unreadable = delivered.values().any(|given| !given.readable);
        let gone = self.stems.iter().any(|stem| !delivered.contains_key(&stem.path));
        if unreadable || gone { vec![0, 4] } else { vec![0] }
    }
}
