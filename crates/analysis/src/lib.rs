//! What comparing the stems of a delivery with each other shows: relatives, places, the rough mix, tempo, key, sections.
//!
//! *Invariant:* all of it is evidence. Nothing here changes a decision over audio; what is found goes to the plan as values of
//! the record, and only a setting of the recipe makes a change of it.
//! *Invariant:* it reads sketches and surveys alone: no audio is decoded a second time. It knows no recipe and no plan.

mod compare;
mod delivery;
mod estimates;
mod instrument;
mod key;
mod mix;
mod players;
mod related;
mod rough_mix;
mod sketches;

pub use self::compare::compare;
pub use self::delivery::Delivery;
pub use self::sketches::Sketches;
