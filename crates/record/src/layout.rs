//! Names of what lies in an output folder. It knows no path outside of it, and opens none.

/// Folder of the prepared stems.
pub const AUDIO: &str = "audio";

/// Folder of outputs whose source is no longer in the delivery.
pub const SET_ASIDE: &str = "set-aside";

/// The record.
pub const MANIFEST: &str = "manifest.json";

/// The recipe as it was used, byte for byte.
pub const RECIPE: &str = "recipe.toml";

/// What the engineer says of the delivery, byte for byte.
pub const ANSWERS: &str = "answers.toml";

/// The list of SHA-256 of everything but the manifest.
pub const CHECKSUMS: &str = "checksums.sha256";

/// What runs remember of the folder: the lock and the journal. Nothing in it is needed to use the outputs.
pub const MEMORY: &str = ".loadin";
