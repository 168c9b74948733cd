//! The files of a checkout as path and text, and the faults found in them. It knows where things lie, no rules.

use std::collections::BTreeMap;
use std::fmt;
use std::fs;
use std::path::Path;

/// Every `Cargo.toml` and every Rust file, by path from the top of the checkout, with `/` between folders.
pub(super) struct Checkout {
    files: BTreeMap<String, String>,
}

/// Something that is not as it shall be.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Fault {
    pub(super) file: String,
    /// From 1; 0 for the file as a whole.
    pub(super) line: usize,
    /// What was found, what is allowed, what to do.
    pub(super) text: String,
}

impl Fault {
    pub(super) fn new(file: &str, line: usize, text: impl Into<String>) -> Self {
        Self { file: file.to_owned(), line, text: text.into() }
    }
}

impl fmt::Display for Fault {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self.line {
            0 => write!(f, "{}: {}", self.file, self.text),
            line => write!(f, "{}:{line}: {}", self.file, self.text),
        }
    }
}

impl Checkout {
    /// The checkout at `root`.
    pub(super) fn read(root: &Path) -> Self {
        let mut files = BTreeMap::new();
        for top in ["crates", "tests", "benches", "demo"] {
            gather(&root.join(top), top, &mut files);
        }
        Self { files }
    }

    /// A checkout of these files.
    pub(super) fn of(files: &[(&str, &str)]) -> Self {
        Self { files: files.iter().map(|(path, text)| ((*path).to_owned(), (*text).to_owned())).collect() }
    }

    /// Every Rust file.
    pub(super) fn rust(&self) -> impl Iterator<Item = (&str, &str)> {
        self.all().filter(|(path, _)| is_rust(path))
    }

    /// Every Rust file of a crate's `src`.
    pub(super) fn crate_rust(&self) -> impl Iterator<Item = (&str, &str)> {
        self.rust().filter(|(path, _)| crate_of(path).is_some())
    }

    /// The folders of the crates.
    pub(super) fn crates(&self) -> Vec<&str> {
        let mut folders: Vec<&str> = self.crate_rust().filter_map(|(path, _)| crate_of(path)).collect();
        folders.dedup();
        folders
    }

    /// The Rust files of one crate, by path below `src`.
    pub(super) fn sources(&self, folder: &str) -> Vec<(&str, &str)> {
        let top = format!("crates/{folder}/src/");
        self.rust().filter_map(|(path, text)| Some((path.strip_prefix(&top)?, text))).collect()
    }

    /// Every package: its folder and its `Cargo.toml`.
    pub(super) fn packages(&self) -> impl Iterator<Item = (&str, &str)> {
        self.all().filter_map(|(path, text)| Some((path.strip_suffix("/Cargo.toml")?, text)))
    }

    fn all(&self) -> impl Iterator<Item = (&str, &str)> {
        self.files.iter().map(|(path, text)| (path.as_str(), text.as_str()))
    }
}

/// The folder of the crate in whose `src` the file lies.
pub(super) fn crate_of(path: &str) -> Option<&str> {
    let (folder, below) = path.strip_prefix("crates/")?.split_once('/')?;
    below.starts_with("src/").then_some(folder)
}

fn is_rust(path: &str) -> bool {
    Path::new(path).extension().is_some_and(|end| end == "rs")
}

fn gather(folder: &Path, name: &str, files: &mut BTreeMap<String, String>) {
    for entry in fs::read_dir(folder).unwrap() {
        let entry = entry.unwrap();
        let below = entry.file_name().into_string().unwrap();
        let path = format!("{name}/{below}");
        if entry.file_type().unwrap().is_dir() {
            if !["target", "node_modules"].contains(&below.as_str()) {
                gather(&entry.path(), &path, files);
            }
        } else if below == "Cargo.toml" || is_rust(&below) {
            files.insert(path, fs::read_to_string(entry.path()).unwrap());
        }
    }
}
