//! The `loadin` command: arguments, terminal, progress, exit codes. Nothing else of the workspace prints or reads argv.

pub mod args;
pub mod clock;
mod engine;
mod exit;
mod failure;
mod folders;
mod look;
mod memory;
mod pages;
mod phrases;
mod progress;
mod recipe_file;
pub mod shard;
mod signals;
mod table;
mod verbs;
mod work;

use std::ffi::OsString;
use std::io::{IsTerminal, Stderr, Write};
use std::sync::Arc;

use clap::Parser;
use clap::error::ErrorKind;

pub use exit::Exit;

pub(crate) use failure::Failure;

use args::{Cli, Verb};

/// Runs one command line. Results go to `out`, all else to `err`.
pub fn main_with(args: impl IntoIterator<Item = OsString>, out: &mut dyn Write, err: &Stderr) -> Exit {
    let cli = match Cli::try_parse_from(args) {
        Ok(cli) => cli,
        Err(error) => return usage(&error, out, err),
    };
    quiet_panics();
    let progress = Arc::new(progress::Reporter::new(cli.progress, err.is_terminal()));
    let result = match &cli.verb {
        Verb::Audit(audit) => verbs::audit::run(audit, &progress, out),
        Verb::Facts(facts) => verbs::facts::run(facts, &progress, out),
        Verb::Plan(plan) => verbs::plan::run(plan, &progress, out),
        Verb::Prep(prep) => verbs::prep::run(prep, &progress, out),
        Verb::Verify(verify) => verbs::verify::run(verify, &progress, out),
        Verb::Restore(restore) => verbs::restore::run(restore, &progress, out),
        Verb::Report(report) => verbs::report::run(report, out),
        Verb::Answers(answers) => verbs::answers::run(answers, &progress, out),
        Verb::Recipe(recipe) => verbs::recipe::run(recipe, out),
        Verb::Unit(unit) => verbs::unit::run(&unit.step, &progress, out),
        Verb::Completions { shell } => verbs::manual::completions(*shell, out),
        Verb::Man { verb } => verbs::manual::man(verb.as_deref(), out),
    };
    progress.close();
    result.unwrap_or_else(|failure| {
        // Nobody is left to tell when stderr itself is gone.
        let _ = writeln!(err.lock(), "loadin: {:#}", failure.error);
        failure.exit
    })
}

/// A panic in a decoder costs its stem and is caught there: one line for whoever reports it, not a page.
fn quiet_panics() {
    std::panic::set_hook(Box::new(|info| {
        let place = info.location().map(ToString::to_string).unwrap_or_default();
        let _ =
            writeln!(std::io::stderr().lock(), "loadin: internal: a part of the program gave up at {place}");
    }));
}

/// Help and version go to stdout and are no failure; anything else is a usage error.
fn usage(error: &clap::Error, out: &mut dyn Write, err: &Stderr) -> Exit {
    let asked = matches!(error.kind(), ErrorKind::DisplayHelp | ErrorKind::DisplayVersion);
    let text = error.render();
    let _ = if asked { write!(out, "{text}") } else { write!(err.lock(), "{text}") };
    if asked { Exit::Done } else { Exit::BadArguments }
}
