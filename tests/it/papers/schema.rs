//! A checker for the part of JSON Schema (draft 2020-12) that our schemas use. What it does not know, it refuses,
//! so that no word of a schema can be passed over in silence.

use serde_json::Value;

/// Words that describe and do not restrict, and patterns, which the readers of the values have.
const DESCRIPTIVE: &[&str] = &[
    "$schema",
    "$defs",
    "title",
    "description",
    "default",
    "format",
    "pattern",
    "minLength",
    "minItems",
    "minimum",
    "maximum",
    "additionalProperties",
];

/// What is wrong with `value`, as a path and a reason; `None` when it follows the schema.
pub(crate) fn mistake(value: &Value, schema: &Value, root: &Value, path: &str) -> Option<String> {
    let Some(words) = schema.as_object() else {
        return (schema == &Value::Bool(false)).then(|| format!("{path}: nothing is allowed here"));
    };
    words.iter().find_map(|(word, rule)| match word.as_str() {
        "$ref" => {
            let name = rule.as_str().unwrap().strip_prefix("#/$defs/").expect("a reference into $defs");
            mistake(value, &root["$defs"][name], root, path)
        }
        "type" => (!has_type(value, rule)).then(|| format!("{path}: {value} is no {rule}")),
        "const" => (value != rule).then(|| format!("{path}: {value} is not {rule}")),
        "enum" => {
            (!rule.as_array().unwrap().contains(value)).then(|| format!("{path}: {value} is none of {rule}"))
        }
        "required" => rule
            .as_array()
            .unwrap()
            .iter()
            .find(|key| value.is_object() && value.get(key.as_str().unwrap()).is_none())
            .map(|key| format!("{path}: {key} is missing")),
        "properties" => properties(value, rule, words.get("additionalProperties"), root, path),
        "items" => value.as_array().and_then(|list| {
            list.iter()
                .enumerate()
                .find_map(|(index, item)| mistake(item, rule, root, &format!("{path}[{index}]")))
        }),
        "oneOf" | "anyOf" => {
            let choices = rule.as_array().unwrap();
            let fits = choices.iter().any(|choice| mistake(value, choice, root, path).is_none());
            (!fits).then(|| format!("{path}: {value} fits none of {} choices", choices.len()))
        }
        known if DESCRIPTIVE.contains(&known) => None,
        unknown => panic!("the checker does not know {unknown:?}"),
    })
}

fn properties(
    value: &Value,
    rule: &Value,
    additional: Option<&Value>,
    root: &Value,
    path: &str,
) -> Option<String> {
    let object = value.as_object()?;
    object.iter().find_map(|(key, entry)| match rule.get(key) {
        Some(schema) => mistake(entry, schema, root, &format!("{path}.{key}")),
        None if additional == Some(&Value::Bool(false)) => Some(format!("{path}.{key} is not allowed")),
        None => None,
    })
}

fn has_type(value: &Value, rule: &Value) -> bool {
    let one = |name: &Value| match name.as_str().unwrap() {
        "null" => value.is_null(),
        "boolean" => value.is_boolean(),
        "string" => value.is_string(),
        "array" => value.is_array(),
        "object" => value.is_object(),
        "integer" => value.is_i64() || value.is_u64(),
        "number" => value.is_number(),
        other => panic!("the checker does not know the type {other:?}"),
    };
    rule.as_array().map_or_else(|| one(rule), |names| names.iter().any(one))
}
