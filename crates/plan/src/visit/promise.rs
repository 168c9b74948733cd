//! What a manifest promises to every later visit. It knows no file that is there now.

use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;

use loadin_record::late::{Pin, PinnedStem};
use loadin_record::layout::AUDIO;
use loadin_record::manifest::{Manifest, StemRecord};
use loadin_record::role::StemRole;

/// What a manifest promises: all that its outputs are, and every label that was ever given, also to stems that have no
/// output any more.
pub fn promise(manifest: &Manifest) -> Pin {
    let before = manifest.late.as_ref().map(|late| &late.pin);
    let stamp = manifest.link.timestamp_frames.map(|frames| frames as i64);
    let outputs = manifest.stems.iter().filter_map(|stem| Some((stem, pinned(stem, stamp)?)));
    let mut stems: BTreeMap<String, PinnedStem> =
        outputs.map(|(stem, pinned)| (stem.source.path.clone(), pinned)).collect();
    let given: BTreeSet<(String, String)> = stems.values().filter_map(name).collect();
    for (path, stem) in before.into_iter().flat_map(|pin| &pin.stems) {
        if !name(stem).is_some_and(|name| given.contains(&name)) {
            stems.entry(path.clone()).or_insert_with(|| stem.clone());
        }
    }
    Pin {
        link: manifest.link.clone(),
        origin_frames: before.map_or_else(|| origin(&stems), |pin| pin.origin_frames.or(origin(&pin.stems))),
        facts: before
            .map(|pin| &pin.facts)
            .filter(|facts| !facts.is_empty())
            .unwrap_or(&manifest.facts)
            .clone(),
        taken: Vec::new(),
        stems,
    }
}

fn name(stem: &PinnedStem) -> Option<(String, String)> {
    stem.name().map(|(folder, label)| (folder.to_owned(), label.to_owned()))
}

/// What is promised of a stem that has an output; `stamp` is that of the common start.
fn pinned(stem: &StemRecord, stamp: Option<i64>) -> Option<PinnedStem> {
    let path: &Path = stem.output.as_ref()?.path.as_ref();
    let folder = path.parent().and_then(|folder| folder.strip_prefix(AUDIO).ok()?.to_str());
    let shift = stem.time_map.as_ref()?.shift_frames;
    Some(PinnedStem {
        sha256: stem.source.sha256.clone()?,
        label: path.file_stem().and_then(|label| label.to_str()).map(str::to_owned),
        folder: folder.unwrap_or_default().to_owned(),
        start_frames: stamp.map(|stamp| stamp - shift),
        role: Some(stem.role),
        group: stem.group.clone(),
        renewed: false,
        renamed: false,
    })
}

/// Stems without a stamp start with the first of the others; references have no say.
fn origin(stems: &BTreeMap<String, PinnedStem>) -> Option<i64> {
    let say = stems.values().filter(|stem| stem.role != Some(StemRole::Reference));
    say.filter_map(|stem| stem.start_frames).min()
}
