//! `loadin report`: the papers of prepared deliveries, again.

use std::fs;
use std::io::Write;
use std::path::{Path, PathBuf};

use loadin_pipeline::after::papers::write_again;
use loadin_pipeline::output::folder::outputs_of;
use loadin_storage::folder_disk::FolderDisk;

use crate::args::Report;
use crate::pages::{Line, Page, store_index};
use crate::plain::printable;
use crate::recipe_file::load_answers;
use crate::{Exit, Failure};

pub(crate) fn run(args: &Report, out: &mut dyn Write) -> Result<Exit, Failure> {
    let answers = args.answers.as_deref().map(load_answers).transpose()?;
    if answers.is_some() && (args.outs.len() > 1 || !is_prepared(&args.outs[0])) {
        return Err(Failure::bad("--answers is about one delivery; give the folder of that one alone"));
    }
    for folder in &args.outs {
        let path = if is_prepared(folder) {
            write_again(folder, answers.as_ref(), &FolderDisk::new(folder), &loadin_report::papers)?;
            outputs_of(folder).join("report.html")
        } else {
            batch(folder)?
        };
        writeln!(out, "{}", printable(&path.display().to_string()))?;
    }
    Ok(Exit::Done)
}

fn is_prepared(folder: &Path) -> bool {
    outputs_of(folder).join("manifest.json").is_file()
}

/// The papers of every delivery of a batch, and its index.
fn batch(folder: &Path) -> Result<PathBuf, Failure> {
    let entries = fs::read_dir(folder).into_iter().flatten().flatten().map(|entry| entry.path());
    let mut outs: Vec<PathBuf> = entries.filter(|path| is_prepared(path)).collect();
    outs.sort();
    if outs.is_empty() {
        return Err(Failure::bad(format!(
            "there is no manifest.json in \"{}\" nor in a folder of it; give the folder of a prepared delivery or of a batch",
            folder.display()
        )));
    }
    let mut lines = Vec::new();
    for out in outs {
        let manifest = write_again(&out, None, &FolderDisk::new(&out), &loadin_report::papers)?;
        lines.push(Line { out, page: Page::Of(Box::new(manifest)) });
    }
    store_index(folder, &lines)
}
