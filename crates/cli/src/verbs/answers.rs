//! `loadin answers`: a file of answers to begin with, and what a client's reply proposes.

use std::io::{IsTerminal, Write};
use std::path::Path;
use std::sync::Arc;

use loadin_pipeline::output::folder::outputs_of;
use loadin_pipeline::output::manifest_file::read_manifest;
use loadin_pipeline::run::planned_manifest;
use loadin_record::layout::{ANSWERS, MANIFEST};
use loadin_record::manifest::Manifest;
use loadin_report::{answers_of_reply, answers_to_begin_with};

use crate::args::Answers as Args;
use crate::plain::printable_lines;
use crate::progress::Reporter;
use crate::recipe_file::{load_answers, load_terms, read_text};
use crate::work::study;
use crate::{Exit, Failure};

pub(crate) fn run(args: &Args, progress: &Arc<Reporter>, out: &mut dyn Write) -> Result<Exit, Failure> {
    if args.schema {
        let schema = serde_json::to_string_pretty(&loadin_plan::answers::schema());
        writeln!(out, "{}", schema.map_err(|error| Failure::new(Exit::CannotWrite, error))?)?;
    }
    let Some(of) = &args.of else { return Ok(Exit::Done) };
    let folder = outputs_of(of);
    let prepared = folder.join(MANIFEST).is_file();
    let manifest = if prepared { prepared_manifest(&folder)? } else { studied(of, args, progress)? };
    progress.close();
    let text = match &args.reply {
        Some(reply) if prepared => answers_of_reply(&manifest, &read(reply)?),
        Some(_) => {
            return Err(Failure::bad(
                "--reply is about the note of a prepared delivery; give the folder that holds manifest.json",
            ));
        }
        None => {
            let own = folder.join(ANSWERS);
            let before = match &args.work.answers {
                Some(path) => Some(load_answers(path)?.text),
                None if prepared && own.is_file() => Some(read(&own)?),
                None => None,
            };
            answers_to_begin_with(&manifest, before.as_deref())
        }
    };
    // A file gets every byte; a terminal obeys none of them.
    let text = if std::io::stdout().is_terminal() { printable_lines(&text) } else { text };
    write!(out, "{text}")?;
    Ok(Exit::Done)
}

fn prepared_manifest(folder: &Path) -> Result<Manifest, Failure> {
    read_manifest(folder).map_err(|error| Failure::new(Exit::BadArguments, error))
}

/// What a delivery that is not prepared yet would become.
fn studied(delivery: &Path, args: &Args, progress: &Arc<Reporter>) -> Result<Manifest, Failure> {
    let recipe = load_terms(&args.work, 1)?;
    let study = study(delivery, &args.work, &recipe, None, progress)?;
    Ok(planned_manifest(&recipe, &study))
}

fn read(path: &Path) -> Result<String, Failure> {
    read_text(path).map_err(|error| Failure::bad(format!("cannot read \"{}\": {error}", path.display())))
}
