//! What a delivery means: labels, groups, roles, rough mix, placement, stated facts.
//!
//! *Invariants:* pure functions of names and numbers; nothing here opens a file. Doubt is said, never decided away.

mod copies;
mod detail;
mod error;
pub mod facts;
mod family;
mod file_words;
mod folder;
mod label;
mod order;
mod pairs;
mod placement;
mod reference;
mod remarks;
mod role;
mod safe_name;
pub mod said;
mod shared_words;
mod short;
mod song_words;
mod songs;
mod system_files;
mod title;
mod token;
mod within_group;

pub mod estimate;

pub use copies::copy_rank;
pub use detail::{Details, SectionKind, Side, Treatment};
pub use error::Error;
pub use family::{Family, Group};
pub use folder::{GroupPlace, group_folder, group_place};
pub use label::{Label, LabelInput, LabelOptions, labels};
pub use order::{DRUMS_FIRST, KICK_AND_BASS_FIRST, VOCALS_FIRST};
pub use pairs::{PairInput, SidePair, refusal as pair_refusal, side_pairs, without_side};
pub use placement::{Placement, PlacementOptions, StartMode, StemTiming, place};
pub use reference::{ReferenceKind, is_reference};
pub use remarks::remarks;
pub use role::{Confidence, Role, role_of, role_of_file};
pub use safe_name::{Charset, safe_file_name};
pub use songs::{SongFiles, several_songs};
pub use system_files::{OtherFile, is_read, system_file};
pub use title::without_title;
