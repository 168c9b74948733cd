//! The pages of several deliveries: each in its folder, and one index above them. Knows nothing of what a page looks
//! like.

use std::path::{Path, PathBuf};

use loadin_pipeline::after::papers::{PapersError, write_audit};
use loadin_pipeline::output::folder::outputs_of;
use loadin_pipeline::output::manifest_file::read_manifest;
use loadin_pipeline::source::scan;
use loadin_record::layout::MOST_PAPER_BYTES;
use loadin_record::manifest::Manifest;
use loadin_record::summary::{Ended, Summary};
use loadin_record::survey::Survey;
use loadin_report::{Entry, index};
use loadin_storage::disk::RealDisk;
use loadin_storage::plain_file;
use loadin_storage::store::store_text;

use crate::args::Audit;
use crate::folders::refuse_shared_folders;
use crate::{Exit, Failure};

/// A delivery of a batch in its index.
pub(crate) struct Line {
    /// Its folder.
    pub(crate) out: PathBuf,
    pub(crate) page: Page,
}

/// Whether a delivery has a page.
pub(crate) enum Page {
    /// It has, by this record.
    Of(Box<Manifest>),
    /// It has none.
    Missing {
        /// Why, in words for the index.
        why: String,
    },
}

impl Line {
    /// The folder of its page as seen from that of the batch; in a bag the page is part of the payload.
    fn folder(&self) -> String {
        let above = self.out.parent().unwrap_or(Path::new(""));
        let page = outputs_of(&self.out);
        let parts = page.strip_prefix(above).unwrap_or(&page).components();
        parts.map(|part| part.as_os_str().to_string_lossy()).collect::<Vec<_>>().join("/")
    }
}

/// Writes the index of a batch into its folder; its path. An `index.html` that is not ours is refused.
pub(crate) fn store_index(folder: &Path, lines: &[Line]) -> Result<PathBuf, Failure> {
    let path = folder.join("index.html");
    let there = plain_file::read_text(&path, MOST_PAPER_BYTES);
    if there.is_ok_and(|text| !text.contains(loadin_report::GENERATOR)) {
        return Err(Failure::new(
            Exit::CannotWrite,
            anyhow::Error::msg(format!(
                "\"{}\" was not written by this program and would be replaced; move it away or choose another folder",
                path.display()
            )),
        ));
    }
    let folders: Vec<String> = lines.iter().map(Line::folder).collect();
    let entries: Vec<Entry<'_>> = lines
        .iter()
        .zip(&folders)
        .map(|(line, folder)| match &line.page {
            Page::Of(manifest) => Entry::Page { folder, manifest },
            Page::Missing { why } => Entry::Lost { name: folder, error: why },
        })
        .collect();
    store_text(&RealDisk, &path, &index(&entries)).map_err(|error| Failure::new(Exit::CannotWrite, error))?;
    Ok(path)
}

/// Writes the index of what `prep` has done; its path.
pub(crate) fn store_batch_index(summary: &Summary, folder: &Path) -> Result<PathBuf, Failure> {
    let lines: Vec<Line> = summary
        .deliveries
        .iter()
        .map(|entry| {
            let out = PathBuf::from(&entry.out);
            let page = if entry.ended == Ended::Finished {
                match read_manifest(&outputs_of(&out)) {
                    Ok(manifest) => Page::Of(Box::new(manifest)),
                    Err(error) => Page::Missing { why: error.to_string() },
                }
            } else {
                let why = entry.error.clone().unwrap_or_else(|| entry.ended.as_str().to_owned());
                Page::Missing { why }
            };
            Line { out, page }
        })
        .collect();
    store_index(folder, &lines)
}

/// Where an audit writes its pages.
pub(crate) struct AuditPlaces {
    out: PathBuf,
    several: bool,
    lines: Vec<Line>,
}

/// The places of an audit with `--out`; two deliveries of one name would share a folder and are refused.
pub(crate) fn audit_places(args: &Audit) -> Result<Option<AuditPlaces>, Failure> {
    let Some(out) = &args.out else { return Ok(None) };
    let several = args.deliveries.len() > 1;
    refuse_shared_folders(&args.deliveries, out)?;
    Ok(Some(AuditPlaces { out: out.clone(), several, lines: Vec::new() }))
}

impl AuditPlaces {
    /// Writes the page of one delivery.
    pub(crate) fn write(
        &mut self,
        delivery: &Path,
        outlook: Manifest,
        surveys: &[Survey],
    ) -> Result<(), Failure> {
        let out = if self.several { self.out.join(scan::name_of(delivery)) } else { self.out.clone() };
        write_audit(delivery, &out, &outlook, surveys, &RealDisk, &loadin_report::audit_papers)?;
        self.lines.push(Line { out, page: Page::Of(Box::new(outlook)) });
        Ok(())
    }

    /// Ends with the page that a person opens first; its path.
    pub(crate) fn finish(self) -> Result<PathBuf, Failure> {
        if self.several { store_index(&self.out, &self.lines) } else { Ok(self.out.join("report.html")) }
    }
}

impl From<PapersError> for Failure {
    fn from(error: PapersError) -> Self {
        match error {
            PapersError::Run(error) => error.into(),
            PapersError::Out(error) => loadin_pipeline::run::RunError::Out(error).into(),
            PapersError::Withdrawn(_)
            | PapersError::NotPrepared(_)
            | PapersError::Interrupted { .. }
            | PapersError::Prepared { .. } => Self::new(Exit::BadArguments, error),
            _ => Self::new(Exit::CannotWrite, error),
        }
    }
}
