//! The stages. One file each, one shape: settings, decision, `decide`, `processor`, `changes`, tests.
//!
//! To add a stage, copy a file, add one line to the list below, one table to a recipe and one golden case.

use loadin_record::manifest::Change;
use loadin_record::written::Measured;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use toml::de::Deserializer;

use self::stage::{OfStage, Processor};
use crate::draft::Draft;
use crate::shape::Shape;

pub mod align_starts;
pub mod channel_fix;
pub mod dc_removal;
pub mod decode;
pub mod gain_stage;
pub mod label;
pub mod re_encode;
pub mod resample;
pub mod stage;
pub mod trim_silence;

macro_rules! stages {
    ($($variant:ident $module:ident $name:literal;)*) => {
        /// The names of all stages, in the order of the default recipe.
        pub const NAMES: &[&str] = &[$($name),*];

        /// The settings of one stage.
        #[derive(Debug, Clone, PartialEq, Serialize)]
        #[serde(untagged)]
        pub enum Settings {
            $(#[doc = concat!("Settings of `", $name, "`.")] $variant($module::Settings),)*
        }

        /// What one stage will do to one stem.
        #[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
        #[serde(tag = "stage")]
        pub enum Decision {
            $(#[doc = concat!("Decision of `", $name, "`.")] #[serde(rename = $name)] $variant($module::Decision),)*
        }

        impl Settings {
            /// The settings of the stage called `name`, read from a recipe table without its own keys; what the
            /// table does not name has its default. `None` when there is no such stage.
            pub fn read(name: &str, table: Deserializer<'_>) -> Option<Result<Self, toml::de::Error>> {
                match name {
                    $($name => Some($module::Settings::deserialize(table).map(Self::$variant)),)*
                    _ => None,
                }
            }

            /// The JSON Schema of the settings of the stage called `name`.
            pub fn schema(name: &str, generator: &mut schemars::SchemaGenerator) -> Option<schemars::Schema> {
                match name {
                    $($name => Some(<$module::Settings as JsonSchema>::json_schema(generator)),)*
                    _ => None,
                }
            }

            /// The stage's name.
            pub fn name(&self) -> &'static str {
                match self { $(Self::$variant(_) => $name,)* }
            }
        }

        impl Decision {
            /// The stage's name.
            pub fn stage(&self) -> &'static str {
                match self { $(Self::$variant(_) => $name,)* }
            }

            /// Why nothing is changed, where that is the decision.
            pub fn left(&self) -> Option<&str> {
                match self {
                    $(Self::$variant($module::Decision::Leave { why }) => Some(why),)*
                    _ => None,
                }
            }

            /// The change of sound that carries the decision out, where there is one.
            pub fn processor(&self, shape: Shape<'_>) -> Option<Box<dyn Processor>> {
                match self { $(Self::$variant(decision) => $module::processor(decision, shape),)* }
            }

            /// The change for the manifest, with what was measured after the act.
            pub fn change(&self, shape: Shape<'_>, measured: &Measured) -> Option<Change> {
                match self { $(Self::$variant(decision) => $module::change(decision, shape, measured),)* }
            }
        }

        $(impl OfStage for $module::Settings {
            type Of = Settings;

            fn of(settings: &Settings) -> Option<&Self> {
                match settings {
                    Settings::$variant(own) => Some(own),
                    _ => None,
                }
            }
        })*

        /// Lets one stage decide for every stem, in the order of the draft; `settings` has one entry a stem, all of the
        /// same stage.
        pub fn decide(settings: &[Settings], draft: &mut Draft<'_>) -> Vec<Decision> {
            match settings.first() {
                None => Vec::new(),
                $(Some(Settings::$variant(_)) => {
                    let own: Vec<$module::Settings> = settings.iter().filter_map(|s| match s {
                        Settings::$variant(own) => Some(own.clone()),
                        _ => None,
                    }).collect();
                    $module::decide(&own, draft).into_iter().map(Decision::$variant).collect()
                })*
            }
        }
    };
}

stages! {
    Decode decode "decode";
    Resample resample "resample";
    ChannelFix channel_fix "channel-fix";
    DcRemoval dc_removal "dc-removal";
    GainStage gain_stage "gain-stage";
    TrimSilence trim_silence "trim-silence";
    AlignStarts align_starts "align-starts";
    Label label "label";
    ReEncode re_encode "re-encode";
}

#[cfg(test)]
mod tests {
    use serde_json::json;

    use super::*;
    use crate::shape::OutputPlan;
    use crate::testing::{recipe, stem, with_draft};

    fn read(name: &str) -> Option<Result<Settings, toml::de::Error>> {
        Settings::read(name, Deserializer::parse("").unwrap())
    }

    #[test]
    fn every_stage_is_found_by_its_name_and_by_no_other() {
        for name in NAMES {
            let settings = read(name).unwrap().unwrap();
            assert_eq!(settings.name(), *name);
            let mut generator = schemars::SchemaGenerator::default();
            let schema = Settings::schema(name, &mut generator).unwrap().to_value();
            for key in serde_json::to_value(&settings).unwrap().as_object().unwrap().keys() {
                assert!(schema["properties"].get(key).is_some(), "{name}: {key}");
            }
        }
        assert_eq!(NAMES.len(), 9);
        assert!(read("Label").is_none());
        assert!(Settings::schema("", &mut schemars::SchemaGenerator::default()).is_none());
        let wrong = Settings::read("label", Deserializer::parse("number = 1").unwrap()).unwrap();
        assert!(wrong.unwrap_err().message().contains("expected a boolean"));
    }

    #[test]
    fn settings_and_decisions_are_those_of_their_own_stage() {
        let label = read("label").unwrap().unwrap();
        assert_eq!(label::Settings::of(&label), Some(&label::Settings::default()));
        assert_eq!(re_encode::Settings::of(&label), None);
        let shape = Shape { sources: &[], output: &OutputPlan::default() };
        for name in NAMES {
            let of_none: Decision =
                serde_json::from_value(json!({ "stage": name, "do": "leave", "why": "for a test" })).unwrap();
            assert_eq!((of_none.stage(), of_none.left()), (*name, Some("for a test")));
            assert!(of_none.processor(shape).is_none());
            assert_eq!(of_none.change(shape, &Measured::default()), None);
        }
        let gain = json!({
            "stage": "gain-stage", "do": "gain", "gain_db": 6.0, "coefficient": 2.0, "peak_db": -6.0,
            "unit": "dBFS", "why": "for a test"
        });
        let gain: Decision = serde_json::from_value(gain).unwrap();
        assert_eq!((gain.stage(), gain.left()), ("gain-stage", None));
        assert!(gain.processor(shape).is_some());
        assert_eq!(gain.change(shape, &Measured::default()).unwrap().stage, "gain-stage");
    }

    #[test]
    fn a_stage_decides_once_for_every_stem() {
        with_draft(&recipe(""), [stem("a.wav"), stem("b.wav").silent()], |draft| {
            assert_eq!(decide(&[], draft), []);
            for name in NAMES {
                let settings = read(name).unwrap().unwrap();
                let decisions = decide(&[settings.clone(), settings], draft);
                let stages: Vec<&str> = decisions.iter().map(Decision::stage).collect();
                assert_eq!(stages, [*name, *name]);
            }
        });
    }
}
