//! The foot of the page: the delivery as a whole, what came late, files that are no stems, and how the page came about.

use std::fmt::Write;

use loadin_record::late::LateFile;
use loadin_record::manifest::Manifest;
use loadin_record::survey::Ignored;
use loadin_session::is_read;

use super::rows::{answer, sign};
use super::sheet::Sheet;
use crate::text::{file, html};

/// What follows the stems.
pub(super) fn foot(sheet: &Sheet<'_>) -> String {
    let manifest = sheet.manifest;
    let mut text = String::new();
    if !manifest.findings.is_empty() {
        let list: String = manifest
            .findings
            .iter()
            .map(|f| {
                let (id, text) = (f.id.as_str(), html(&f.text));
                format!("<li>{} <b>{id}</b> {text}{}</li>", sign(f.severity), answer(f))
            })
            .collect();
        let _ = writeln!(
            text,
            "<section aria-labelledby=delivery-title><h2 id=delivery-title>The delivery as a whole</h2><ul class=findings>{list}</ul></section>"
        );
    }
    if let Some(late) = &manifest.late {
        let item = |late: &LateFile| {
            let what = late.what.as_str();
            format!(
                "<li><span class=file>{}</span> <b>{what}</b> {}</li>",
                file(&late.path),
                html(&late.text)
            )
        };
        let list: String = late.files.iter().map(item).collect();
        let _ = writeln!(
            text,
            "<section aria-labelledby=late-title><h2 id=late-title>Late files <small>in late-files.md</small></h2>\
             <ul class=ignored>{list}</ul></section>"
        );
    }
    text += &no_stems(manifest);
    let _ = write!(
        text,
        "<section class=about aria-labelledby=about-title><h2 id=about-title>How to read this page</h2>\n{}\
         <p>Recipe {} revision {} (SHA-256 {}…), {} {}, manifest {}….</p></section>\n</main>\n",
        ABOUT,
        html(&manifest.recipe.name),
        manifest.recipe.revision,
        html(manifest.recipe.sha256.get(..12).unwrap_or_default()),
        html(&manifest.tool.name),
        html(&manifest.tool.version),
        html(manifest.digest.get(..12).unwrap_or_default()),
    );
    text
}

/// The files beside the stems.
fn no_stems(manifest: &Manifest) -> String {
    if manifest.ignored.is_empty() {
        return String::new();
    }
    let item = |ignored: &Ignored| {
        let read = if is_read(&ignored.path) { "read: " } else { "" };
        format!("<li><span class=file>{}</span> {read}{}</li>", file(&ignored.path), html(&ignored.why))
    };
    let list: String = manifest.ignored.iter().map(item).collect();
    format!(
        "<section aria-labelledby=ignored-title><h2 id=ignored-title>Files that are no stems</h2><ul class=ignored>{list}</ul></section>\n"
    )
}

const ABOUT: &str = "<p>In the overview the height of a row is its amplitude, against the loudest sample of all: a stem 20 dB below is a \
     tenth as high. A hairline says where it sounds at all, above −90 dBFS. It shows what was prepared; a stem that was not is grey.</p>\n\
     <p>All waveforms stand on one time axis, whose zero is the first frame of the prepared files: what \
     was cut from the head lies left of zero. Both waveforms of a stem have one scale; “drawn ×8” means eight times \
     magnified. The lower one is the envelope that was measured, with the decided gain, offset and cut; its levels are \
     those that were measured on the written file, save the true peak and the loudness, which follow from the decisions.</p>\n\
     <p>A dotted middle line is silence below −90 dBFS. A bar along the edges is where the sound reaches the level of a \
     clipping finding. A hatched stretch is missing from the file, or cut off. A dashed line is a steady offset. The small numbers \
     are those of the findings below the picture. Two halves in one picture are left above and right below. “All stems together” adds \
     up powers, as of stems that have nothing to do with each other: related ones can be louder or cancel.</p>\n\
     <p>The track sheet is UTF-8 and begins with a byte order mark, so that spreadsheet programs show umlauts; a cell that they \
     would take for a formula begins with an apostrophe.</p>\n";
