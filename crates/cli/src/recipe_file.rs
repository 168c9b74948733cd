//! The recipe that was asked for, by file or by name. Knows no verb.

use std::path::Path;

use loadin_plan::Mistakes;
use loadin_plan::recipe::{Recipe, find_shipped};

use crate::Failure;

/// Reads the recipe that was asked for: a file where there is one, else a shipped recipe.
pub(crate) fn load_recipe(asked: &str) -> Result<Recipe, Failure> {
    let path = Path::new(asked);
    let text = if path.is_file() {
        std::fs::read_to_string(path)
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

/// Every mistake of a recipe, one a line, in the form that editors can jump to.
pub(crate) fn recipe_errors(file: &str, errors: &Mistakes) -> String {
    format!("the recipe cannot be used:\n{}", errors.in_file(file))
}
