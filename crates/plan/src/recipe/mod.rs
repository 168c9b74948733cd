//! Recipes: a versioned TOML file that lists the stages in order, with their settings.

mod order;
mod parse;
#[expect(
    clippy::module_inception,
    reason = "the recipe is the value, the rest of the folder reads and checks it"
)]
mod recipe;
mod schema;
mod shipped;

pub use self::recipe::{FORMAT_VERSION, Recipe, RecipeStage};
pub use self::schema::schema;
pub use self::shipped::{DEFAULT, Shipped, find_shipped, shipped};
