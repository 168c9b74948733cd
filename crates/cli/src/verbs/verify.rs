//! `loadin verify`: every file and every promise of a manifest.

use std::io::Write;

use loadin_pipeline::verify;

use crate::args::Verify;
use crate::progress::Reporter;
use crate::table::printable;
use crate::{Exit, Failure};

pub(crate) fn run(args: &Verify, progress: &Reporter, out: &mut dyn Write) -> Result<Exit, Failure> {
    let verified = verify::verify(&args.out, args.delivery.as_deref(), &|event| progress.show(&event))
        .map_err(|text| Failure::bad(format!("{text}; give the folder that holds manifest.json")))?;
    progress.close();
    for difference in &verified.differences {
        writeln!(out, "{}: {}", printable(&difference.path), printable(&difference.text))?;
    }
    let sources =
        if verified.sources > 0 { format!(" and {} sources", verified.sources) } else { String::new() };
    let found = match verified.differences.len() {
        0 => "all as the manifest says".to_owned(),
        1 => "1 difference".to_owned(),
        n => format!("{n} differences"),
    };
    writeln!(out, "{} outputs{sources} read: {found}", verified.outputs)?;
    Ok(if verified.differences.is_empty() { Exit::Done } else { Exit::Differs })
}
