//! The end of a run: its summary is stored, and whoever waits for it is told. Knows nothing of what is printed.

use std::fs;
use std::io::{self, Write};
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};

use loadin_pipeline::output::folder::outputs_of;
use loadin_record::layout::MOST_PAPER_BYTES;
use loadin_record::summary::{Ended, Summary};
use loadin_storage::disk::RealDisk;
use loadin_storage::plain_file;
use loadin_storage::store::store_text;
use serde_json::Value;

use crate::{Exit, Failure};

const NAME: &str = "summary.json";

/// Refuses a folder for a batch that is a prepared delivery itself, or whose `summary.json` is not ours to replace.
pub(super) fn check_place(out: &Path) -> Result<(), Failure> {
    let refused = |text: String| Failure::new(Exit::CannotWrite, anyhow::Error::msg(text));
    if outputs_of(out).join("manifest.json").exists() {
        return Err(refused(format!(
            "\"{}\" is itself a prepared delivery, and a batch would mix others into it; choose another --out",
            out.display()
        )));
    }
    let path = out.join(NAME);
    let ours = match plain_file::read_text(&path, MOST_PAPER_BYTES) {
        Err(error) => error.kind() == io::ErrorKind::NotFound,
        Ok(text) => serde_json::from_str::<Value>(&text).is_ok_and(|value| value["tool"]["name"] == "loadin"),
    };
    if ours {
        return Ok(());
    }
    Err(refused(format!(
        "\"{}\" was not written by this program and would be replaced; move it away or choose another --out",
        path.display()
    )))
}

/// Writes the summary into `out`; its path.
pub(super) fn store(summary: &Summary, out: &Path) -> Result<PathBuf, Failure> {
    let cannot = |error: anyhow::Error| Failure::new(Exit::CannotWrite, error);
    fs::create_dir_all(out).map_err(|error| {
        cannot(anyhow::Error::new(error).context(format!("cannot use \"{}\"", out.display())))
    })?;
    let path = out.join(NAME);
    store_text(&RealDisk, &path, &summary.to_json()).map_err(|error| cannot(error.into()))?;
    Ok(path)
}

/// Runs the command of `--on-finish`, if there is one and nobody has pressed Ctrl-C. What goes wrong with it is said
/// and changes no exit code: the stems are prepared.
pub(super) fn run_command(command: Option<&str>, summary: &Summary, path: Option<&Path>) {
    let interrupted = summary.deliveries.iter().any(|delivery| delivery.ended == Ended::Interrupted);
    let Some(command) = command.filter(|_| !interrupted) else { return };
    let trouble = match tell(command, summary, path) {
        Ok(status) if status.success() => return,
        Ok(status) => format!("it ended with {status}"),
        Err(error) => error.to_string(),
    };
    // Nobody is left to tell when stderr itself is gone.
    let _ = writeln!(io::stderr().lock(), "loadin: the command of --on-finish failed: {trouble}");
}

fn tell(command: &str, summary: &Summary, path: Option<&Path>) -> io::Result<std::process::ExitStatus> {
    let (shell, option) = if cfg!(windows) { ("cmd", "/C") } else { ("sh", "-c") };
    let path = path.map(|path| std::path::absolute(path).unwrap_or_else(|_| path.to_owned()));
    let mut child = Command::new(shell)
        .args([option, command])
        .env("LOADIN_SUMMARY", path.unwrap_or_default())
        .stdin(Stdio::piped())
        .spawn()?;
    if let Some(mut input) = child.stdin.take() {
        // A command need not read it.
        let _ = input.write_all(summary.to_json().as_bytes());
    }
    child.wait()
}
