//! How every prepared stem stands at a later visit, by the contents of the files that are there now.
//!
//! A stem is its path; or, where that path is gone, one file of equal content at another path.

use std::collections::BTreeMap;

use loadin_record::finding::{Finding, Id};
use loadin_record::late::Pin;
use loadin_record::link::Linked;
use loadin_record::manifest::{Manifest, OutputRecord, StemRecord};
use loadin_record::path_below::PathBelow;
use loadin_record::survey::Survey;
use serde::{Deserialize, Serialize};

use super::moved::{by_path, moved};
use super::promise::promise;
use crate::plan::{Plan, StemPlan};
use crate::recipe::Recipe;

/// How a prepared stem stands.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(tag = "is", rename_all = "kebab-case")]
pub enum Standing {
    /// Its sources are what they were: the output stays.
    Kept,
    /// Another file that can be used has its name: the new sound gets the old label.
    Replaced,
    /// It is to be made anew, as somebody has asked.
    Renewed,
    /// Another file has its name and cannot be used, for this reason: the output stays.
    Unusable {
        /// What is wrong with the file, and what to do.
        why: String,
        /// SHA-256 of that file, in hex.
        found: String,
    },
    /// A source is not there any more: the output stays, since a share may be half synced.
    Gone,
    /// The recipe leaves it out now: the output goes to `set-aside`.
    LeftOut,
}

/// A source of a prepared stem: its path then, and its path now.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct PromisedSource {
    /// Where it was.
    pub before: String,
    /// Where it is; `None` for one that is gone.
    pub now: Option<String>,
}

/// A prepared stem at a later visit.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct PromisedStem {
    /// Path of its output inside the output folder.
    pub output: PathBelow,
    /// One source, or left and right.
    pub sources: Vec<PromisedSource>,
    /// How it stands.
    pub standing: Standing,
}

impl PromisedStem {
    /// Whether its output stays as it is.
    pub fn stays(&self) -> bool {
        matches!(self.standing, Standing::Kept | Standing::Unusable { .. } | Standing::Gone)
    }

    /// Whether a source stands at another path now.
    pub fn has_moved(&self) -> bool {
        self.sources.iter().any(|source| source.now.as_ref().is_some_and(|now| *now != source.before))
    }

    /// Whether it is of this source, by the path that the source has now.
    pub fn is_of(&self, path: &str) -> bool {
        self.sources.iter().any(|source| source.now.as_deref() == Some(path))
    }

    /// Whether a source has this path, then or now.
    fn has_source(&self, path: &str) -> bool {
        self.sources.iter().any(|source| source.before == path || source.now.as_deref() == Some(path))
    }
}

/// A later visit to a prepared delivery.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Visit {
    /// Every stem that has an output, by its path.
    pub stems: Vec<PromisedStem>,
    /// Paths of files that no output was made of before.
    pub new: Vec<String>,
    /// Where files have gone, by their paths then.
    pub moved: BTreeMap<String, String>,
}

impl Standing {
    /// That of a stem whose new sources cannot be used.
    pub fn unusable(why: &str, planned: &StemPlan) -> Self {
        let found: Vec<&str> = planned.sources.iter().map(|source| source.sha256.as_str()).collect();
        Self::Unusable { why: why.to_owned(), found: found.join("+") }
    }

    /// The word in tables.
    pub fn as_str(&self) -> &'static str {
        match self {
            Self::Kept => "kept",
            Self::Replaced => "replaced",
            Self::Renewed => "made anew",
            Self::Unusable { .. } => "kept, its new file cannot be used",
            Self::Gone => "kept, its source is gone",
            Self::LeftOut => "left out",
        }
    }
}

impl Visit {
    /// The visit in a sentence, with `added` new outputs: "of 12 prepared stems 10 are kept, 1 is replaced, …".
    pub fn sentence(&self, added: usize) -> String {
        let count = |wanted: fn(&PromisedStem) -> bool| self.stems.iter().filter(|stem| wanted(stem)).count();
        let be = |count: usize| if count == 1 { "is" } else { "are" };
        let all = self.stems.len();
        let stay = count(PromisedStem::stays);
        let stays = if stay == 1 { "stays as it is" } else { "stay as they are" };
        let stems = if all == 1 { "stem" } else { "stems" };
        let mut parts = vec![format!("of {all} prepared {stems} {stay} {stays}")];
        let mut say = |count: usize, text: String| {
            if count > 0 {
                parts.push(format!("{count} {text}"));
            }
        };
        let replaced = count(|stem| stem.standing == Standing::Replaced);
        say(replaced, format!("{} replaced", be(replaced)));
        let renewed = count(|stem| stem.standing == Standing::Renewed);
        say(renewed, format!("{} made anew", be(renewed)));
        let left_out = count(|stem| stem.standing == Standing::LeftOut);
        say(left_out, format!("{} left out", be(left_out)));
        say(count(|stem| stem.standing == Standing::Gone), "of these without a source".to_owned());
        let unusable = count(|stem| matches!(stem.standing, Standing::Unusable { .. }));
        say(unusable, "of these with a new file that cannot be used".to_owned());
        say(added, format!("{} new", be(added)));
        parts.join(", ")
    }

    /// How many outputs a plan makes that were not there before.
    pub fn added(&self, plan: &Plan) -> usize {
        plan.rendered().filter(|stem| self.stem_of(stem.path()).is_none()).count()
    }

    /// Compares what was prepared with what is there. `renew` names stems that shall be made anew; the recipe's answers follow
    /// the files that have moved (`said_paths`).
    pub fn new(manifest: &Manifest, surveys: &[Survey], recipe: &Recipe, renew: &[String]) -> Self {
        let now = by_path(surveys);
        let moved = moved(manifest, &promise(manifest), &now);
        let mut groups: BTreeMap<&PathBelow, Vec<&StemRecord>> = BTreeMap::new();
        for stem in &manifest.stems {
            if let Some(output) = &stem.output {
                groups.entry(&output.path).or_default().push(stem);
            }
        }
        let stems: Vec<PromisedStem> = groups
            .into_iter()
            .map(|(output, group)| stem(output, &group, &now, &moved, recipe, renew))
            .collect();
        let new = surveys.iter().map(|survey| &survey.path);
        let new = new.filter(|path| !stems.iter().any(|stem| stem.is_of(path))).cloned().collect();
        Self { stems, new, moved }
    }

    /// The prepared stem that the file at this path belongs to.
    pub fn stem_of(&self, path: &str) -> Option<&PromisedStem> {
        self.stems.iter().find(|stem| stem.is_of(path))
    }

    /// The prepared stem whose output was made of the file at this path; one that is there now goes before one that is gone.
    pub(super) fn made_of(&self, path: &str) -> Option<&PromisedStem> {
        let gone = |source: &PromisedSource| source.now.is_none() && source.before == path;
        self.stem_of(path).or_else(|| self.stems.iter().find(|stem| stem.sources.iter().any(gone)))
    }

    /// Whether the output of a planned stem stays as it is.
    pub fn keeps(&self, stem: &StemPlan) -> bool {
        stem.sources.iter().any(|source| self.stem_of(&source.path).is_some_and(PromisedStem::stays))
    }

    /// Whether something has changed for certain, before anything is planned.
    pub fn is_changed(&self, manifest: &Manifest) -> bool {
        let unusable = |stem: &PromisedStem| {
            let mut said = manifest.made_into(&stem.output).flat_map(|record| &record.findings);
            said.any(|finding| finding.id == Id::ReplacementUnusable)
        };
        let changed = |stem: &PromisedStem| match stem.standing {
            Standing::LeftOut | Standing::Renewed => true,
            Standing::Replaced => !unusable(stem),
            _ => stem.has_moved(),
        };
        let known = |path: &String| manifest.stems.iter().any(|record| record.source.path == *path);
        self.stems.iter().any(changed) || !self.new.iter().all(known)
    }

    /// Whether every prepared stem stands as the manifest says.
    pub fn is_quiet(&self, manifest: &Manifest) -> bool {
        self.stems.iter().all(|stem| {
            let findings = manifest.made_into(&stem.output).flat_map(|record| &record.findings);
            let said =
                findings.filter(|finding| finding.id.is_of_a_visit() && finding.id != Id::OutputEdited);
            let said: Vec<&Finding> = said.collect();
            let as_before = match &stem.standing {
                Standing::Kept => said.is_empty(),
                Standing::Gone => said.iter().any(|finding| finding.id == Id::SourceGone),
                Standing::Unusable { found, .. } => said.iter().any(|finding| is_about(finding, found)),
                Standing::Replaced | Standing::Renewed | Standing::LeftOut => false,
            };
            as_before && !stem.has_moved()
        })
    }

    /// A replaced stem whose new file the plan cannot use stays as it was.
    pub fn settle(&mut self, plan: &Plan) {
        for stem in &mut self.stems {
            let planned = plan.stems.iter().find(|planned| stem.is_of(planned.path()));
            if stem.standing == Standing::Replaced
                && let Some(planned) = planned
                && let Some(why) = planned.fate.why()
            {
                stem.standing = Standing::unusable(why, planned);
            }
        }
    }

    /// What `manifest` promises, by the paths that the sources have now. `taken` are labels that would be mistaken for
    /// files of somebody's own.
    pub fn pin(&self, manifest: &Manifest, taken: Vec<String>) -> Pin {
        let mut pin = promise(manifest);
        let entry = |(before, now): (&String, &String)| Some((now.clone(), pin.stems.remove(before)?));
        let entries: Vec<_> = self.moved.iter().filter_map(entry).collect();
        pin.stems.extend(entries);
        for gain in &mut pin.link.gains {
            if let Linked::Stem(path) = &mut gain.scope
                && let Some(now) = self.moved.get(path)
            {
                path.clone_from(now);
            }
        }
        pin.taken = taken;
        pin
    }
}

fn stem(
    output: &PathBelow,
    group: &[&StemRecord],
    now: &BTreeMap<&str, &Survey>,
    moved: &BTreeMap<String, String>,
    recipe: &Recipe,
    renew: &[String],
) -> PromisedStem {
    let sources: Vec<PromisedSource> = group
        .iter()
        .map(|record| {
            let before = record.source.path.clone();
            let there = now.contains_key(before.as_str()).then(|| before.clone());
            let now = there.or_else(|| moved.get(&before).cloned());
            PromisedSource { before, now }
        })
        .collect();
    let mut stem = PromisedStem { output: output.clone(), sources, standing: Standing::Kept };
    let first = &stem.sources[0];
    let leaves_out = recipe.leaves_out(first.now.as_ref().unwrap_or(&first.before)).is_some();
    let found: Option<Vec<(&StemRecord, &Survey)>> = group
        .iter()
        .zip(&stem.sources)
        .map(|(record, source)| Some((*record, *now.get(source.now.as_deref()?)?)))
        .collect();
    stem.standing = match found {
        _ if leaves_out => Standing::LeftOut,
        None => Standing::Gone,
        Some(found) => by_content(&found),
    };
    let label = group[0].output.as_ref().and_then(OutputRecord::label);
    let meant = |name: &String| label == Some(name) || stem.has_source(name);
    if stem.standing == Standing::Kept && renew.iter().any(meant) {
        stem.standing = Standing::Renewed;
    }
    stem
}

/// How a stem stands whose files are all there.
fn by_content(found: &[(&StemRecord, &Survey)]) -> Standing {
    let others =
        found.iter().filter(|(record, survey)| record.source.sha256.as_deref() != Some(&survey.sha256));
    let mut standing = Standing::Kept;
    for (_, survey) in others {
        match &survey.measures {
            Err(failure) => {
                return Standing::Unusable { why: failure.text.clone(), found: survey.sha256.clone() };
            }
            Ok(_) => standing = Standing::Replaced,
        }
    }
    standing
}

/// Whether a finding says of this file that it cannot be used.
pub(super) fn is_about(finding: &Finding, sha256: &str) -> bool {
    finding.id == Id::ReplacementUnusable
        && finding.evidence.get("sha256").is_some_and(|found| found == sha256)
}
