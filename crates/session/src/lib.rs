//! What a delivery means: labels, groups, roles, rough mix, placement, stated tempo.
//!
//! *Invariants:* pure functions of names and numbers; nothing here reads a file. Doubt is said, never decided away.

mod debris;
mod label;
mod pairs;
mod placement;
mod reference;
mod role;
mod tempo;
mod title;
mod token;

pub mod estimate;

pub use debris::debris;
pub use label::{
    Charset, DRUMS_FIRST, KICK_AND_BASS_FIRST, Label, LabelInput, LabelOptions, VOCALS_FIRST, labels,
};
pub use pairs::{PairInput, SidePair, side_pairs};
pub use placement::{Placement, PlacementOptions, StartMode, StemTiming, place};
pub use reference::{ReferenceKind, is_reference};
pub use role::{Family, Group, Role, role_of};
pub use tempo::tempo_of;
pub use title::without_title;
