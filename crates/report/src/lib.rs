//! Manifest to papers for people. Pure: a manifest and the measurements behind it go in, texts come out.
//!
//! *Invariant:* no clock, host, path of the machine or setting of the reader is in a paper: the same manifest and
//! measurements give the same bytes.

mod index;
mod late_files;
mod note;
mod page;
mod picture;
mod text;
mod timeline;
mod together;
mod track_sheet;
mod wave;
mod words;

pub use index::{Entry, index};
pub use page::GENERATOR;

use loadin_pipeline::facts::Survey;
use loadin_pipeline::manifest::Manifest;
use page::Act;

/// All papers of a prepared delivery: file name and text of each. The surveys give the waveforms; where they are
/// missing, or are those of other files, the page says so.
pub fn papers(manifest: &Manifest, surveys: &[Survey]) -> Vec<(String, String)> {
    let mut papers = vec![
        ("track-sheet.csv".to_owned(), track_sheet::track_sheet(manifest)),
        ("report.html".to_owned(), page::page(manifest, surveys, Act::Prepared)),
    ];
    papers.extend(client_note(manifest));
    papers
        .extend(manifest.late.iter().map(|late| ("late-files.md".to_owned(), late_files::late_files(late))));
    papers
}

/// The papers of a delivery that was only looked at; the manifest says what would be done.
pub fn audit_papers(manifest: &Manifest, surveys: &[Survey]) -> Vec<(String, String)> {
    let mut papers = vec![("report.html".to_owned(), page::page(manifest, surveys, Act::Audit))];
    papers.extend(client_note(manifest));
    papers
}

/// The note to the client, where something is asked.
fn client_note(manifest: &Manifest) -> Option<(String, String)> {
    note::note(manifest).map(|text| ("client-note.md".to_owned(), text))
}
