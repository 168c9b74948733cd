//! Manifest to papers for people. Pure: a manifest goes in, texts come out.

mod late_files;
mod track_sheet;

use loadin_pipeline::manifest::Manifest;

/// All papers of a prepared delivery: file name and text of each.
pub fn papers(manifest: &Manifest) -> Vec<(String, String)> {
    let mut papers = vec![("track-sheet.csv".to_owned(), track_sheet::track_sheet(manifest))];
    papers
        .extend(manifest.late.iter().map(|late| ("late-files.md".to_owned(), late_files::late_files(late))));
    papers
}
