//! The recipes that are given at the visits: one plain recipe for short sounds, and what a person changes in it.

use std::fmt;
use std::path::Path;

use super::given::sha256;

/// What of a recipe changes from visit to visit.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Recipe {
    /// Peak of the loudest stem, in dBFS.
    pub(super) target: i32,
    pub(super) separator: char,
    pub(super) number: bool,
    /// Paths of stems that are not prepared.
    pub(super) leave_out: Vec<String>,
    /// The path of one stem that is written with 16 bits.
    pub(super) coarse: Option<String>,
    /// What changes no stem.
    pub(super) revision: u32,
}

impl Recipe {
    pub(super) fn new(number: bool) -> Self {
        Self { target: -6, separator: '_', number, leave_out: Vec::new(), coarse: None, revision: 1 }
    }

    /// Its text.
    pub(super) fn text(&self) -> String {
        let Self { target, separator, number, leave_out, coarse, revision } = self;
        let coarse = coarse.as_ref().map_or_else(String::new, |path| {
            format!("[[stage.for]]\nstems = {}\ndepth = \"16-bit\"\n", quoted(path))
        });
        let leave_out: Vec<String> = leave_out.iter().map(|path| quoted(path)).collect();
        format!(
            "# Revision {revision}, for short sounds.\nrecipe = 1\nname = \"visits\"\nrevision = {revision}\n\
             [[stage]]\nstage = \"decode\"\nleave-out = [{}]\n\
             [[stage]]\nstage = \"resample\"\nrate = \"majority\"\n\
             [[stage]]\nstage = \"channel-fix\"\n\
             [[stage]]\nstage = \"dc-removal\"\nthreshold = \"-60 dBFS\"\n\
             [[stage]]\nstage = \"gain-stage\"\ntarget = \"{target} dBFS\"\nlink = \"delivery\"\n\
             [[stage]]\nstage = \"trim-silence\"\nhead = [\"50 ms\"]\ntail = \"100 ms\"\nlink = \"delivery\"\n\
             [[stage]]\nstage = \"align-starts\"\n\
             [[stage]]\nstage = \"label\"\nseparator = \"{separator}\"\nnumber = {number}\n\
             [[stage]]\nstage = \"re-encode\"\ncontainer = \"bwf\"\ndepth = \"24-bit\"\n{coarse}",
            leave_out.join(", ")
        )
    }

    /// The digest of its text, as the manifest names it.
    pub(super) fn sha256(&self) -> String {
        sha256(self.text().as_bytes())
    }

    /// Whether the stem at this path is left out; a path that no recipe can name never is.
    pub(super) fn leaves_out(&self, path: &Path) -> bool {
        self.leave_out.iter().any(|left| is_named(left, path))
    }

    /// Whether the stem at this path is written with 16 bits.
    pub(super) fn is_coarse(&self, path: &Path) -> bool {
        self.coarse.as_ref().is_some_and(|coarse| is_named(coarse, path))
    }
}

impl fmt::Display for Recipe {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Self { target, separator, leave_out, coarse, revision, .. } = self;
        write!(
            f,
            "{target} dBFS, \"{separator}\", revision {revision}, without {leave_out:?}, 16 bits {coarse:?}"
        )
    }
}

/// Globs of recipes do not tell upper from lower case.
pub(super) fn is_named(glob: &str, path: &Path) -> bool {
    plain(path).is_some_and(|path| path.to_lowercase() == glob.to_lowercase())
}

/// The path as text, where it is nothing but text: UTF-8 without line breaks.
pub(super) fn plain(path: &Path) -> Option<&str> {
    path.to_str().filter(|text| !text.contains(char::is_control))
}

/// A TOML string: paths of these tests that stand in recipes have neither quotes nor signs of globs.
fn quoted(path: &str) -> String {
    format!("\"{path}\"")
}
