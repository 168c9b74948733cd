//! Why the text of an argument has no value. It knows neither the arguments nor what is done with them.

/// What was found in the place of a value, and what is allowed there.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub(crate) enum ArgumentError {
    /// It is no time of the day.
    #[error("\"{found}\" is no time of the day; write hours and minutes, such as \"06:30\"")]
    TimeOfDay {
        /// The text.
        found: String,
    },
    /// It is no number of bytes.
    #[error("\"{found}\" is no size; write a whole number and K, M or G, such as \"500M\"")]
    Size {
        /// The text.
        found: String,
    },
    /// It is no share of work.
    #[error("\"{found}\" is no share; write I/N with I from 1 to N, such as 3/8")]
    Shard {
        /// The text.
        found: String,
    },
}
