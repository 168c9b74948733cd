//! `loadin completions` and `loadin man`: made from the same list of arguments that the parser has.

use std::io::Write;

use clap::CommandFactory;
use clap_complete::Shell;

use crate::args::Cli;
use crate::{Exit, Failure};

pub(crate) fn completions(shell: Shell, out: &mut dyn Write) -> Result<Exit, Failure> {
    // Made in memory first: the generator stops the program when its writer fails.
    let mut text = Vec::new();
    clap_complete::generate(shell, &mut Cli::command(), "loadin", &mut text);
    out.write_all(&text)?;
    Ok(Exit::Done)
}

pub(crate) fn man(verb: Option<&str>, out: &mut dyn Write) -> Result<Exit, Failure> {
    let mut command = Cli::command();
    command.build();
    let page = match verb {
        None => command,
        Some(verb) => {
            let names: Vec<&str> = command.get_subcommands().map(clap::Command::get_name).collect();
            let found = command.find_subcommand(verb).ok_or_else(|| {
                Failure::bad(format!("there is no verb \"{verb}\"; there are {}", names.join(", ")))
            })?;
            found.clone()
        }
    };
    clap_mangen::Man::new(page).render(out)?;
    Ok(Exit::Done)
}
