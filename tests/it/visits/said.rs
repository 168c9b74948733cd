//! What the engineer says of the delivery at the visits, and what a person who keeps watch makes of it.

use std::collections::{BTreeMap, BTreeSet};
use std::fmt;
use std::path::Path;

use super::given::sha256;
use super::recipe::is_named;

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
        self.out.iter().any(|out| is_named(out, path))
    }

    /// What the stem at this path is called, where that is said.
    pub(super) fn label(&self, path: &Path) -> Option<&String> {
        let (_, label) = self.labels.iter().find(|(named, _)| is_named(named, path))?;
        Some(label).filter(|_| !self.leaves_out(path))
    }
}

impl fmt::Display for Said {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "title {}, labels {:?}, without {:?}", self.title, self.labels, self.out)
    }
}
