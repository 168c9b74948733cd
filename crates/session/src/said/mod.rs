//! What the engineer says of a delivery, as values: of the song, of a stem, and of places. It knows no file that says it.

mod place;
mod song;
mod stem;

pub use self::place::{ALLOWED, ALLOWED_START, Bars, Place};
pub use self::song::Song;
pub use self::stem::{Start, StemAnswer};
