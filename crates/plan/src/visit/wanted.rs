//! What another recipe would change of a prepared delivery: the same stems planned by both recipes, and compared.
//!
//! Both plans are free of the promise, which would hide that another target was asked for.

use std::collections::BTreeSet;

use loadin_record::manifest::Manifest;
use loadin_record::path_below::PathBelow;
use serde_json::Value;

use super::standing::{PromisedSource, PromisedStem, Visit};
use crate::music::Music;
use crate::plan::{Plan, StemPlan};
use crate::planning::{Given, plan, starts};
use crate::recipe::Recipe;
use crate::shape::Fate;
use crate::stages::Decision;

/// What would change of one prepared stem.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct WouldChange {
    /// Path of its output inside the output folder.
    pub output: PathBelow,
    /// Paths of its sources inside the delivery.
    pub sources: Vec<String>,
    /// What it is and what it would be, one text a stage.
    pub texts: Vec<String>,
}

/// The prepared stems that `recipe` would bring to another rate: what can be said before anything is measured.
pub fn other_rates(manifest: &Manifest, recipe: &Recipe) -> Vec<WouldChange> {
    let rows = manifest.stems.iter().filter_map(|stem| {
        let (output, map) = (stem.output.as_ref()?, stem.time_map.as_ref()?);
        let rate_hz = recipe.target_hz(&stem.source.path, map.source_hz, manifest.link.majority_hz);
        let text = format!("rate {} → {rate_hz} Hz", output.rate_hz);
        (rate_hz != output.rate_hz).then(|| WouldChange {
            output: output.path.clone(),
            sources: vec![stem.source.path.clone()],
            texts: vec![text],
        })
    });
    rows.collect()
}

/// The prepared stems that the recipe of `given` would make otherwise than `old`, which they were made by. Those that it
/// leaves out, and those that are to be made anew, are not among them.
///
/// The surveys of `given` are those of the files that the outputs stand for: of a source that is gone, or that a file has
/// replaced which cannot be used, the survey that was made then. Without one nobody can tell, and that is said of the stem.
pub fn would_change(visit: &Visit, old: &Recipe, given: &Given<'_>, music: &Music) -> Vec<WouldChange> {
    if asks_the_same(old, given.recipe) {
        return Vec::new();
    }
    let kept = |path: &str| visit.made_of(path).is_some_and(PromisedStem::stays);
    let surveys: Vec<_> = given.surveys.iter().filter(|survey| kept(&survey.path)).cloned().collect();
    let by = |recipe: &Recipe| -> Plan {
        let starts = starts(recipe, &surveys, None);
        let free = Given { recipe, surveys: &surveys, starts: &starts, pin: None, ..*given };
        plan(&free, music.clone()).plan
    };
    let (before, after) = (by(old), by(given.recipe));
    let changed = before.rendered().filter_map(|stem| {
        let other = after.stems.iter().find(|other| other.path() == stem.path())?;
        let texts = differences(stem, other);
        let output = visit.made_of(stem.path())?.output.clone();
        let sources = stem.sources.iter().map(|source| source.path.clone()).collect();
        (!texts.is_empty()).then_some(WouldChange { output, sources, texts })
    });
    let known: BTreeSet<&str> = surveys.iter().map(|survey| survey.path.as_str()).collect();
    let mut rows: Vec<WouldChange> = changed.chain(untold(visit, &known)).collect();
    rows.sort_by(|a, b| a.output.cmp(&b.output));
    rows
}

/// The stems that stay and of which a source is neither there nor on record.
fn untold<'a>(visit: &'a Visit, known: &'a BTreeSet<&str>) -> impl Iterator<Item = WouldChange> + 'a {
    let is_known =
        |source: &PromisedSource| known.contains(source.now.as_ref().unwrap_or(&source.before).as_str());
    let is_untold = move |stem: &&PromisedStem| stem.stays() && !stem.sources.iter().all(is_known);
    visit.stems.iter().filter(is_untold).map(|stem| WouldChange {
        output: stem.output.clone(),
        sources: stem.sources.iter().map(|source| source.before.clone()).collect(),
        texts: vec![
            "nobody can tell: its source cannot be read now, and no survey of it is on record".to_owned(),
        ],
    })
}

/// Whether two recipes differ in nothing but name, revision, comments and the look of the text.
fn asks_the_same(old: &Recipe, new: &Recipe) -> bool {
    let asked = |recipe: &Recipe| {
        let mut table: toml::Table = recipe.text.parse().ok()?;
        table.retain(|key, _| !matches!(key, "name" | "revision"));
        Some(table)
    };
    asked(old).is_some_and(|old| asked(new) == Some(old))
}

/// What one plan does to a stem and another does not, a text a stage.
fn differences(stem: &StemPlan, other: &StemPlan) -> Vec<String> {
    if let Fate::SetAside { why } | Fate::Fail { why } = &other.fate {
        return vec![format!("it would have no output: {why}")];
    }
    let of_stage = |plan: &StemPlan, stage: &str| -> (Value, String) {
        let decision =
            plan.decisions.iter().find(|decision| decision.stage() == stage && decision.left().is_none());
        let text = decision.and_then(|decision| decision.change(plan.shape(), &plan.expected()));
        let text = text.map_or_else(|| "as it is".to_owned(), |change| change.to_string());
        (decision.map_or(Value::Null, without_reasons), text)
    };
    let mut stages: Vec<&str> = stem.decisions.iter().chain(&other.decisions).map(Decision::stage).collect();
    stages.sort_unstable();
    stages.dedup();
    let mut texts: Vec<String> = Vec::new();
    if stem.output.name() != other.output.name() {
        texts.push(format!("name {} → {}", stem.output.name(), other.output.name()));
    }
    for stage in stages.into_iter().filter(|stage| *stage != "label") {
        let ((one, was), (two, is)) = (of_stage(stem, stage), of_stage(other, stage));
        if one != two {
            texts.push(if was == is {
                format!("{stage}: in detail")
            } else {
                format!("{stage}: {was}, it would be {is}")
            });
        }
    }
    texts
}

/// A decision as data, without the sentences that say why.
fn without_reasons(decision: &Decision) -> Value {
    let mut value = serde_json::to_value(decision).unwrap_or(Value::Null);
    if let Some(object) = value.as_object_mut() {
        for key in ["why", "stripped", "from"] {
            object.remove(key);
        }
    }
    value
}
