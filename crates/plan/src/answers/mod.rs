//! Answers: a versioned TOML file in which the engineer says of one delivery what its files do not: who is who, what the
//! song is, and what was found out about a question.

#[expect(
    clippy::module_inception,
    reason = "the answers are the value, the rest of the folder reads and checks it"
)]
mod answers;
mod check;
mod parse;
mod pattern;
mod place;
mod schema;
mod song;
mod stem;
mod table;

pub use self::answers::{Answers, FORMAT_VERSION, Left};
pub use self::schema::schema;
pub use self::song::Song;
pub use self::stem::{Start, StemAnswer};
