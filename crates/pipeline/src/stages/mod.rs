//! The stages. One file each, one shape: settings, decision, `decide`, `processor`, `changes`, tests.
//!
//! To add a stage, copy a file, add one line to the list below, one table to a recipe and one golden case.

use loadin_audio::Block;
use loadin_record::manifest::Change;
use loadin_record::written::Measured;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use toml::de::Deserializer;

use crate::plan::{Draft, StemPlan};

pub mod align_starts;
pub mod channel_fix;
pub mod dc_removal;
pub mod decode;
pub mod gain_stage;
pub mod label;
pub mod re_encode;
pub mod resample;
pub mod trim_silence;

/// A change of sound in a stream. It keeps what it needs between blocks and never sees the whole file.
pub trait Processor: Send {
    /// Leaves in the empty `block` a piece of what comes before the first frame; called until it leaves nothing.
    fn begin(&mut self, _block: &mut Block) {}

    /// Takes the frames of `block` and leaves in it what is ready; that may be nothing.
    fn process(&mut self, block: &mut Block);

    /// Leaves in the empty `block` a piece of what remains after the last frame; called until it leaves nothing.
    fn finish(&mut self, _block: &mut Block) {}
}

/// Which stems share one decision.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Link {
    /// Every stem for itself.
    Stem,
    /// The stems of one group.
    Group,
    /// All stems of the delivery.
    #[default]
    Delivery,
}

impl Link {
    /// The linked active stems, as lists of indices with the name of the scope; references take no part.
    pub fn scopes(link: &[Self], draft: &Draft<'_>) -> Vec<(String, Vec<usize>)> {
        let mut scopes: Vec<(String, Vec<usize>)> = Vec::new();
        for (index, stem) in draft.linked() {
            let name = match link[index] {
                Self::Stem => format!("stem {}", stem.path()),
                Self::Group => format!("group {}", stem.group.as_str()),
                Self::Delivery => "delivery".to_owned(),
            };
            match scopes.iter_mut().find(|(known, _)| *known == name) {
                Some((_, members)) => members.push(index),
                None => scopes.push((name, vec![index])),
            }
        }
        scopes
    }
}

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
            pub fn processor(&self, stem: &StemPlan) -> Option<Box<dyn Processor>> {
                match self { $(Self::$variant(decision) => $module::processor(decision, stem),)* }
            }

            /// The change for the manifest, with what was measured after the act.
            pub fn change(&self, stem: &StemPlan, measured: &Measured) -> Option<Change> {
                match self { $(Self::$variant(decision) => $module::change(decision, stem, measured),)* }
            }
        }

        /// Lets one stage decide for every stem; `settings` has one entry a stem, all of the same stage.
        pub fn decide(settings: &[Settings], draft: &mut Draft<'_>) {
            match settings.first() {
                None => {}
                $(Some(Settings::$variant(_)) => {
                    let own: Vec<$module::Settings> = settings.iter().filter_map(|s| match s {
                        Settings::$variant(own) => Some(own.clone()),
                        _ => None,
                    }).collect();
                    let decisions = $module::decide(&own, draft);
                    for (stem, decision) in draft.stems.iter_mut().zip(decisions) {
                        stem.decisions.push(Decision::$variant(decision));
                    }
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

/// The reason that every stage gives for a stem that is not rendered.
pub(crate) const NOT_RENDERED: &str = "the stem is not rendered";
