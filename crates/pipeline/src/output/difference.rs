//! What is not as a manifest says, and how much was looked at. It looks at nothing itself.

/// Something that is not as the manifest says.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Difference {
    /// The file, inside the output folder (or the delivery, for sources).
    pub path: String,
    /// What was found and what was expected.
    pub text: String,
}

/// What a verification has looked at.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Verified {
    /// Outputs that were read.
    pub outputs: usize,
    /// Sources that were read.
    pub sources: usize,
    /// Outputs that were made again from their sources.
    pub replayed: usize,
    /// Outputs that another version of the program has made, so that they cannot be compared.
    pub other_versions: usize,
    /// Everything that differs.
    pub differences: Vec<Difference>,
}

impl Verified {
    pub(crate) fn differs(&mut self, path: impl Into<String>, text: impl Into<String>) {
        self.differences.push(Difference { path: path.into(), text: text.into() });
    }
}
