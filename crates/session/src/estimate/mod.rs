//! What measured sound says about a delivery, beside what names say. Estimates come with their numbers, and where they
//! are not sure they say so; nothing here changes a sound or overrules a statement.
//!
//! Tempo and bars: [`Part::of`] picks the onsets of the stems that play one part; [`judge_tempo`] finds the pulse (`pulse`),
//! fits a grid through all onsets of the whole length (`grid`) and says how it is counted (`level`). Form: [`Presence`] says
//! who sounds when, [`sections`] divides the song by it. Sources stand in each file.

mod grid;
mod hint;
mod key;
mod level;
mod moving;
mod name_relation;
mod onset;
mod place;
mod presence;
mod pulse;
mod rate_label;
mod rough;
mod sections;
mod siblings;
mod tempo;

pub use hint::{Hint, Kind, Sound, sounds_like};
pub use key::{KeyFit, KeyRelation, PROFILES, Profile, correlations, key_of_circle, key_relation};
pub use moving::Step;
pub use name_relation::{ComparedName, NameRelation, name_relation, two_sides_of_a_skin};
pub use onset::{Onset, Part, Player};
pub use place::{PlaceFit, SettledFit, is_explained, is_settled, is_sure, is_sure_beside_others};
pub use presence::Presence;
pub use rate_label::{RateDoubt, TimedStem, rate_doubts};
pub use rough::{Gap, Processing, RoughFit, RoughVerdict, judge_rough};
pub use sections::{Section, letter, sections};
pub use siblings::{SiblingDoubt, SiblingFit, sibling_doubts};
pub use tempo::{Known, Tempo, TempoVerdict, is_same_pulse, judge_tempo};
