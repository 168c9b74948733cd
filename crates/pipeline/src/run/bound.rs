//! What binds a visit to an output folder: the preparation in it, and on which terms. It reads the folder and decides
//! nothing of a stem.

use std::collections::BTreeSet;
use std::fs;
use std::path::{Path, PathBuf};

use loadin_plan::answers::Answers;
use loadin_plan::recipe::Recipe;
use loadin_plan::visit::{PromisedStem, Standing, Visit, other_rates};
use loadin_record::digest::text_digest;
use loadin_record::layout::{ANSWERS, MOST_RECIPE_BYTES, RECIPE};
use loadin_record::manifest::{Manifest, OutputRecord, StemRecord};
use loadin_record::survey::{FileFacts, Inventory, Survey};
use loadin_storage::disk::Disk;
use loadin_storage::folder_disk::FolderDisk;
use loadin_storage::pieces::digest;
use loadin_storage::plain_file;
use loadin_storage::store::{StoreError, remove_if_there, store_text};

use super::error::RunError;
use crate::journal::{self, Surveys};
use crate::output::folder::{earlier_in, memory_of, outputs_of};
use crate::output::prepared::Prepared;
use crate::source::file;

/// An earlier preparation, and the terms of the visit.
#[derive(Debug, Clone)]
pub struct Bound {
    /// Its manifest.
    pub(crate) manifest: Manifest,
    /// The recipe that it was made by, where somebody gives another one.
    pub(crate) made_by: Option<Recipe>,
    /// The answers that it was made with, where other ones hold now.
    pub(crate) answers: Option<Answers>,
    /// Stems that shall be made anew, by path or label.
    pub(crate) renew: Vec<String>,
    /// Names of files that somebody has put below `audio/`: no output may take one.
    pub(crate) taken: Vec<String>,
}

impl Bound {
    /// What a manifest binds by itself: for making its outputs again.
    pub(crate) fn by(manifest: Manifest) -> Self {
        Self { manifest, made_by: None, answers: None, renew: Vec::new(), taken: Vec::new() }
    }

    /// What binds a visit by hand, with `recipe`, to the preparation in the folder or bag `root`; `None` where there is none.
    /// Nothing is locked and nothing written.
    ///
    /// # Errors
    /// When the manifest there is damaged or of a newer form, or when the recipe that it names is needed and gone.
    pub fn look(root: &Path, recipe: &Recipe) -> Result<Option<Self>, RunError> {
        let out = outputs_of(root);
        let Some(manifest) = earlier_in(&out, false)? else { return Ok(None) };
        let prepared = Prepared::look(&out, Some(&manifest), &[])?;
        Self::by_hand(&out, manifest, recipe, &[], &prepared).map(Some)
    }

    /// What binds a visit by hand, with `recipe`.
    pub(crate) fn by_hand(
        out: &Path,
        manifest: Manifest,
        recipe: &Recipe,
        renew: &[String],
        prepared: &Prepared,
    ) -> Result<Self, RunError> {
        let known = |name: &String| {
            let is_meant = |stem: &StemRecord, output: &OutputRecord| {
                stem.source.path == *name || output.label() == Some(name)
            };
            manifest.stems.iter().any(|stem| stem.output.as_ref().is_some_and(|o| is_meant(stem, o)))
        };
        if let Some(name) = renew.iter().find(|name| !known(name)) {
            return Err(RunError::NoSuchStem { name: name.clone(), out: out.to_owned() });
        }
        let other = manifest.recipe.sha256 != recipe.sha256();
        let made_by = if other { Some(own_recipe(out, &manifest)?) } else { None };
        let answers = answers_then(out, &manifest, recipe)?;
        Ok(Self { manifest, made_by, answers, renew: renew.to_vec(), taken: prepared.foreign_labels() })
    }

    /// What binds a visit of a batch with `recipe`: the folder's own one goes on, which the caller has taken.
    pub(crate) fn in_batch(
        out: &Path,
        manifest: Manifest,
        recipe: &Recipe,
        prepared: &Prepared,
    ) -> Result<Self, RunError> {
        let answers = answers_then(out, &manifest, recipe)?;
        Ok(Self { taken: prepared.foreign_labels(), answers, ..Self::by(manifest) })
    }

    /// Whether other answers hold than those that it was made with.
    pub(crate) fn is_answered_otherwise(&self, recipe: &Recipe) -> bool {
        are_others(recipe, &self.manifest)
    }

    /// Refuses what can be refused before anything is measured: another delivery, and a recipe that brings prepared stems to
    /// another rate.
    pub(crate) fn check(
        &self,
        delivery: &Path,
        out: &Path,
        inventory: &Inventory,
        recipe: &Recipe,
    ) -> Result<(), RunError> {
        if !self.shares_content(delivery, inventory) {
            return Err(RunError::OtherDelivery {
                out: out.to_owned(),
                delivery: delivery.to_owned(),
                prepared: self.manifest.delivery.name.clone(),
            });
        }
        let rates = if self.made_by.is_some() { other_rates(&self.manifest, recipe) } else { Vec::new() };
        if rates.is_empty() {
            Ok(())
        } else {
            Err(RunError::WouldChange { out: out.to_owned(), stems: rates })
        }
    }

    /// Surveys of what the outputs were made of: those of now, and for a source that is gone, or that a file has replaced
    /// which cannot be used, the one that was made then, where it is on record.
    pub(crate) fn surveys_of_outputs(&self, out: &Path, visit: &Visit, now: &[Survey]) -> Vec<Survey> {
        let is_lost =
            |stem: &PromisedStem| matches!(stem.standing, Standing::Gone | Standing::Unusable { .. });
        let unusable = |survey: &Survey| {
            visit.stem_of(&survey.path).is_some_and(|stem| matches!(stem.standing, Standing::Unusable { .. }))
        };
        let mut surveys: Vec<Survey> = now.iter().filter(|survey| !unusable(survey)).cloned().collect();
        let Some(memory) = memory_of(out) else { return surveys };
        let disk = FolderDisk::new(memory.parent().unwrap_or(out));
        let records = journal::records(&disk, &memory);
        let lost = visit.stems.iter().filter(|stem| is_lost(stem)).flat_map(|stem| &stem.sources);
        for source in lost {
            let named = self.manifest.stems.iter().find(|stem| stem.source.path == source.before);
            let sha256 = named.and_then(|stem| stem.source.sha256.as_deref());
            let then = Surveys(&records).of_contents(&source.before, sha256.unwrap_or_default());
            let is_there = |path: &str| surveys.iter().any(|survey| survey.path == path);
            surveys.extend(then.filter(|survey| !is_there(&survey.path)));
        }
        surveys
    }

    /// Whether one file of the delivery has the contents of a source of the preparation, whatever its name: templates share
    /// names. Only files of equal size are read, until one is found.
    fn shares_content(&self, delivery: &Path, inventory: &Inventory) -> bool {
        let sources = || self.manifest.stems.iter().map(|stem| &stem.source);
        let known: BTreeSet<&str> = sources().filter_map(|source| source.sha256.as_deref()).collect();
        let sizes: BTreeSet<u64> = sources().map(|source| source.bytes).collect();
        let reads_equal = |file: &&FileFacts| {
            let read = file::open(delivery, &file.path).and_then(|mut source| digest(&mut source));
            read.is_ok_and(|stored| known.contains(stored.sha256.as_str()))
        };
        // A preparation without a single source that could be read promises nothing.
        known.is_empty()
            || inventory
                .files
                .iter()
                .filter(|file| !file.unread && sizes.contains(&file.bytes))
                .any(|file| reads_equal(&file))
    }
}

/// Whether the answers of a recipe are other ones than those that a preparation was made with.
fn are_others(recipe: &Recipe, manifest: &Manifest) -> bool {
    recipe.answers.as_ref().map(Answers::record) != manifest.answers
}

/// The answers that a preparation was made with, where other ones hold now, about the paths that its stems have there.
fn answers_then(out: &Path, manifest: &Manifest, recipe: &Recipe) -> Result<Option<Answers>, RunError> {
    let own = if are_others(recipe, manifest) { own_answers(out, manifest)? } else { None };
    Ok(own.map(|answers| answers.following(&manifest.said_as())))
}

/// The recipe with the answers that hold in a folder: those that are given with it, or those of the preparation in it.
///
/// # Errors
/// When the folder's own are needed and gone.
pub fn with_answers(recipe: &Recipe, folder: Option<(&Path, &Manifest)>) -> Result<Recipe, RunError> {
    match folder {
        Some((out, manifest)) if recipe.answers.is_none() => Ok(recipe.answered(own_answers(out, manifest)?)),
        _ => Ok(recipe.clone()),
    }
}

/// Refuses answers that do not fit a delivery, unless it was prepared with them: files go, and answers stay.
pub(crate) fn check_answers(
    recipe: &Recipe,
    inventory: &Inventory,
    earlier: Option<&Manifest>,
) -> Result<(), RunError> {
    let Some(answers) = &recipe.answers else { return Ok(()) };
    if earlier.is_some_and(|earlier| !are_others(recipe, earlier)) {
        return Ok(());
    }
    let known = earlier.into_iter().flat_map(|earlier| &earlier.stems);
    let known =
        known.flat_map(|stem| [Some(&stem.source.path), stem.said_as.as_ref()]).flatten().map(String::as_str);
    let paths: BTreeSet<&str> = inventory.files.iter().map(|file| file.path.as_str()).chain(known).collect();
    let paths: Vec<&str> = paths.into_iter().collect();
    answers.check(&paths).map_err(|mistakes| RunError::Answers { mistakes: mistakes.in_file(&answers.file) })
}

/// Where the answers of this digest are kept beside the file that people see and edit.
fn answers_copy(out: &Path, sha256: &str) -> Option<PathBuf> {
    memory_of(out).map(|memory| memory.join(format!("answers-{}.toml", sha256.get(..16).unwrap_or(sha256))))
}

/// A copy of the answers lies where nobody edits it: the file that people see may be edited and given again, and a visit that was
/// interrupted may have put another one in its place.
pub(crate) fn keep_answers(disk: &dyn Disk, out: &Path, answers: Option<&Answers>) -> Result<(), StoreError> {
    let Some(answers) = answers else { return Ok(()) };
    match answers_copy(out, &answers.sha256()) {
        Some(path) if !path.exists() => store_text(disk, &path, &answers.text).map(drop),
        _ => Ok(()),
    }
}

/// Copies of answers that the manifest does not name go, and with the last of them the file that people see, where an interrupted
/// visit has put it there: it holds for nothing.
pub(crate) fn forget_answers(disk: &dyn Disk, out: &Path, now: &Manifest) -> Result<(), StoreError> {
    let named = now.answers.as_ref().and_then(|answers| answers_copy(out, &answers.sha256));
    let entries = memory_of(out).and_then(|memory| fs::read_dir(memory).ok());
    let copies = entries.into_iter().flatten().flatten().map(|entry| entry.path());
    let is_copy = |path: &PathBuf| {
        let name = path.file_name().and_then(|name| name.to_str()).unwrap_or_default();
        name.strip_prefix("answers-").is_some_and(|rest| rest.strip_suffix(".toml").is_some())
    };
    let remove = |path: &Path| {
        remove_if_there(disk, path).map_err(|source| StoreError::Disk { path: path.to_owned(), source })
    };
    let seen = out.join(ANSWERS);
    let text = |path: &Path| plain_file::read_text(path, MOST_RECIPE_BYTES).ok();
    for copy in copies.filter(is_copy).filter(|copy| Some(copy) != named.as_ref()) {
        if named.is_none() && text(&seen).is_some_and(|seen| text(&copy) == Some(seen)) {
            remove(&seen)?;
        }
        remove(&copy)?;
    }
    Ok(())
}

/// The answers that a preparation was made with, out of its folder.
pub(crate) fn own_answers(out: &Path, manifest: &Manifest) -> Result<Option<Answers>, RunError> {
    let Some(record) = &manifest.answers else { return Ok(None) };
    let path = out.join(ANSWERS);
    let refused = |why: String| RunError::OwnAnswers { path: path.clone(), why };
    let text = own_text(&path, answers_copy(out, &record.sha256), &record.sha256)
        .map_err(|error| refused(error.to_string()))?;
    let answers = Answers::parse(&text, &path.display().to_string());
    answers.map(Some).map_err(|mistakes| refused(mistakes.to_string()))
}

/// Why the text that a manifest names is not there.
#[derive(Debug, thiserror::Error)]
enum OwnTextError {
    /// The file says something else now.
    #[error("it was edited")]
    Edited,
    /// It cannot be read.
    #[error(transparent)]
    Disk(#[from] std::io::Error),
}

/// The text of this digest: that of the file, or that of a copy, since a visit that was interrupted may have put another one
/// in its place already.
fn own_text(path: &Path, copy: Option<PathBuf>, sha256: &str) -> Result<String, OwnTextError> {
    let is_own = |text: &String| text_digest(text) == sha256;
    let kept = || copy.and_then(|path| plain_file::read_text(&path, MOST_RECIPE_BYTES).ok()).filter(is_own);
    match plain_file::read_text(path, MOST_RECIPE_BYTES) {
        Ok(text) if is_own(&text) => Ok(text),
        Ok(_) => kept().ok_or(OwnTextError::Edited),
        Err(error) => kept().ok_or(OwnTextError::Disk(error)),
    }
}

/// Where the recipe of a preparation is kept while another one takes its place; `None` where nothing is remembered.
pub(crate) fn recipe_before(out: &Path) -> Option<PathBuf> {
    memory_of(out).map(|memory| memory.join("recipe-before.toml"))
}

/// The recipe that a preparation was made by, out of its folder.
pub(crate) fn own_recipe(out: &Path, manifest: &Manifest) -> Result<Recipe, RunError> {
    let path = out.join(RECIPE);
    let refused = |why: String| RunError::OwnRecipe { path: path.clone(), why };
    let text = own_text(&path, recipe_before(out), &manifest.recipe.sha256)
        .map_err(|error| refused(error.to_string()))?;
    Recipe::parse(&text).map_err(|errors| refused(errors.to_string()))
}
