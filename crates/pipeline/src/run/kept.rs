//! What of an earlier preparation stays as it is at this visit: outputs that are not made again, and their records.

use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::path::{Path, PathBuf};

use loadin_plan::answers::Answers;
use loadin_plan::plan::{Plan, StemPlan};
use loadin_plan::recipe::Recipe;
use loadin_plan::visit::{PromisedStem, Standing, Visit, carried};
use loadin_record::layout::SET_ASIDE;
use loadin_record::manifest::{Manifest, StemRecord};
use loadin_record::path_below::PathBelow;
use loadin_storage::disk::Disk;
use loadin_storage::pieces::digest_file;
use loadin_storage::store::StoreError;
use serde::{Deserialize, Serialize};

use super::study::Study;
use crate::journal::StemOutcome;
use crate::output::folder::{Goes, Replaced, set_aside, taken_away};
use crate::output::prepared::{OutputState, Prepared};

/// What stays, by the path of the output inside the output folder.
#[derive(Debug, Default, Serialize, Deserialize)]
pub(crate) struct Kept {
    /// The stems whose outputs stay, with what lies in their places.
    stems: BTreeMap<PathBelow, (PromisedStem, OutputState)>,
    /// Stems that are replaced, for the case that the new sound cannot be made.
    replaced: BTreeMap<PathBelow, PromisedStem>,
    /// The records of all of them, as the earlier manifest has them.
    records: BTreeMap<PathBelow, Vec<StemRecord>>,
    /// The version that wrote that manifest.
    version: String,
    /// The name of the session file, which stays for as long as the preparation does.
    #[serde(default)]
    session_name: Option<String>,
    /// SHA-256 of the answers that it was made with.
    answers: Option<String>,
}

impl Kept {
    /// What stays where every output is made again: the name that the session file was given.
    pub(crate) fn for_replay(earlier: &Manifest) -> Self {
        let given = earlier.session_file.as_ref().filter(|file| file.is_named_well());
        Self { session_name: given.map(|file| file.name.clone()), ..Self::default() }
    }

    /// What stays of `earlier`.
    pub(crate) fn new(visit: Option<&Visit>, earlier: Option<&Manifest>, prepared: &Prepared) -> Self {
        let Some((visit, earlier)) = visit.zip(earlier) else { return Self::default() };
        let answers = earlier.answers.as_ref().map(|answers| answers.sha256.clone());
        let mut kept = Self { version: earlier.tool.version.clone(), answers, ..Self::for_replay(earlier) };
        for stem in &visit.stems {
            let output = &stem.output;
            let records = earlier.made_into(output);
            if stem.stays() {
                let state = prepared.state(output).unwrap_or(OutputState::Missing);
                kept.stems.insert(output.clone(), (stem.clone(), state));
            } else if matches!(stem.standing, Standing::Replaced | Standing::Renewed) {
                kept.replaced.insert(output.clone(), stem.clone());
            } else {
                continue;
            }
            kept.records.insert(output.clone(), records.cloned().collect());
        }
        kept
    }

    /// The stems that have to be rendered: those that are new or replaced, and those whose output is not there any more.
    pub(crate) fn to_render<'p>(&self, plan: &'p Plan) -> Vec<&'p StemPlan> {
        plan.rendered().filter(|stem| !self.stands(stem)).collect()
    }

    /// Whether the output of a planned stem is there and stays.
    fn stands(&self, stem: &StemPlan) -> bool {
        let stays = |(kept, state): &(PromisedStem, OutputState)| {
            // Without its sources, or with others, nothing could be made again.
            (state.is_there() || kept.standing != Standing::Kept)
                && stem.sources.iter().any(|source| kept.is_of(&source.path))
        };
        self.stems.values().any(stays)
    }

    /// Paths of the first sources of the stems that are not rendered.
    pub(crate) fn standing_paths<'p>(&self, plan: &'p Plan) -> Vec<&'p str> {
        plan.rendered().filter(|stem| self.stands(stem)).map(StemPlan::path).collect()
    }

    /// The promised outputs that are replaced, with their SHA-256.
    pub(crate) fn replaced(&self) -> Replaced {
        let outputs = self.records.iter().filter(|(path, _)| self.replaced.contains_key(*path));
        let sum = |records: &Vec<StemRecord>| Some(records.first()?.output.as_ref()?.sha256.clone());
        outputs.filter_map(|(path, records)| Some((path.clone(), (sum(records)?, Goes::SetAside)))).collect()
    }

    /// Takes back what an interrupted run has begun to replace, where nothing could be made again: out of `set-aside`.
    pub(crate) fn bring_back(&self, disk: &dyn Disk, out: &Path) -> Result<(), StoreError> {
        for (output, (stem, state)) in &self.stems {
            let promised = self.records[output].first().and_then(|record| record.output.as_ref());
            if let Some(promised) = promised.filter(|_| !state.is_there() && stem.standing != Standing::Kept)
                && let Some(aside) = away_as(out, &promised.sha256)
            {
                let path = out.join(output);
                let moved =
                    disk.rename(&aside, &path).and_then(|()| disk.sync_folder(path.parent().unwrap_or(out)));
                moved.map_err(|source| StoreError::Disk { path, source })?;
            }
        }
        Ok(())
    }

    /// Whether the output at this path was gone, and is made again of the same source.
    pub(crate) fn makes_again(&self, path: &PathBelow) -> bool {
        self.stems.get(path).is_some_and(|(stem, _)| stem.standing == Standing::Kept)
    }

    /// Outputs of stems that were made anew under another name: what is in their places gives way, now that the new ones are
    /// whole.
    pub(crate) fn give_way(
        &self,
        disk: &dyn Disk,
        out: &Path,
        plan: &Plan,
        rendered: &BTreeMap<String, StemOutcome>,
    ) -> Result<(), StoreError> {
        for (output, stem) in self.renamed(plan) {
            let planned = plan.rendered().find(|planned| stem.is_of(planned.path()));
            let made = planned.is_some_and(|planned| rendered.get(planned.path()).is_some_and(Result::is_ok));
            let path = out.join(output);
            if made && path.exists() {
                set_aside(disk, out, &path)?;
            }
        }
        Ok(())
    }

    /// Promised outputs whose stems are made anew under another name.
    pub(crate) fn renamed<'s>(
        &'s self,
        plan: &'s Plan,
    ) -> impl Iterator<Item = (&'s PathBelow, &'s PromisedStem)> {
        let elsewhere = |(output, stem): &(&PathBelow, &PromisedStem)| {
            plan.rendered().any(|planned| stem.is_of(planned.path()) && planned.output_path() != **output)
        };
        self.replaced.iter().filter(elsewhere)
    }

    /// Outputs of the earlier manifest that nothing takes away.
    pub(crate) fn outputs(&self) -> BTreeSet<&str> {
        self.records.keys().map(PathBelow::as_str).collect()
    }

    /// The name that the session file has been given.
    pub(crate) fn session_name(&self) -> Option<&str> {
        self.session_name.as_deref()
    }

    /// The records of what stays, and the paths of the sources that have one among them. `recipe` has
    /// what the engineer says now.
    pub(crate) fn records(
        &self,
        study: &Study,
        rendered: &BTreeMap<String, StemOutcome>,
        recipe: &Recipe,
    ) -> (Vec<StemRecord>, BTreeSet<String>) {
        let (mut all, mut paths) = (Vec::new(), BTreeSet::new());
        let otherwise_answered = recipe.answers.as_ref().map(Answers::sha256) != self.answers;
        for (output, stem, state) in self.kept(study, rendered) {
            let before = &self.records[output];
            let as_before =
                |sha256: &str| before.iter().all(|r| r.output.as_ref().is_some_and(|o| o.sha256 == sha256));
            let again = stem.sources.first().and_then(|source| rendered.get(source.now.as_ref()?));
            // An output that was made again and came out otherwise, by a newer program, or not at all, has a new record.
            let otherwise = |made: &StemOutcome| {
                made.as_ref()
                    .map_or(stem.standing == Standing::Kept, |(_, stored)| !as_before(&stored.sha256))
            };
            if again.is_some_and(otherwise) {
                continue;
            }
            for (record, source) in before.iter().zip(&stem.sources) {
                paths.extend(source.now.clone());
                let planned = source.now.as_ref().and_then(|path| {
                    study.plan.stems.iter().find(|s| s.sources.iter().any(|s| s.path == *path))
                });
                let answered = Some(recipe).filter(|_| otherwise_answered);
                let edited = state == OutputState::Edited;
                let mut record = carried(record, &stem, (edited, answered), planned, &self.version);
                if let Some(now) = &source.now {
                    record.source.path.clone_from(now);
                }
                all.push(record);
            }
        }
        (all, paths)
    }

    /// Every stem whose output stays: what was planned to stay, and what could not be replaced.
    fn kept<'s>(
        &'s self,
        study: &'s Study,
        rendered: &'s BTreeMap<String, StemOutcome>,
    ) -> impl Iterator<Item = (&'s PathBelow, PromisedStem, OutputState)> {
        let stay = self.stems.iter().map(|(output, (stem, state))| (output, stem.clone(), *state));
        let refused = self.replaced.iter().filter_map(|(output, stem)| {
            let failure =
                stem.sources.iter().find_map(|source| rendered.get(source.now.as_ref()?)?.as_ref().err())?;
            let planned = study.plan.stems.iter().find(|planned| stem.is_of(planned.path()))?;
            let standing = Standing::unusable(&failure.0, planned);
            Some((output, PromisedStem { standing, ..stem.clone() }, OutputState::AsPrepared))
        });
        stay.chain(refused)
    }
}

/// The file with these contents among those that were set aside, or taken away by a run that was interrupted.
fn away_as(out: &Path, sha256: &str) -> Option<PathBuf> {
    let folders = [Some(out.join(SET_ASIDE)), taken_away(out)].into_iter().flatten();
    let entries = folders.flat_map(|folder| fs::read_dir(folder).into_iter().flatten().flatten());
    entries.map(|entry| entry.path()).find(|path| digest_file(path).is_ok_and(|found| found.sha256 == sha256))
}
