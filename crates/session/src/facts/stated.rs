//! A statement with its source. Knows no kind of statement.

/// A statement and where it stands.
#[derive(Debug, Clone, PartialEq)]
pub struct Stated<T> {
    /// What is stated.
    pub value: T,
    /// Where, for people.
    pub source: String,
}
