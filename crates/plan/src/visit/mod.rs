//! A later visit to a prepared delivery: what was promised, how every prepared stem stands to it, and what another recipe
//! would change of it. Pure: it looks at no file.

mod again;
mod answered;
mod carried;
mod late;
mod moved;
mod promise;
mod standing;
#[cfg(test)]
mod tests;
mod wanted;

pub use self::again::{AnswerAgainError, answered_again};
pub use self::answered::{answers_would_change, free_renewed};
pub use self::carried::carried;
pub use self::late::differences;
pub use self::moved::said_paths;
pub use self::promise::promise;
pub use self::standing::{PromisedSource, PromisedStem, Standing, Visit};
pub use self::wanted::{WouldChange, other_rates, would_change};
