//! Manifest to papers for people. Pure: a manifest goes in, texts come out.

mod track_sheet;

use loadin_pipeline::manifest::Manifest;

/// All papers of a prepared delivery: file name and text of each.
pub fn papers(manifest: &Manifest) -> Vec<(String, String)> {
    vec![("track-sheet.csv".to_owned(), track_sheet::track_sheet(manifest))]
}
