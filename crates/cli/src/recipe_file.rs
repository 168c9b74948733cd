//! The recipe that was asked for, by file or by name. Knows no verb.

use std::fs::File;
use std::io::{self, Read};
use std::path::Path;

use loadin_plan::recipe::{Recipe, RecipeErrors, find_shipped};
use loadin_record::layout::MOST_RECIPE_BYTES;

use crate::Failure;

/// Reads the recipe that was asked for: a file where there is one, else a shipped recipe.
pub(crate) fn load_recipe(asked: &str) -> Result<Recipe, Failure> {
    let path = Path::new(asked);
    let text = if path.exists() && !path.is_dir() {
        read_text(path)
            .map_err(|error| Failure::bad(format!("cannot read the recipe \"{asked}\": {error}")))?
    } else if let Some(shipped) = find_shipped(asked) {
        shipped.text.to_owned()
    } else {
        return Err(Failure::bad(format!(
            "there is no recipe file \"{asked}\", and no shipped recipe of that name; `loadin recipe list` shows them"
        )));
    };
    Recipe::parse(&text).map_err(|errors| Failure::bad(recipe_errors(asked, &errors)))
}

/// The text of a file that somebody names on the command line: a pipe too, and of a device no more than a recipe has.
///
/// # Errors
/// When it cannot be read, is longer, or is no text.
pub(crate) fn read_text(path: &Path) -> io::Result<String> {
    let mut text = String::new();
    File::open(path)?.take(MOST_RECIPE_BYTES + 1).read_to_string(&mut text)?;
    if text.len() as u64 > MOST_RECIPE_BYTES {
        let why = format!("it has more than {MOST_RECIPE_BYTES} bytes");
        return Err(io::Error::new(io::ErrorKind::FileTooLarge, why));
    }
    Ok(text)
}

/// Every mistake of a recipe, one a line, in the form that editors can jump to.
pub(crate) fn recipe_errors(file: &str, errors: &RecipeErrors) -> String {
    let lines: Vec<String> = errors
        .iter()
        .map(|error| format!("{file}:{}:{}: {}", error.line, error.column, error.text))
        .collect();
    format!("the recipe cannot be used:\n{}", lines.join("\n"))
}
