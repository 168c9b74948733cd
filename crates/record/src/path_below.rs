//! A path that leads nowhere but below the folder it is joined to. It knows no file: whether links lead elsewhere is for
//! whoever opens it.

use std::borrow::Borrow;
use std::fmt;
use std::ops::Deref;
use std::path::Path;

use schemars::JsonSchema;
use serde::de::Error as _;
use serde::{Deserialize, Deserializer, Serialize};

/// A relative path of names with `/` between them: not empty, without a root, a drive, `.`, `..`, an empty name, a backslash or
/// a NUL. A record may come back from strangers, so that every path out of one is made here.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, JsonSchema)]
#[serde(try_from = "String", into = "String")]
#[schemars(with = "String")]
pub struct PathBelow(String);

/// Why a text is no path below a folder.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error(
    "found the path {path:?}, allowed is a relative path below the folder, without \"..\": the record was changed by somebody"
)]
pub struct NotBelow {
    path: String,
}

impl PathBelow {
    /// The path of this text.
    ///
    /// # Errors
    /// When it is none below a folder.
    pub fn new(text: impl Into<String>) -> Result<Self, NotBelow> {
        let path = text.into();
        if path.split('/').all(is_name) { Ok(Self(path)) } else { Err(NotBelow { path }) }
    }

    /// The text.
    pub fn as_str(&self) -> &str {
        &self.0
    }
}

/// Whether a text is one name in a folder, on every system.
pub fn is_name(text: &str) -> bool {
    let is_drive = text.as_bytes().get(1) == Some(&b':') && text.as_bytes()[0].is_ascii_alphabetic();
    !matches!(text, "" | "." | "..") && !text.contains(['/', '\\', '\0']) && !is_drive
}

impl TryFrom<String> for PathBelow {
    type Error = NotBelow;

    fn try_from(text: String) -> Result<Self, NotBelow> {
        Self::new(text)
    }
}

impl From<PathBelow> for String {
    fn from(path: PathBelow) -> Self {
        path.0
    }
}

impl Deref for PathBelow {
    type Target = str;

    fn deref(&self) -> &str {
        &self.0
    }
}

impl AsRef<Path> for PathBelow {
    fn as_ref(&self) -> &Path {
        Path::new(&self.0)
    }
}

impl AsRef<str> for PathBelow {
    fn as_ref(&self) -> &str {
        &self.0
    }
}

impl Borrow<str> for PathBelow {
    fn borrow(&self) -> &str {
        &self.0
    }
}

impl From<&PathBelow> for String {
    fn from(path: &PathBelow) -> Self {
        path.0.clone()
    }
}

impl PartialEq<str> for PathBelow {
    fn eq(&self, other: &str) -> bool {
        self.0 == other
    }
}

impl PartialEq<String> for PathBelow {
    fn eq(&self, other: &String) -> bool {
        self.0 == *other
    }
}

impl fmt::Display for PathBelow {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.0)
    }
}

/// Reads the name of a file or folder; empty where there is none.
///
/// # Errors
/// When the text is a path, or no name on some system.
pub fn name_or_none<'de, D: Deserializer<'de>>(deserializer: D) -> Result<String, D::Error> {
    let text = String::deserialize(deserializer)?;
    if text.is_empty() || is_name(&text) { Ok(text) } else { Err(D::Error::custom(NotBelow { path: text })) }
}

/// Reads the path of a folder below another one; empty where there is none.
///
/// # Errors
/// When it is no path below that one.
pub fn folder_or_none<'de, D: Deserializer<'de>>(deserializer: D) -> Result<String, D::Error> {
    let text = String::deserialize(deserializer)?;
    if text.is_empty() { Ok(text) } else { PathBelow::new(text).map(String::from).map_err(D::Error::custom) }
}

/// Reads the name of a file, where one is known.
///
/// # Errors
/// When the text is a path, or no name on some system.
pub fn known_name<'de, D: Deserializer<'de>>(deserializer: D) -> Result<Option<String>, D::Error> {
    let text = Option::<String>::deserialize(deserializer)?;
    match text {
        Some(path) if !is_name(&path) => Err(D::Error::custom(NotBelow { path })),
        text => Ok(text),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn nothing_leads_out_of_the_folder() {
        for path in ["audio/01_Kick.wav", "audio/02 Drums/.. Kick.wav", "a", "…/b", "audio/C. Kick.wav"] {
            assert_eq!(PathBelow::new(path).map(String::from), Ok(path.to_owned()));
        }
        for path in [
            "",
            "/",
            "/etc/x",
            "..",
            "../x",
            "audio/../../x",
            "audio/..",
            "./x",
            "audio/./x",
            "audio//x",
            "audio/",
            "C:/x",
            "c:x",
            "audio\\..\\x",
            "audio/a\0b",
        ] {
            assert_eq!(PathBelow::new(path), Err(NotBelow { path: path.to_owned() }), "{path:?}");
            let json = serde_json::to_string(path).unwrap();
            let read: Result<PathBelow, _> = serde_json::from_str(&json);
            assert!(read.is_err_and(|error| error.to_string().contains("allowed is")), "{path:?}");
        }
    }
}
