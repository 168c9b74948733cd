//! `loadin verify`: every file and every promise of a manifest.

use std::io::Write;
use std::path::Path;
use std::sync::Arc;

use loadin_pipeline::after::replay::{ReplayError, replay};
use loadin_pipeline::after::verify;
use loadin_pipeline::output::difference::Verified;
use loadin_pipeline::work::event::Event;

use crate::args::Verify;
use crate::plain::{count, printable};
use crate::progress::Reporter;
use crate::work::{context, on_threads};
use crate::{Exit, Failure};

pub(crate) fn run(args: &Verify, progress: &Arc<Reporter>, out: &mut dyn Write) -> Result<Exit, Failure> {
    if args.delivery.is_some() && args.outs.len() > 1 {
        return Err(Failure::bad("--delivery is the source of one OUT; verify several one by one"));
    }
    let mut exit = Exit::Done;
    for folder in &args.outs {
        exit = exit.max(one(args, folder, progress, out)?);
    }
    Ok(exit)
}

fn one(args: &Verify, folder: &Path, progress: &Arc<Reporter>, out: &mut dyn Write) -> Result<Exit, Failure> {
    let verified = on_threads(&args.threads, || look(args, folder, progress))??;
    progress.close();
    // Among several, a name alone would not say whose it is.
    let of = if args.outs.len() > 1 { format!("{}: ", folder.display()) } else { String::new() };
    for difference in &verified.differences {
        let text = format!("{of}{}: {}", difference.path, difference.text);
        writeln!(out, "{}", printable(&text))?;
    }
    let sources = if verified.sources > 0 {
        format!(" and {}", count(verified.sources, "source", "sources"))
    } else {
        String::new()
    };
    let replayed = if verified.replayed > 0 {
        format!(", {} made again", count(verified.replayed, "output", "outputs"))
    } else {
        String::new()
    };
    let others = match verified.other_versions {
        0 => String::new(),
        n => format!(", {n} made by another version and not compared"),
    };
    let found = match verified.differences.len() {
        0 => "all as the manifest says".to_owned(),
        n => count(n, "difference", "differences"),
    };
    writeln!(
        out,
        "{}{}{sources} read{replayed}{others}: {found}",
        printable(&of),
        count(verified.outputs, "output", "outputs")
    )?;
    Ok(if verified.differences.is_empty() { Exit::Done } else { Exit::Differs })
}

fn look(args: &Verify, folder: &Path, progress: &Arc<Reporter>) -> Result<Verified, Failure> {
    let listener = |event: Event<'_>| progress.show(&event);
    // Whoever makes everything again reads the sources anyway.
    let delivery = args.delivery.as_deref();
    let mut verified = verify::verify(folder, delivery.filter(|_| !args.replay), &listener)
        .map_err(|text| Failure::bad(format!("{text}; give the folder that holds manifest.json")))?;
    if let Some(delivery) = delivery.filter(|_| args.replay) {
        replay(folder, delivery, &context(progress), &mut verified).map_err(|error| match error {
            ReplayError::Run(error) => Failure::from(error),
            error => Failure::new(Exit::BadArguments, error),
        })?;
    }
    Ok(verified)
}
