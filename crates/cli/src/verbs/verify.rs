//! `loadin verify`: every file and every promise of a manifest.

use std::io::Write;
use std::path::Path;

use loadin_pipeline::verify;

use crate::args::Verify;
use crate::progress::Reporter;
use crate::table::printable;
use crate::{Exit, Failure};

pub(crate) fn run(args: &Verify, progress: &Reporter, out: &mut dyn Write) -> Result<Exit, Failure> {
    if args.delivery.is_some() && args.outs.len() > 1 {
        return Err(Failure::bad("--delivery is the source of one OUT; verify several one by one"));
    }
    let mut exit = Exit::Done;
    for folder in &args.outs {
        exit = exit.max(one(args, folder, progress, out)?);
    }
    Ok(exit)
}

fn one(args: &Verify, folder: &Path, progress: &Reporter, out: &mut dyn Write) -> Result<Exit, Failure> {
    let verified = verify::verify(folder, args.delivery.as_deref(), &|event| progress.show(&event))
        .map_err(|text| Failure::bad(format!("{text}; give the folder that holds manifest.json")))?;
    progress.close();
    // Among several, a name alone would not say whose it is.
    let of = if args.outs.len() > 1 { format!("{}: ", folder.display()) } else { String::new() };
    for difference in &verified.differences {
        let text = format!("{of}{}: {}", difference.path, difference.text);
        writeln!(out, "{}", printable(&text))?;
    }
    let sources =
        if verified.sources > 0 { format!(" and {} sources", verified.sources) } else { String::new() };
    let found = match verified.differences.len() {
        0 => "all as the manifest says".to_owned(),
        1 => "1 difference".to_owned(),
        n => format!("{n} differences"),
    };
    writeln!(out, "{}{} outputs{sources} read: {found}", printable(&of), verified.outputs)?;
    Ok(if verified.differences.is_empty() { Exit::Done } else { Exit::Differs })
}
