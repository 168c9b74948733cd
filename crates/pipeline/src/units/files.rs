//! What units hand to each other beside the journal: the inventory and the plan.

use std::collections::BTreeMap;
use std::fs;
use std::path::Path;

use loadin_plan::music::Music;
use loadin_plan::plan::Plan;
use loadin_plan::recipe::Recipe;
use loadin_plan::visit::Visit;
use loadin_record::digest::{json_text, text_digest};
use loadin_record::evidence::Evidence;
use loadin_record::late::Late;
use loadin_record::survey::{FileFacts, Inventory, Scope, Survey};
use loadin_storage::store::store_text;
use serde::de::DeserializeOwned;
use serde::{Deserialize, Serialize};

use super::UnitError;
use super::shared_disk::SharedDisk;
use crate::journal::RESULTS_VERSION;
use crate::run::{Kept, RunError, Study};

const INVENTORY: &str = "inventory.json";
const PLAN: &str = "plan.json";

/// A listed delivery, and what is to be measured of it.
#[derive(Serialize, Deserialize)]
pub(super) struct InventoryFile {
    /// Version of the program, and of the meaning of its results.
    version: String,
    /// SHA-256 of the recipe and the answers that it was listed for.
    recipe: String,
    pub(super) inventory: Inventory,
    scopes: Vec<Scope>,
}

fn version() -> String {
    format!("{} {RESULTS_VERSION}", env!("CARGO_PKG_VERSION"))
}

impl InventoryFile {
    pub(super) fn new(recipe: &Recipe, inventory: Inventory, scopes: Vec<Scope>) -> Self {
        Self { version: version(), recipe: recipe.with_answers_sha256(), inventory, scopes }
    }

    pub(super) fn store(&self, memory: &Path) -> Result<(), UnitError> {
        store(memory, INVENTORY, self)
    }

    pub(super) fn read(memory: &Path, recipe: &Recipe) -> Result<Self, UnitError> {
        let listed: Self = read(memory, INVENTORY, "the inventory (`loadin unit scan`)")?;
        if listed.version == version() && listed.recipe == recipe.with_answers_sha256() {
            Ok(listed)
        } else {
            Err(UnitError::OtherRecipe { path: memory.join(INVENTORY) })
        }
    }

    /// The listed files, with what is to be measured of each.
    pub(super) fn stems(&self) -> impl Iterator<Item = (&FileFacts, &Scope)> {
        self.inventory.files.iter().zip(&self.scopes)
    }

    /// One digest for all that a plan rests on.
    pub(super) fn rests_on(&self, surveys: &[Survey], music: &Music) -> String {
        let sources: Vec<(&str, &str, bool)> = surveys
            .iter()
            .map(|survey| (survey.path.as_str(), survey.sha256.as_str(), survey.measures.is_ok()))
            .collect();
        text_digest(&json_text(&(self, sources, music.facts())))
    }
}

/// A plan, with what its renders and the seal need of the surveys.
#[derive(Serialize, Deserialize)]
pub(super) struct PlanFile {
    pub(super) rests_on: String,
    pub(super) plan: Plan,
    /// Its name in the file is that of earlier versions.
    #[serde(rename = "heard")]
    pub(super) evidence: Evidence,
    pub(super) late: Option<Late>,
    /// Digest of the manifest that the plan is bound by.
    pub(super) bound_to: Option<String>,
    pub(super) visit: Option<Visit>,
    pub(super) kept: Kept,
    /// Digests of the samples of the surveyed sources, by path.
    #[serde(rename = "contents")]
    pub(super) sample_digests: BTreeMap<String, String>,
}

impl PlanFile {
    pub(super) fn of(rests_on: String, bound_to: Option<String>, study: Study, kept: Kept) -> Self {
        Self {
            rests_on,
            bound_to,
            kept,
            sample_digests: study.sample_digests(),
            plan: study.plan,
            evidence: study.evidence,
            late: study.late,
            visit: study.visit,
        }
    }

    pub(super) fn store(&self, memory: &Path) -> Result<(), UnitError> {
        store(memory, PLAN, self)
    }

    pub(super) fn read(memory: &Path) -> Result<Self, UnitError> {
        read(memory, PLAN, "the plan (`loadin unit plan`)")
    }
}

fn store(memory: &Path, name: &str, value: &impl Serialize) -> Result<(), UnitError> {
    let path = memory.join(name);
    let mut disk = SharedDisk::new(memory.parent().unwrap_or(memory));
    disk.may_replace(path.clone());
    store_text(&disk, &path, &json_text(value)).map(drop).map_err(|error| RunError::from(error).into())
}

fn read<T: DeserializeOwned>(memory: &Path, name: &str, what: &str) -> Result<T, UnitError> {
    let path = memory.join(name);
    let text = fs::read_to_string(&path).map_err(|source| {
        if source.kind() == std::io::ErrorKind::NotFound {
            UnitError::NotYet { what: what.to_owned() }
        } else {
            UnitError::Io { path: path.clone(), source }
        }
    })?;
    serde_json::from_str(&text).map_err(|_| UnitError::OtherRecipe { path })
}
