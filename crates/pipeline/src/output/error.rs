//! Why an output folder cannot be used.

use std::io;
use std::path::PathBuf;

use loadin_record::manifest::FORMAT_VERSION;
use loadin_storage::lock::Holder;
use loadin_storage::store::StoreError;

/// Why an output folder cannot be used.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum OutFolderError {
    /// It lies inside the delivery, or the delivery inside it.
    #[error("the output folder \"{}\" and the delivery \"{}\" lie inside each other: a delivery is never written to; choose another --out", out.display(), delivery.display())]
    Overlaps {
        /// The output folder.
        out: PathBuf,
        /// The delivery.
        delivery: PathBuf,
    },
    /// It holds something else.
    #[error("the output folder \"{}\" holds \"{found}\", which this program did not write; choose an empty or a new folder", out.display())]
    NotOurs {
        /// The output folder.
        out: PathBuf,
        /// Something in it.
        found: String,
    },
    /// It is packed in another way.
    #[error("\"{}\" holds a prepared delivery {}; prepare into it in the same way, or choose another --out", out.display(), if *bag { "as a bag (--bag)" } else { "that is no bag" })]
    OtherPackaging {
        /// The output folder.
        out: PathBuf,
        /// Whether what is there is a bag.
        bag: bool,
    },
    /// There are outputs of a finished preparation, and nothing that says what was promised of them.
    #[error("\"{}\" is missing beside prepared stems, so nobody knows what was promised of them; put it back from a copy, or choose another --out", path.display())]
    NoManifest {
        /// Where the manifest should be.
        path: PathBuf,
    },
    /// The manifest is not as it was written.
    #[error("\"{}\" is damaged or was edited ({why}), so nobody knows what was promised of the stems beside it; put it back from a copy, or choose another --out", path.display())]
    DamagedManifest {
        /// The manifest.
        path: PathBuf,
        /// What is wrong with it.
        why: String,
    },
    /// A newer program has written the manifest.
    #[error("\"{}\" has format version {found}, and this program reads {FORMAT_VERSION}: a newer program has prepared what lies beside it; use that one, or choose another --out", path.display())]
    NewerManifest {
        /// The manifest.
        path: PathBuf,
        /// The version that it has.
        found: u64,
    },
    /// A prepared file was changed by somebody.
    #[error("\"{}\" was changed after it was prepared, or put there by somebody, and would be replaced; nothing was written: move it away or choose another --out", path.display())]
    ChangedSince {
        /// The file.
        path: PathBuf,
    },
    /// Another run is at work there.
    #[error("another run is at work in \"{}\"{}; wait until it has ended, or choose another --out", out.display(), held_by(holder.as_ref()))]
    Busy {
        /// The output folder.
        out: PathBuf,
        /// Who holds it, where that is known.
        holder: Option<Holder>,
    },
    /// There is not enough room.
    #[error("\"{}\" needs {} and has {} free; nothing was written, make room or choose another --out", out.display(), megabytes(*needed), megabytes(*free))]
    NoRoom {
        /// The output folder.
        out: PathBuf,
        /// Bytes that the outputs need.
        needed: u64,
        /// Bytes that are free.
        free: u64,
    },
    /// The file system refused.
    #[error("cannot use \"{}\": {source}", path.display())]
    Disk {
        /// The path.
        path: PathBuf,
        /// What the file system said.
        source: io::Error,
    },
    /// A file cannot be written.
    #[error(transparent)]
    Store(#[from] StoreError),
}

fn held_by(holder: Option<&Holder>) -> String {
    holder.map_or_else(String::new, |h| format!(" (process {} on {})", h.process, h.host))
}

fn megabytes(bytes: u64) -> String {
    format!("{:.1} MB", bytes as f64 / 1e6)
}
