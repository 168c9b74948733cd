//! The JSON Schema of recipes, for editors; made from the settings themselves.

use schemars::SchemaGenerator;
use serde_json::{Value, json};

use super::recipe::FORMAT_VERSION;
use crate::stages::{self, Settings};

fn settings_schema(name: &str, generator: &mut SchemaGenerator) -> Value {
    Settings::schema(name, generator).map_or(Value::Null, schemars::Schema::to_value)
}

/// Stages whose settings are one for the whole delivery: they have no `for` tables.
pub(super) const NOT_BY_STEM: &[&str] = &["align-starts", "label"];

/// The settings that the stage called `name` has.
pub(super) fn keys(name: &str) -> Vec<String> {
    let schema = settings_schema(name, &mut SchemaGenerator::default());
    schema["properties"].as_object().map(|map| map.keys().cloned().collect()).unwrap_or_default()
}

/// A right value of a setting, as a recipe writes it: the usual one, or that of a shipped recipe. Whoever wrote a number sees one with
/// a number, where there is one.
pub(super) fn example(name: &str, key: &str, numeric: bool) -> Option<String> {
    let schema = settings_schema(name, &mut SchemaGenerator::default());
    let usual = match &schema["properties"][key]["default"] {
        Value::Null => None,
        // Texts, numbers, lists of them and truth values are written alike in both.
        usual => Some(usual.to_string()),
    };
    let has_number = |text: &String| text.contains(|c: char| c.is_ascii_digit());
    let of_recipes = |wanted: &dyn Fn(&String) -> bool| {
        let begin = format!("{key} = ");
        let lines = super::shipped().into_iter().flat_map(|recipe| recipe.text.lines());
        let values = lines.filter_map(|line| line.trim().strip_prefix(&begin));
        let mut values = values.map(|value| value.split(" #").next().unwrap_or(value).trim().to_owned());
        values.find(wanted)
    };
    let with_number =
        || of_recipes(&has_number).filter(|_| numeric && !usual.as_ref().is_some_and(has_number));
    with_number().or_else(|| usual.clone()).or_else(|| of_recipes(&|_| true))
}

/// The schema of a whole recipe (JSON Schema, draft 2020-12).
pub fn schema() -> Value {
    let mut generator = SchemaGenerator::default();
    let variants: Vec<Value> = stages::NAMES.iter().map(|name| stage_schema(name, &mut generator)).collect();
    let definitions: Value = generator.take_definitions(true).into();
    json!({
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": "loadin recipe",
        "type": "object",
        "additionalProperties": false,
        "required": ["recipe", "name", "revision", "stage"],
        "properties": {
            "recipe": { "const": FORMAT_VERSION, "description": "Version of the recipe format." },
            "name": { "type": "string", "minLength": 1, "description": "The recipe's name." },
            "revision": { "type": "integer", "minimum": 1, "description": "Raised with every change." },
            "stage": { "type": "array", "minItems": 1, "items": { "oneOf": variants } },
        },
        "$defs": definitions,
    })
}

fn stage_schema(name: &str, generator: &mut SchemaGenerator) -> Value {
    let mut own = settings_schema(name, generator);
    let mut chosen = own.clone();
    if let Some(properties) = chosen["properties"].as_object_mut() {
        properties.insert(
            "stems".to_owned(),
            json!({
                "description": "Globs on the path inside the delivery: stems that these settings hold for.",
                "anyOf": [{ "type": "string" }, { "type": "array", "items": { "type": "string" } }],
            }),
        );
    }
    chosen["required"] = json!(["stems"]);
    if let Some(properties) = own["properties"].as_object_mut() {
        properties.insert("stage".to_owned(), json!({ "const": name }));
        if !NOT_BY_STEM.contains(&name) {
            properties.insert("for".to_owned(), json!({ "type": "array", "items": chosen }));
        }
    } else {
        own["properties"] = json!({ "stage": { "const": name } });
    }
    own["required"] = json!(["stage"]);
    own
}

#[cfg(test)]
mod tests {
    use super::*;

    /// What the reader refuses, an editor must not offer.
    #[test]
    fn only_stages_that_may_differ_by_stem_have_for_tables() {
        let schema = schema();
        for variant in schema["properties"]["stage"]["items"]["oneOf"].as_array().unwrap() {
            let name = variant["properties"]["stage"]["const"].as_str().unwrap();
            let has = variant["properties"].get("for").is_some();
            assert_eq!(has, !matches!(name, "align-starts" | "label"), "{name}");
        }
    }
}
