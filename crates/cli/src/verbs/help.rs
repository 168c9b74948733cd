//! `loadin help`: the pages of reference by topic, and the help of a verb. The texts lie in `help/`.

use std::io::Write;

use clap::CommandFactory;

use crate::args::Cli;
use crate::look::Look;
use crate::plain::wrapped;
use crate::{Exit, Failure};

/// Topics, each with what its page is about.
const TOPICS: &[(&str, &str, &str)] = &[
    ("commands", "every verb, and the exit codes", include_str!("../help/commands.md")),
    ("inputs", "which files are read, and what goes along with the sound", include_str!("../help/inputs.md")),
    ("outputs", "every file of a prepared delivery", include_str!("../help/outputs.md")),
    ("session", "the session file", include_str!("../help/session.md")),
    ("page", "the page", include_str!("../help/page.md")),
    ("names", "how roles, groups and labels follow from names", include_str!("../help/names.md")),
    ("music", "tempo, key, sections: what is stated and what is heard", include_str!("../help/music.md")),
    ("rough-mix", "places and missing stems by the rough mix", include_str!("../help/rough-mix.md")),
    ("answers", "how to say what you know", include_str!("../help/answers.md")),
    ("visits", "what a later run keeps and changes", include_str!("../help/visits.md")),
    ("recipes", "recipes, stages and settings", include_str!("../help/recipes.md")),
    ("overnight", "batches, cron and timers", include_str!("../help/overnight.md")),
    ("machines", "one archive on many machines", include_str!("../help/machines.md")),
    ("trust", "verify, replay and restore", include_str!("../help/trust.md")),
    ("limits", "what cannot be done", include_str!("../help/limits.md")),
];

pub(crate) fn run(topic: Option<&str>, out: &mut dyn Write) -> Result<Exit, Failure> {
    let mut command = Cli::command();
    command.build();
    let Some(topic) = topic else {
        write!(out, "{}\nTopics of `loadin help TOPIC`:\n", command.render_help())?;
        for (name, about, _) in TOPICS {
            writeln!(out, "  {name:10} {about}")?;
        }
        return Ok(Exit::Done);
    };
    if let Some((.., text)) = TOPICS.iter().find(|(name, ..)| *name == topic) {
        page(text, out)?;
    } else if let Some(verb) = command.find_subcommand_mut(topic) {
        write!(out, "{}", verb.render_long_help())?;
    } else {
        let names: Vec<&str> = TOPICS.iter().map(|(name, ..)| *name).collect();
        return Err(Failure::bad(format!(
            "there is no topic \"{topic}\"; there are {}, and every verb",
            names.join(", ")
        )));
    }
    Ok(Exit::Done)
}

/// A page: sentences wrap, tables and commands stay as they are.
fn page(text: &str, out: &mut dyn Write) -> Result<(), Failure> {
    let width = Look::of_stdout().width;
    let mut in_code = false;
    for line in text.lines() {
        in_code ^= line.starts_with("```");
        let as_it_is = in_code || line.starts_with("```") || line.starts_with('|');
        let indent = if line.starts_with("- ") { 2 } else { 0 };
        for part in wrapped(line, width.filter(|_| !as_it_is), indent) {
            writeln!(out, "{part}")?;
        }
    }
    Ok(())
}
