//! Manifest to papers for people. Pure: a manifest and the measurements behind it go in, files come out.
//!
//! *Invariant:* no clock, host, path of the machine or setting of the reader is in a paper: the same manifest and
//! measurements give the same bytes.

mod answers;
pub mod closing;
pub mod common;
mod index;
mod late_files;
mod note;
pub mod open;
mod page;
mod picture;
mod session;
mod session_file;
mod session_mid;
mod text;
mod timeline;
mod together;
#[cfg(test)]
mod traced;
mod track_sheet;
mod wave;
mod words;

pub use answers::{answers_of_reply, answers_to_begin_with};
pub use index::{Entry, index};
pub use page::GENERATOR;

use loadin_record::manifest::Manifest;
use loadin_record::session::SessionFile;
use loadin_record::survey::Survey;
use page::Act;

/// All papers of a prepared delivery: file name and bytes of each. The surveys give the waveforms; where they are
/// missing, or are those of other files, the page says so.
pub fn papers(manifest: &Manifest, surveys: &[Survey]) -> Vec<(String, Vec<u8>)> {
    let late = manifest.late.as_ref();
    let texts = [
        ("track-sheet.csv", Some(track_sheet::track_sheet(manifest))),
        ("report.html", Some(page::page(manifest, surveys, Act::Prepared))),
        ("client-note.md", note::note(manifest, !open::decisions(manifest).is_empty())),
        ("late-files.md", late.map(late_files::late_files)),
    ];
    let mut papers = written(texts);
    if let Some(session) = session::session(manifest) {
        papers.extend(session_mid::session_mid(&session).map(|bytes| ("session.mid".to_owned(), bytes)));
        let name = manifest.session_file.as_ref().and_then(SessionFile::written);
        papers.extend(name.map(|name| (name.to_owned(), session_file::session_file(&session))));
    }
    papers
}

/// The papers of a delivery that was only looked at; the manifest says what would be done.
pub fn audit_papers(manifest: &Manifest, surveys: &[Survey]) -> Vec<(String, Vec<u8>)> {
    written([
        ("report.html", Some(page::page(manifest, surveys, Act::Audit))),
        ("client-note.md", note::note(manifest, !open::decisions(manifest).is_empty())),
    ])
}

/// The texts that there are, as files.
fn written<const N: usize>(texts: [(&str, Option<String>); N]) -> Vec<(String, Vec<u8>)> {
    texts.into_iter().filter_map(|(name, text)| Some((name.to_owned(), text?.into_bytes()))).collect()
}
