//! The order of the groups, as a recipe writes it: one of three names, or a list of groups.

use std::borrow::Cow;
use std::fmt;

use loadin_session::{DRUMS_FIRST, Group, KICK_AND_BASS_FIRST, VOCALS_FIRST};
use schemars::{JsonSchema, Schema, SchemaGenerator, json_schema};
use serde::{Deserialize, Deserializer, Serialize, Serializer, de};

/// Names of the orders that need no list.
const NAMED: [(&str, &[Group]); 3] = [
    ("kick-and-bass-first", KICK_AND_BASS_FIRST),
    ("drums-first", DRUMS_FIRST),
    ("vocals-first", VOCALS_FIRST),
];

/// The order of the groups.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Order {
    /// One that has a name.
    Named(&'static str),
    /// These groups first; the others come behind in their usual order.
    Groups(Vec<Group>),
}

impl Default for Order {
    fn default() -> Self {
        Self::Named(NAMED[0].0)
    }
}

impl Order {
    /// The groups, first to last.
    pub(super) fn groups(&self) -> Vec<Group> {
        match self {
            Self::Named(name) => {
                let known = NAMED.iter().find(|(known, _)| known == name);
                known.map_or_else(Vec::new, |(_, groups)| groups.to_vec())
            }
            Self::Groups(groups) => groups.clone(),
        }
    }
}

impl Serialize for Order {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        match self {
            Self::Named(name) => serializer.serialize_str(name),
            Self::Groups(groups) => serializer.collect_seq(groups.iter().map(|group| group.as_str())),
        }
    }
}

/// "found X, allowed is A, B or C".
fn one_of<T: Copy, E: de::Error>(
    found: &str,
    known: impl Iterator<Item = (&'static str, T)>,
) -> Result<T, E> {
    let known: Vec<(&str, T)> = known.collect();
    let names: Vec<&str> = known.iter().map(|(name, _)| *name).collect();
    let found_one = known.iter().find(|(name, _)| *name == found).map(|(_, value)| *value);
    found_one.ok_or_else(|| {
        E::custom(format!("found \"{found}\", allowed is one of \"{}\"", names.join("\", \"")))
    })
}

impl<'de> Deserialize<'de> for Order {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        struct Orders;

        impl<'de> de::Visitor<'de> for Orders {
            type Value = Order;

            fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.write_str("the name of an order such as \"drums-first\", or a list of groups such as [\"drums\", \"percussion\"]")
            }

            fn visit_str<E: de::Error>(self, text: &str) -> Result<Order, E> {
                let names = NAMED.iter().map(|(name, _)| (*name, *name));
                one_of(text, names).map(Order::Named)
            }

            fn visit_seq<A: de::SeqAccess<'de>>(self, mut list: A) -> Result<Order, A::Error> {
                let mut groups: Vec<Group> = Vec::new();
                while let Some(name) = list.next_element::<Cow<'de, str>>()? {
                    let all = Group::ALL.iter().map(|group| (group.as_str(), *group));
                    let group = one_of(&name, all)?;
                    if groups.contains(&group) {
                        return Err(de::Error::custom(format!(
                            "\"{name}\" stands twice; a group has one place"
                        )));
                    }
                    groups.push(group);
                }
                Ok(Order::Groups(groups))
            }
        }

        deserializer.deserialize_any(Orders)
    }
}

impl JsonSchema for Order {
    fn schema_name() -> Cow<'static, str> {
        "Order".into()
    }

    fn json_schema(_: &mut SchemaGenerator) -> Schema {
        let names: Vec<&str> = NAMED.iter().map(|(name, _)| *name).collect();
        let groups: Vec<&str> = Group::ALL.iter().map(|group| group.as_str()).collect();
        json_schema!({
            "description": "The order of the groups: a name, or a list of groups; those that are left out come last.",
            "anyOf": [
                { "enum": names },
                { "type": "array", "uniqueItems": true, "items": { "enum": groups } },
            ],
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn order(text: &str) -> Result<Order, String> {
        serde_json::from_str(text).map_err(|error| error.to_string())
    }

    #[test]
    fn a_name_or_a_list() {
        assert_eq!(order("\"drums-first\"").unwrap().groups(), DRUMS_FIRST);
        let list = order("[\"lead vocals\", \"drums\"]").unwrap();
        assert_eq!(list.groups(), [Group::LeadVocals, Group::Drums]);
        assert_eq!(serde_json::to_string(&list).unwrap(), "[\"lead vocals\",\"drums\"]");
        assert!(
            order("[\"drumms\"]")
                .unwrap_err()
                .contains("found \"drumms\", allowed is one of \"kick and bass\"")
        );
        assert!(order("[\"drums\", \"drums\"]").unwrap_err().contains("stands twice"));
        assert!(order("\"loudest\"").unwrap_err().contains("\"vocals-first\""));
        assert!(order("7").unwrap_err().contains("the name of an order"));
    }

    #[test]
    fn every_name_means_its_order_and_is_written_as_it_is_read() {
        for (name, groups) in NAMED {
            let named = order(&format!("\"{name}\"")).unwrap();
            assert_eq!(named, Order::Named(name));
            assert_eq!(named.groups(), groups, "{name}");
            assert_eq!(serde_json::to_string(&named).unwrap(), format!("\"{name}\""));
        }
        assert_eq!(Order::default(), Order::Named("kick-and-bass-first"));
        assert_eq!(Order::Named("of no name").groups(), []);
        assert_eq!(order("[]").unwrap(), Order::Groups(Vec::new()));
    }

    #[test]
    fn a_wrong_order_is_refused_with_what_is_allowed() {
        let names = "\"kick-and-bass-first\", \"drums-first\", \"vocals-first\"";
        assert_eq!(
            order("\"\"").unwrap_err(),
            format!("found \"\", allowed is one of {names} at line 1 column 2")
        );
        let twice = order("[\"keys\", \"drums\", \"keys\"]").unwrap_err();
        assert!(twice.starts_with("\"keys\" stands twice; a group has one place"), "{twice}");
    }

    #[test]
    fn an_editor_is_told_all_names_and_all_groups() {
        assert_eq!(Order::schema_name(), "Order");
        let schema = Order::json_schema(&mut SchemaGenerator::default()).to_value();
        let names: Vec<&str> = NAMED.iter().map(|(name, _)| *name).collect();
        let groups: Vec<&str> = Group::ALL.iter().map(|group| group.as_str()).collect();
        assert_eq!(schema["anyOf"][0]["enum"], serde_json::json!(names));
        assert_eq!(schema["anyOf"][1]["items"]["enum"], serde_json::json!(groups));
        assert_eq!(schema["anyOf"][1]["uniqueItems"], true);
    }
}
