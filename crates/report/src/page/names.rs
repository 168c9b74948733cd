//! What a stem is called on the page: its label; without one, its file's name less what most names begin with.

use loadin_record::manifest::{Manifest, StemRecord};

use crate::words;

/// The name that leads, as text.
pub(super) fn name(stem: &StemRecord, manifest: &Manifest) -> String {
    if stem.output.is_some() {
        return words::label(stem).to_owned();
    }
    let path = stem.source.path.as_str();
    let others = || manifest.stems.iter().map(|stem| stem.source.path.as_str());
    let is_usual =
        |begins: &str| others().filter(|other| other.starts_with(begins)).count() * 2 > others().count();
    let ends = path
        .char_indices()
        .filter(|(_, c)| matches!(c, '_' | '-' | ' ' | '/'))
        .map(|(at, c)| at + c.len_utf8());
    let shared = ends.rev().find(|end| *end < path.len() && is_usual(&path[..*end]));
    // One file has nothing in common with itself.
    match shared.filter(|_| manifest.stems.len() > 2) {
        Some(end) => format!("…{}", &path[end..]),
        None => path.to_owned(),
    }
}

#[cfg(test)]
mod tests {
    use serde_json::json;

    use super::*;

    fn stems(paths: &[&str]) -> Vec<StemRecord> {
        let stem = |path: &&str| {
            let text = json!({
                "source": { "path": path, "bytes": 1 }, "role": "stem", "group": "drums", "state": "failed",
                "changes": [], "left": {}, "metadata": [], "findings": [],
            });
            serde_json::from_value(text).unwrap()
        };
        paths.iter().map(stem).collect()
    }

    fn names(paths: &[&str]) -> Vec<String> {
        let text = json!({
            "manifest": 1, "tool": { "name": "loadin", "version": "0" }, "recipe": { "name": "r", "revision": 1, "sha256": "" },
            "delivery": { "name": "d", "files": 1 }, "facts": {}, "link": loadin_record::link::Link::default(),
            "stems": stems(paths), "findings": [], "ignored": [], "late": null, "digest": "",
            "run": loadin_record::manifest::Run::default(),
        });
        let manifest = Manifest::from_json(&text.to_string()).unwrap();
        manifest.stems.iter().map(|stem| name(stem, &manifest)).collect()
    }

    #[test]
    fn what_most_names_begin_with_does_not_hide_the_rest() {
        let found =
            names(&["Song_120_Kick.wav", "Song_120_Snare Top.wav", "Song_120_Hat.wav", "riser (late).wav"]);
        assert_eq!(found, ["…Kick.wav", "…Snare Top.wav", "…Hat.wav", "riser (late).wav"]);
        assert_eq!(names(&["Song_a.wav", "Song_b.wav"]), ["Song_a.wav", "Song_b.wav"]);
    }
}
