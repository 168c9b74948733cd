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
