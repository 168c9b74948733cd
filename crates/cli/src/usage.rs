//! What is said of a command line that cannot be read, and help and version. Knows no verb.

use std::io::{Stderr, Write};

use clap::CommandFactory;
use clap::error::{ContextKind, ContextValue, ErrorKind};

use crate::Exit;
use crate::args::Cli;
use crate::plain::printable_lines;

/// Two spellings of an option are near up to so many letters that are wrong, missing or swapped.
const NEAR: usize = 2;

/// Help and version go to stdout and are no failure; anything else is a usage error.
pub(crate) fn usage(mut error: clap::Error, out: &mut dyn Write, err: &Stderr) -> Exit {
    let asked = matches!(error.kind(), ErrorKind::DisplayHelp | ErrorKind::DisplayVersion);
    if error.kind() == ErrorKind::UnknownArgument {
        suggest(&mut error);
    }
    let text = error.render().to_string();
    if !asked {
        // A name that begins with a dash is taken for an option and quoted.
        let _ = write!(err.lock(), "{}", printable_lines(&text));
        return Exit::BadArguments;
    }
    match write!(out, "{text}") {
        Err(error) if error.kind() == std::io::ErrorKind::BrokenPipe => Exit::PipeClosed,
        _ => Exit::Done,
    }
}

/// Names the nearest option where the parser finds none: it compares short words badly.
fn suggest(error: &mut clap::Error) {
    let Some(ContextValue::String(found)) = error.get(ContextKind::InvalidArg) else { return };
    if error.get(ContextKind::SuggestedArg).is_some() {
        return;
    }
    let command = Cli::command();
    let of_verbs = command.get_subcommands().flat_map(clap::Command::get_arguments);
    let options = command.get_arguments().chain(of_verbs).filter_map(clap::Arg::get_long);
    let wrong = |option: &str| strsim::damerau_levenshtein(found, &format!("--{option}"));
    let nearest = options.map(|option| (wrong(option), option)).min();
    if let Some((_, option)) = nearest.filter(|(wrong, _)| *wrong <= NEAR) {
        let option = format!("--{option}");
        error.remove(ContextKind::Suggested);
        error.insert(ContextKind::SuggestedArg, ContextValue::String(option));
    }
}
