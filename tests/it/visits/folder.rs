//! The promise against the disk: what an output folder holds after a visit, held against what it must hold.

use std::collections::BTreeSet;

use serde_json::Value;

use super::given::sha256;
use super::oracle::{Ask, Fault, Foreseen, Oracle, Touched, Visit, hold};
use crate::job::Files;

/// How a visit ended.
#[derive(Debug)]
pub(super) struct Ended {
    pub(super) code: i32,
    /// Whether it went through, as it says itself.
    pub(super) through: bool,
    /// What it printed, for people.
    pub(super) said: String,
}

impl Oracle {
    /// Holds a visit against what was foreseen, and takes over what it rightly did.
    pub(super) fn judge(
        &mut self,
        visit: &Visit,
        foreseen: &Foreseen,
        ended: &Ended,
        after: &Files,
    ) -> Result<(), Fault> {
        let (allowed, verb) = if ended.through {
            (&foreseen.through, "went through")
        } else {
            (&foreseen.refused, "was refused")
        };
        hold!(
            allowed.contains(&ended.code),
            "it {verb} with {}; foreseen: through {:?}, refused {:?} {:?}\n{}",
            ended.code,
            foreseen.through,
            foreseen.refused,
            foreseen.why,
            ended.said
        );
        if !ended.through {
            return same(&visit.before, after, "a refused visit", str::to_owned);
        }
        let repeated = self.synced
            && visit.ask == Ask::Nothing
            && self.said == visit.said
            && self.recipe.as_ref() == Some(self.recipe_at(visit));
        let manifest = manifest(after).ok_or_else(|| Fault("there is no manifest".to_owned()))?;
        self.take_over(visit, &manifest)?;
        (self.synced, self.unsettled) = (true, false);
        self.holds_the_outputs(after)?;
        self.holds_what_was_set_aside(after)?;
        self.holds_the_papers(after)?;
        if repeated {
            same(&visit.before, after, "a visit with nothing to do", without_run)?;
        }
        Ok(())
    }

    /// Holds an interrupted visit against what even that may not do. Where its manifest is in place, it is the promise.
    pub(super) fn judge_interrupted(&mut self, visit: &Visit, after: &Files) -> Result<(), Fault> {
        (self.synced, self.unsettled) = (false, true);
        if visit.before.get("manifest.json") != after.get("manifest.json") {
            let manifest = manifest(after)
                .ok_or_else(|| Fault("an interrupted visit left half a manifest".to_owned()))?;
            let refused = self.foresee(visit).through.is_empty();
            hold!(!refused, "an interrupted visit wrote a manifest that it should have refused");
            self.take_over(visit, &manifest)?;
        }
        self.holds_what_is_a_persons(after)
    }

    /// `audio/` holds the listed outputs, what a person put there, and nothing else.
    fn holds_the_outputs(&self, after: &Files) -> Result<(), Fault> {
        self.holds_what_is_a_persons(after)?;
        for stem in self.stems.iter().filter(|stem| stem.listed && stem.touched.is_none()) {
            let found = after.get(&stem.output).map(|bytes| sha256(bytes));
            hold!(found.is_some(), "{} of {:?} is not there", stem.output, stem.path);
            hold!(found.as_ref() == Some(&stem.made), "{} is not what the manifest says", stem.output);
        }
        let listed = self.stems.iter().filter(|stem| stem.listed).map(|stem| &stem.output);
        let wanted: BTreeSet<&String> = listed.chain(self.foreign.keys()).collect();
        let found: BTreeSet<&String> = after.keys().filter(|path| path.starts_with("audio/")).collect();
        hold!(found == wanted, "audio/ holds {found:?}, wanted are {wanted:?}");
        Ok(())
    }

    /// What a person edited or put there is as they left it.
    fn holds_what_is_a_persons(&self, after: &Files) -> Result<(), Fault> {
        let edited = self.stems.iter().filter_map(|stem| match &stem.touched {
            Some(Touched::Edited(bytes)) => Some((&stem.output, bytes)),
            _ => None,
        });
        for (path, bytes) in self.foreign.iter().chain(edited) {
            hold!(after.get(path) == Some(bytes), "{path} was a person's, and is changed or gone");
        }
        Ok(())
    }

    /// Every output that was replaced or left out lies in `set-aside`, under whatever name.
    fn holds_what_was_set_aside(&self, after: &Files) -> Result<(), Fault> {
        let aside = after.iter().filter(|(path, _)| path.starts_with("set-aside/"));
        let digests: BTreeSet<String> = aside.map(|(_, bytes)| sha256(bytes)).collect();
        let missing: Vec<&String> = self.owed.difference(&digests).collect();
        hold!(missing.is_empty(), "set-aside lacks {missing:?}");
        Ok(())
    }

    fn holds_the_papers(&self, after: &Files) -> Result<(), Fault> {
        let file = |path: &str| after.get(path).map(Vec::as_slice).unwrap_or_default();
        let recipe = self.recipe.as_ref().map(super::recipe::Recipe::text).unwrap_or_default();
        hold!(file("recipe.toml") == recipe.as_bytes(), "recipe.toml is not the recipe of the preparation");
        let said = self.said.text().unwrap_or_default();
        hold!(file("answers.toml") == said.as_bytes(), "answers.toml is not what was said");
        let list = String::from_utf8_lossy(file("checksums.sha256")).into_owned();
        let rows: Vec<(&str, &str)> = list.lines().filter_map(|line| line.split_once("  ")).collect();
        for (sum, path) in &rows {
            let of_touched = self.stems.iter().any(|stem| stem.output == *path && stem.touched.is_some());
            let found = after.get(*path).map(|bytes| sha256(bytes));
            hold!(of_touched || found.as_deref() == Some(*sum), "checksums.sha256 is wrong about {path}");
        }
        for stem in self.stems.iter().filter(|stem| stem.listed) {
            let row = rows.iter().find(|(_, path)| *path == stem.output);
            hold!(row.is_some_and(|(sum, _)| *sum == stem.made), "checksums.sha256 lacks {}", stem.output);
        }
        hold!(rows.iter().any(|(_, path)| *path == "recipe.toml"), "checksums.sha256 lacks recipe.toml");
        let listed = rows.iter().any(|(_, path)| *path == "answers.toml");
        hold!(listed != said.is_empty(), "checksums.sha256 is wrong about answers.toml");
        Ok(())
    }
}

/// The manifest among the files of an output folder, where it is one.
fn manifest(files: &Files) -> Option<Value> {
    serde_json::from_slice(files.get("manifest.json")?).ok()
}

/// A manifest without what is about the run.
fn without_run(text: &str) -> String {
    let mut manifest: Value = serde_json::from_str(text).unwrap_or_default();
    manifest.as_object_mut().map(|fields| fields.remove("run"));
    manifest.to_string()
}

/// Nothing was written but what is about the run itself.
fn same(before: &Files, after: &Files, who: &str, of_manifest: fn(&str) -> String) -> Result<(), Fault> {
    let lasting = |files: &Files| -> Files {
        let mut files = files.clone();
        files.retain(|path, _| !path.starts_with(".loadin/") && path != "summary.json");
        if let Some(bytes) = files.get_mut("manifest.json") {
            *bytes = of_manifest(&String::from_utf8_lossy(bytes)).into_bytes();
        }
        files
    };
    let (before, after) = (lasting(before), lasting(after));
    let paths: BTreeSet<&String> = before.keys().chain(after.keys()).collect();
    let other: Vec<&&String> = paths.iter().filter(|path| before.get(**path) != after.get(**path)).collect();
    hold!(other.is_empty(), "{who} wrote or removed {other:?}");
    Ok(())
}
