//! The recipe that was asked for, by file or by name. Knows no verb.

use std::fs::File;
use std::io;
use std::path::Path;

use loadin_plan::Mistakes;
use loadin_plan::answers::Answers;
use loadin_plan::recipe::{Recipe, find_shipped};
use loadin_record::layout::MOST_RECIPE_BYTES;
use loadin_storage::plain_file;

use crate::Failure;
use crate::args::Work;

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
    plain_file::text_of(File::open(path)?, MOST_RECIPE_BYTES)
}

/// The recipe that was asked for, with the answers that are given with it; `deliveries` are so many.
pub(crate) fn load_terms(work: &Work, deliveries: usize) -> Result<Recipe, Failure> {
    let recipe = load_recipe(&work.recipe)?;
    let Some(path) = &work.answers else { return Ok(recipe) };
    if deliveries > 1 {
        return Err(Failure::bad("--answers is about one delivery; give that one alone"));
    }
    Ok(recipe.answered(Some(load_answers(path)?)))
}

/// Reads a file of answers.
pub(crate) fn load_answers(path: &Path) -> Result<Answers, Failure> {
    let file = path.display().to_string();
    let text = read_text(path)
        .map_err(|error| Failure::bad(format!("cannot read the answers \"{file}\": {error}")))?;
    Answers::parse(&text, &file)
        .map_err(|mistakes| Failure::bad(format!("the answers cannot be used:\n{}", mistakes.in_file(&file))))
}

/// Every mistake of a recipe, one a line, in the form that editors can jump to.
pub(crate) fn recipe_errors(file: &str, errors: &Mistakes) -> String {
    format!("the recipe cannot be used:\n{}", errors.in_file(file))
}
