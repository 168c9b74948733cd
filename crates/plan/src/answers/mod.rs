//! Answers: a versioned TOML file in which the engineer says of one delivery what its files do not: who is who, what the
//! song is, and what was found out about a question.

#[expect(
    clippy::module_inception,
    reason = "the answers are the value, the rest of the folder reads and checks it"
)]
mod answers;
mod check;
mod identity;
mod parse;
mod pattern;
mod schema;
mod table;

pub use self::answers::{Answers, FORMAT_VERSION, Left};
pub(crate) use self::identity::{correct, identity};
pub use self::schema::schema;
pub use loadin_session::said::{Song, Start, StemAnswer};
