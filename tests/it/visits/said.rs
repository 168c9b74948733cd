//! What the engineer says of the delivery at the visits, and what a person who keeps watch makes of it.

use std::collections::{BTreeMap, BTreeSet};
use std::fmt;
use std::path::{Path, PathBuf};

use super::given::sha256;
use super::oracle::{Ask, Delivered, Oracle, Visit};
use super::recipe::{Recipe, plain};
use crate::job::Files;

/// What a file of answers says. Entries are by the paths of stems that are nothing but text.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub(super) struct Said {
    /// The song's title by its number; 0 says none.
    pub(super) title: u32,
    /// What outputs are called.
    pub(super) labels: BTreeMap<String, String>,
    /// Stems that take no part.
    pub(super) out: BTreeSet<String>,
}

impl Said {
    /// The title, where one is said.
    pub(super) fn title(&self) -> Option<String> {
        (self.title > 0).then(|| format!("Song {}", self.title))
    }

    /// The file; none where nothing is said.
    pub(super) fn text(&self) -> Option<String> {
        if *self == Self::default() {
            return None;
        }
        let mut text = "answers = 1\n".to_owned();
        text.extend(self.title().map(|title| format!("[song]\ntitle = \"{title}\"\n")));
        let table = |path: &str, line: &str| format!("[[stem]]\nstem = \"{path}\"\n{line}\n");
        let labels = self.labels.iter().filter(|(path, _)| !self.out.contains(*path));
        text.extend(labels.map(|(path, label)| table(path, &format!("label = \"{label}\""))));
        text.extend(self.out.iter().map(|path| table(path, "leave-out = true")));
        Some(text)
    }

    /// The digest of the file, as the manifest names it.
    pub(super) fn sha256(&self) -> Option<String> {
        self.text().map(|text| sha256(text.as_bytes()))
    }

    /// Whether the stem at this path takes no part.
    pub(super) fn leaves_out(&self, path: &Path) -> bool {
        plain(path).is_some_and(|path| self.out.contains(path))
    }

    /// What the stem at this path is called, where that is said.
    pub(super) fn label(&self, path: &Path) -> Option<&String> {
        self.labels.get(plain(path)?).filter(|_| !self.leaves_out(path))
    }

    /// The same, by the paths that the stems have at `places`.
    pub(super) fn at(&self, places: &BTreeMap<String, String>) -> Self {
        let now = |path: &String| places.get(path).unwrap_or(path).clone();
        Self {
            title: self.title,
            labels: self.labels.iter().map(|(path, label)| (now(path), label.clone())).collect(),
            out: self.out.iter().map(now).collect(),
        }
    }

    /// The paths of which it speaks.
    pub(super) fn paths(&self) -> impl Iterator<Item = &String> {
        self.labels.keys().chain(&self.out)
    }
}

impl fmt::Display for Said {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "title {}, labels {:?}, without {:?}", self.title, self.labels, self.out)
    }
}

impl Visit {
    /// A visit by hand at which nothing is said.
    pub(super) fn new(delivered: Delivered, recipe: Recipe, ask: Ask, before: Files) -> Self {
        let (said, heard, places) = (Said::default(), Said::default(), BTreeMap::new());
        Self { delivered, recipe, said, heard, places, batch: false, ask, before }
    }

    /// The visit, at which the engineer says this.
    pub(super) fn saying(self, said: Said, oracle: &Oracle) -> Self {
        let places = oracle.places(&said, &self.delivered);
        Self { heard: said.at(&places), said, places, ..self }
    }
}

impl Oracle {
    /// Where the stems are now of which is spoken, by the paths that are said: a path means the file that has it, else the
    /// stem that had it.
    pub(super) fn places(&self, said: &Said, delivered: &Delivered) -> BTreeMap<String, String> {
        let now = |path: &String| {
            let now = self.whereabouts(path, delivered);
            let now = plain(&now).map(str::to_owned).filter(|now| !said.paths().any(|other| other == now));
            now.unwrap_or_else(|| path.clone())
        };
        said.paths().map(|path| (path.clone(), now(path))).collect()
    }

    fn whereabouts(&self, said: &str, delivered: &Delivered) -> PathBuf {
        let as_said = PathBuf::from(said);
        let Some((at, seen)) = self.spoken.get(said).filter(|_| !delivered.contains_key(&as_said)) else {
            return as_said;
        };
        let assigned = self.assign(delivered);
        let alike: Vec<&PathBuf> =
            assigned.new.iter().filter(|path| delivered[*path].sha256 == *seen).collect();
        match self.stems.iter().position(|stem| stem.path == *at) {
            _ if delivered.contains_key(at) => at.clone(),
            Some(index) => assigned.paths.get(&index).unwrap_or(at).clone(),
            None if alike.len() == 1 => alike[0].clone(),
            None => at.clone(),
        }
    }

    /// What was said holds from now on.
    pub(super) fn remember(&mut self, visit: &Visit) {
        let seen = |said: &String, at: &Path| match visit.delivered.get(at) {
            Some(given) => given.sha256.clone(),
            None => self.spoken.get(said).map(|(_, seen)| seen.clone()).unwrap_or_default(),
        };
        let spoken = visit.places.iter().map(|(said, at)| {
            let at = PathBuf::from(at);
            let seen = seen(said, &at);
            (said.clone(), (at, seen))
        });
        self.spoken = spoken.collect();
        self.said.clone_from(&visit.said);
        self.heard = visit.said.at(&visit.places);
    }
}
