//! Which stems an answer is about: a path inside the delivery, or a glob on paths.

use crate::values::Globs;

/// What makes a glob of a text.
const SIGNS: [char; 5] = ['*', '?', '[', '{', '\\'];

/// A path, or a glob.
#[derive(Debug, Clone)]
pub(crate) struct Pattern {
    pub(super) text: String,
    /// What it means as a glob. A text without a sign of globs is a path alone, byte for byte: two files may differ in case alone.
    glob: Option<Globs>,
}

impl Pattern {
    pub(super) fn new(text: &str) -> Self {
        let glob = text.contains(SIGNS).then(|| Globs::new(vec![text.to_owned()]).ok()).flatten();
        Self { text: text.to_owned(), glob }
    }

    /// Whether it is this path to the letter, so that brackets in a name are no glob.
    pub(super) fn is(&self, path: &str) -> bool {
        self.text == path
    }

    /// Whether it means this path.
    pub(super) fn means(&self, path: &str) -> bool {
        self.is(path) || self.glob.as_ref().is_some_and(|glob| glob.is_match(path))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_path_is_itself_and_a_glob_is_many() {
        for (pattern, path, means) in [
            ("Kick [old].wav", "Kick [old].wav", true),
            ("Kick [old].wav", "Kick o.wav", true),
            ("*.wav", "a/Kick.wav", true),
            ("kick.wav", "Kick.wav", false),
            ("kick*", "Kick.wav", true),
            ("Kick[.wav", "Kick[.wav", true),
            ("Kick[.wav", "Kick.wav", false),
        ] {
            assert_eq!(Pattern::new(pattern).means(path), means, "{pattern} {path}");
        }
        assert!(!Pattern::new("kick.wav").is("Kick.wav"));
    }
}
