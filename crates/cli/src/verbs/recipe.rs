//! `loadin recipe`: list, show, check, schema.

use std::io::Write;

use loadin_plan::recipe::{Recipe, find_shipped, schema, shipped};

use crate::args::{Recipe as Args, RecipeAction};
use crate::plain::printable;
use crate::recipe_file::{read_text, recipe_errors};
use crate::table::Table;
use crate::{Exit, Failure};

pub(crate) fn run(args: &Args, out: &mut dyn Write) -> Result<Exit, Failure> {
    match &args.action {
        RecipeAction::List => {
            let mut table = Table::new(&["recipe", "for"]);
            for recipe in shipped() {
                table.row([recipe.name.into(), recipe.purpose.into()]);
            }
            table.print(out)?;
        }
        RecipeAction::Show { name } => {
            let found = find_shipped(name).ok_or_else(|| {
                let names: Vec<&str> = shipped().iter().map(|recipe| recipe.name).collect();
                Failure::bad(format!("there is no shipped recipe \"{name}\"; there are {}", names.join(", ")))
            })?;
            write!(out, "{}", found.text)?;
        }
        RecipeAction::Check { files } => return check(files, out),
        RecipeAction::Schema => {
            let text = serde_json::to_string_pretty(&schema())
                .map_err(|error| Failure::new(Exit::CannotWrite, error))?;
            writeln!(out, "{text}")?;
        }
    }
    Ok(Exit::Done)
}

fn check(files: &[std::path::PathBuf], out: &mut dyn Write) -> Result<Exit, Failure> {
    let mut mistakes = Vec::new();
    for file in files {
        let name = file.display().to_string();
        match read_text(file) {
            Err(error) => mistakes.push(format!("cannot read \"{name}\": {error}")),
            Ok(text) => match Recipe::parse(&text) {
                Ok(recipe) => {
                    let text = format!("{name}: \"{}\" revision {} is sound", recipe.name, recipe.revision);
                    writeln!(out, "{}", printable(&text))?;
                }
                Err(errors) => mistakes.push(recipe_errors(&name, &errors)),
            },
        }
    }
    if mistakes.is_empty() { Ok(Exit::Done) } else { Err(Failure::bad(mistakes.join("\n"))) }
}
