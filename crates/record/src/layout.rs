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
/// More bytes than a recipe ever has: what is longer is something else.
pub const MOST_RECIPE_BYTES: u64 = 1 << 20;

/// More bytes than a paper, a list or a manifest ever has: ten thousand stems take a tenth.
pub const MOST_PAPER_BYTES: u64 = 1 << 28;

/// The list of SHA-256 of everything but the manifest.
pub const CHECKSUMS: &str = "checksums.sha256";

/// What runs remember of the folder: the lock and the journal. Nothing in it is needed to use the outputs.
pub const MEMORY: &str = ".loadin";
