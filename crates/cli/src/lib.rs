//! The `loadin` command: arguments, terminal, progress, exit codes. Nothing else of the workspace prints or reads argv.

pub mod args;
pub mod clock;
mod engine;
mod exit;
mod failure;
mod folders;
mod footers;
pub mod limits;
mod look;
mod memory;
mod pages;
mod phrases;
mod plain;
mod progress;
mod recipe_file;
mod screen;
pub mod shard;
mod signals;
mod table;
mod usage;
mod verbs;
mod work;

use std::ffi::OsString;
use std::io::{IsTerminal, Stderr, Write};
use std::sync::Arc;

use clap::Parser;

pub use exit::Exit;

pub(crate) use failure::Failure;

use args::{Cli, Verb};

/// Runs one command line. Results go to `out`, all else to `err`.
pub fn main_with(args: impl IntoIterator<Item = OsString>, out: &mut dyn Write, err: &Stderr) -> Exit {
    let cli = match Cli::try_parse_from(args) {
        Ok(cli) => cli,
        Err(error) => return usage::usage(error, out, err),
    };
    quiet_panics();
    limits::let_large_writes_fail();
    look::ask_for_columns(cli.columns);
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
        Verb::Help { topic } => verbs::help::run(topic.as_deref(), out),
        Verb::Man { verb } => verbs::manual::man(verb.as_deref(), out),
    };
    progress.close();
    result.unwrap_or_else(|failure| {
        // A reader that has gone wants no word about it, and nobody is left to tell when stderr itself is gone.
        if failure.exit != Exit::PipeClosed {
            let _ = writeln!(err.lock(), "loadin: {}", plain::said_once(failure.error.as_ref()));
        }
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
