//! Where files have gone since a preparation, by their contents, and by which paths the engineer may speak of them.

use std::collections::{BTreeMap, BTreeSet};

use loadin_record::late::Pin;
use loadin_record::manifest::Manifest;
use loadin_record::survey::Survey;

use super::promise::promise;

/// By the paths of now, those by which answers may speak of the stems of a preparation: where they were said first. A path that
/// a file has now means that file.
pub fn said_paths(manifest: &Manifest, surveys: &[Survey]) -> BTreeMap<String, String> {
    let now = by_path(surveys);
    let moved = moved(manifest, &promise(manifest), &now);
    let before = manifest.said_as();
    let stay = before.iter().filter(|(path, _)| !moved.contains_key(*path));
    let moved = moved.iter().map(|(path, now)| (now, before.get(path).unwrap_or(path)));
    let all = stay.chain(moved).filter(|(_, said)| !now.contains_key(said.as_str()));
    all.map(|(now, said)| (now.clone(), said.clone())).collect()
}

pub(super) fn by_path(surveys: &[Survey]) -> BTreeMap<&str, &Survey> {
    surveys.iter().map(|survey| (survey.path.as_str(), survey)).collect()
}

/// Where files have gone whose path is gone: each to one file of equal content at a path that is new. Those that ever had a
/// label go first. Of several, the one of the same name, else the first.
pub(super) fn moved(
    manifest: &Manifest,
    promise: &Pin,
    now: &BTreeMap<&str, &Survey>,
) -> BTreeMap<String, String> {
    // What the last visit has seen there, which may have another sound than what once was prepared of it.
    let seen: BTreeMap<&str, &str> = manifest
        .stems
        .iter()
        .filter_map(|stem| Some((stem.source.path.as_str(), stem.source.sha256.as_deref()?)))
        .collect();
    let labelled = promise
        .stems
        .iter()
        .map(|(path, stem)| (path.as_str(), seen.get(path.as_str()).copied().unwrap_or(&stem.sha256)))
        .collect();
    let mut moved = BTreeMap::new();
    claim(&labelled, now, &mut moved);
    let others = seen.into_iter().filter(|(path, _)| !labelled.contains_key(path));
    let all: BTreeMap<&str, &str> = others.chain(labelled.clone()).collect();
    claim(&all, now, &mut moved);
    moved
}

/// Gives each of the `known` files, by path and digest, that is not there any more the file that it has become.
fn claim(known: &BTreeMap<&str, &str>, now: &BTreeMap<&str, &Survey>, moved: &mut BTreeMap<String, String>) {
    let taken: BTreeSet<String> = moved.values().cloned().collect();
    let mut free: BTreeMap<&str, Vec<&str>> = BTreeMap::new();
    for (path, survey) in
        now.iter().filter(|(path, _)| !known.contains_key(**path) && !taken.contains(**path))
    {
        free.entry(survey.sha256.as_str()).or_default().push(path);
    }
    // Those of the same name go first, so that nobody else takes their place.
    for by_name in [true, false] {
        for (path, sha256) in known.iter().filter(|(path, _)| !now.contains_key(**path)) {
            let Some(free) = free.get_mut(sha256) else { continue };
            let at = free.iter().position(|now| !by_name || file_name(now) == file_name(path));
            if let Some(at) = at.filter(|_| !moved.contains_key(*path)) {
                moved.insert((*path).to_owned(), free.remove(at).to_owned());
            }
        }
    }
}

fn file_name(path: &str) -> &str {
    path.rsplit('/').next().unwrap_or(path)
}
