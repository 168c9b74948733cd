//! How every prepared stem stands at a later visit, by the contents of the files that are there now.
//!
//! A stem is its path; or, where that path is gone, one file of equal content at another path.

use std::collections::{BTreeMap, BTreeSet};

use loadin_record::late::Pin;
use loadin_record::link::Linked;
use loadin_record::manifest::{Manifest, StemRecord};
use loadin_record::survey::Survey;
use serde::{Deserialize, Serialize};

use super::promise::promise;
use crate::plan::{Plan, StemPlan};
use crate::recipe::Recipe;
use crate::stages::decode;

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
    pub output: String,
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

    /// Whether it is known by this path in the delivery, then or now, or by this label.
    pub fn answers_to(&self, name: &str) -> bool {
        let label =
            self.output.rsplit('/').next().and_then(|file| file.rsplit_once('.')).map(|(label, _)| label);
        let by_path = |source: &PromisedSource| source.before == name || source.now.as_deref() == Some(name);
        label == Some(name) || self.sources.iter().any(by_path)
    }
}

/// A later visit to a prepared delivery.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Visit {
    /// Every stem that has an output, by its path.
    pub stems: Vec<PromisedStem>,
    /// Paths of files that no output was made of before.
    pub new: Vec<String>,
}

impl Standing {
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
        let kinds = [Standing::Replaced, Standing::Renewed, Standing::Gone, Standing::LeftOut];
        let stay = self.stems.iter().filter(|stem| stem.stays()).count();
        let mut parts = vec![format!("of {} prepared stems {stay} stay as they are", self.stems.len())];
        for kind in kinds {
            let count = self.standing(&kind).count();
            if count > 0 {
                parts.push(format!(
                    "{count} {}",
                    if kind == Standing::Gone { "of these without a source" } else { kind.as_str() }
                ));
            }
        }
        let unusable = self.stems.iter().filter(|s| matches!(s.standing, Standing::Unusable { .. })).count();
        if unusable > 0 {
            parts.push(format!("{unusable} of these with a new file that cannot be used"));
        }
        if added > 0 {
            parts.push(format!("{added} new"));
        }
        parts.join(", ")
    }

    /// How many outputs a plan makes that were not there before.
    pub fn added(&self, plan: &Plan) -> usize {
        plan.rendered().filter(|stem| self.stem_of(stem.path()).is_none()).count()
    }

    /// Compares what was prepared with what is there. `renew` names stems that shall be made anew.
    pub fn new(manifest: &Manifest, surveys: &[Survey], recipe: &Recipe, renew: &[String]) -> Self {
        let now: BTreeMap<&str, &Survey> =
            surveys.iter().map(|survey| (survey.path.as_str(), survey)).collect();
        let moved = moved(manifest, &now);
        let mut groups: BTreeMap<&str, Vec<&StemRecord>> = BTreeMap::new();
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
        Self { stems, new }
    }

    /// The prepared stem that the file at this path belongs to.
    pub fn stem_of(&self, path: &str) -> Option<&PromisedStem> {
        self.stems.iter().find(|stem| stem.is_of(path))
    }

    /// Whether the output of a planned stem stays as it is.
    pub fn keeps(&self, stem: &StemPlan) -> bool {
        stem.sources.iter().any(|source| self.stem_of(&source.path).is_some_and(PromisedStem::stays))
    }

    /// The prepared stems that stand like this.
    pub fn standing(&self, standing: &Standing) -> impl Iterator<Item = &PromisedStem> {
        self.stems.iter().filter(move |stem| stem.standing == *standing)
    }

    /// Whether every prepared stem is what it was, where it was; `gone` says of a source whether it was gone before.
    pub fn is_quiet(&self, gone: impl Fn(&str) -> bool) -> bool {
        self.stems.iter().all(|stem| {
            let as_before = match stem.standing {
                Standing::Kept => stem.sources.iter().all(|source| !gone(&source.before)),
                Standing::Gone => stem.sources.iter().any(|source| gone(&source.before)),
                _ => false,
            };
            as_before && !stem.has_moved()
        })
    }

    /// A replaced stem whose new file the plan cannot use stays as it was.
    pub fn settle(&mut self, plan: &Plan) {
        for stem in &mut self.stems {
            let planned = plan.stems.iter().find(|planned| stem.is_of(planned.path()));
            if stem.standing == Standing::Replaced
                && let Some(why) = planned.and_then(|planned| planned.fate.why())
            {
                stem.standing = Standing::Unusable { why: why.to_owned() };
            }
        }
    }

    /// What `manifest` promises, by the paths that the sources have now. `taken` are labels that would be mistaken for
    /// files of somebody's own.
    pub fn pin(&self, manifest: &Manifest, taken: Vec<String>) -> Pin {
        let mut pin = promise(manifest);
        let sources = self.stems.iter().flat_map(|stem| &stem.sources);
        let moved = sources.filter_map(|source| {
            let now = source.now.clone().filter(|now| *now != source.before)?;
            Some((source.before.clone(), now))
        });
        let moved: Vec<(String, String)> = moved.collect();
        let entries: Vec<_> =
            moved.iter().filter_map(|(before, now)| Some((now.clone(), pin.stems.remove(before)?))).collect();
        pin.stems.extend(entries);
        for gain in &mut pin.link.gains {
            if let Linked::Stem(path) = &mut gain.scope
                && let Some((_, now)) = moved.iter().find(|(before, _)| before == path)
            {
                path.clone_from(now);
            }
        }
        pin.taken = taken;
        pin
    }
}

fn stem(
    output: &str,
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
    let mut stem = PromisedStem { output: output.to_owned(), sources, standing: Standing::Kept };
    let first = &stem.sources[0];
    let leaves_out = recipe
        .settings::<decode::Settings>(first.now.as_ref().unwrap_or(&first.before))
        .is_some_and(|settings| settings.leave_out.is_match(first.now.as_ref().unwrap_or(&first.before)));
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
    if stem.standing == Standing::Kept && renew.iter().any(|name| stem.answers_to(name)) {
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
            Err(failure) => return Standing::Unusable { why: failure.text.clone() },
            Ok(_) => standing = Standing::Replaced,
        }
    }
    standing
}

/// Where files have gone whose path is gone: each to one file of equal content at a path that is new. Of several, the one
/// of the same name, else the first.
fn moved(manifest: &Manifest, now: &BTreeMap<&str, &Survey>) -> BTreeMap<String, String> {
    let before: BTreeSet<&str> = manifest.stems.iter().map(|stem| stem.source.path.as_str()).collect();
    let mut free: BTreeMap<&str, Vec<&str>> = BTreeMap::new();
    for (path, survey) in now.iter().filter(|(path, _)| !before.contains(*path)) {
        free.entry(survey.sha256.as_str()).or_default().push(path);
    }
    let gone = manifest.stems.iter().filter(|stem| stem.output.is_some());
    let gone: Vec<&StemRecord> = gone.filter(|stem| !now.contains_key(stem.source.path.as_str())).collect();
    let mut moved = BTreeMap::new();
    // Those of the same name go first, so that nobody else takes their place.
    for by_name in [true, false] {
        for stem in &gone {
            let path = &stem.source.path;
            let Some(free) = stem.source.sha256.as_deref().and_then(|sum| free.get_mut(sum)) else {
                continue;
            };
            let at = free.iter().position(|now| !by_name || file_name(now) == file_name(path));
            if let Some(at) = at.filter(|_| !moved.contains_key(path)) {
                moved.insert(path.clone(), free.remove(at).to_owned());
            }
        }
    }
    moved
}

fn file_name(path: &str) -> &str {
    path.rsplit('/').next().unwrap_or(path)
}
