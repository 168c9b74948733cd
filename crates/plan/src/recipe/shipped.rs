//! The recipes that come with the program.

/// A recipe that comes with the program.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Shipped {
    /// Its name.
    pub name: &'static str,
    /// Its text.
    pub text: &'static str,
    /// Whom it serves: its first line.
    pub purpose: &'static str,
}

/// The recipe that is used when none is named.
pub const DEFAULT: &str = "mix-prep";

macro_rules! shipped {
    ($($name:literal)*) => {
        const TEXTS: &[(&str, &str)] = &[$(($name, include_str!(concat!("../../../../pipelines/", $name, ".toml")))),*];
    };
}

shipped! { "mix-prep" "whole-db" "remix-pack" "master-intake" "match-48k" "archive" }

/// All shipped recipes.
pub fn shipped() -> Vec<Shipped> {
    TEXTS
        .iter()
        .map(|&(name, text)| {
            let purpose = text.lines().next().unwrap_or_default().trim_start_matches("# ");
            Shipped { name, text, purpose }
        })
        .collect()
}

/// The shipped recipe of that name.
pub fn find_shipped(name: &str) -> Option<Shipped> {
    shipped().into_iter().find(|recipe| recipe.name == name)
}
