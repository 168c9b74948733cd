//! `loadin restore`: back to what was delivered, as far as that goes.

use std::io::Write;
use std::sync::Arc;

use loadin_pipeline::after::restore::{self, How, RestoreError, RestoredFile};
use loadin_storage::folder_disk::FolderDisk;

use crate::args::Restore;
use crate::plain::{count, printable};
use crate::progress::Reporter;
use crate::table::Table;
use crate::work::on_threads;
use crate::{Exit, Failure};

pub(crate) fn run(args: &Restore, progress: &Arc<Reporter>, out: &mut dyn Write) -> Result<Exit, Failure> {
    let restored = on_threads(&args.threads, || {
        restore::restore(&args.out, &args.to, &FolderDisk::new(&args.to), &|event| progress.show(&event))
    })?
    .map_err(|error| {
        let bad = matches!(error, RestoreError::Manifest(_) | RestoreError::NotEmpty(_));
        Failure::new(if bad { Exit::BadArguments } else { Exit::CannotWrite }, error)
    })?;
    progress.close();
    let mut table = Table::new(&["restored file", "as delivered", "steps, the last change first"]);
    for file in &restored.files {
        table.row([
            file.path.clone().unwrap_or_else(|| format!("- ({})", file.source)).into(),
            verdict(file).into(),
            steps(file).into(),
        ]);
    }
    table.print(out)?;
    let missing = restored.files.iter().filter(|file| file.error.is_some()).count();
    writeln!(
        out,
        "\n{} of {} restored; what each step lost is in {}",
        restored.files.len() - missing,
        count(restored.files.len(), "file", "files"),
        printable(&args.to.join("restored.json").display().to_string())
    )?;
    writeln!(
        out,
        "These files do not replace the originals. Levels are as delivered: set the monitors for them."
    )?;
    Ok(if missing == 0 { Exit::Done } else { Exit::SomeStems })
}

fn verdict(file: &RestoredFile) -> String {
    if file.error.is_some() {
        return "not restored".to_owned();
    }
    let but = if file.how == How::Lost { ", but for what was cut" } else { "" };
    match file.within_lsb {
        Some(0) => format!("sample for sample{but}"),
        Some(lsb) => format!("within {lsb} LSB{but}"),
        None => format!("near{but}"),
    }
}

fn steps(file: &RestoredFile) -> String {
    let steps: Vec<String> =
        file.steps.iter().map(|step| format!("{} {}", step.stage, step.how.as_str())).collect();
    file.error.clone().unwrap_or_else(|| steps.join(", "))
}
