//! Recipes: whatever the text, there is a recipe or errors that can be printed.
#![no_main]

use loadin_plan::recipe::Recipe;

libfuzzer_sys::fuzz_target!(|text: &str| {
    if let Err(errors) = Recipe::parse(text) {
        assert!(!errors.to_string().is_empty());
    }
});
