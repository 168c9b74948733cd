//! The house as it shall be: floors of crates, order of folders, limits, and the exceptions with their reasons. What
//! the tests compare the code with stands here and nowhere else.

/// What a checkout is held against.
pub(super) struct Rules<'a> {
    pub(super) crates: &'a [Crate<'a>],
    pub(super) orders: &'a [Order<'a>],
    pub(super) long_files: &'a [LongFile<'a>],
    /// The most lines of a file.
    pub(super) file_lines: usize,
    /// The most lines of a function.
    pub(super) function_lines: usize,
    /// The most that one crate may have of the lines of all crates, unit tests apart, in percent.
    pub(super) crate_percent: usize,
}

/// A crate: folder below `crates`, floor from the ground, and the crates that it may depend on.
pub(super) struct Crate<'a> {
    pub(super) folder: &'a str,
    pub(super) floor: usize,
    pub(super) may_use: &'a [&'a str],
}

/// The order of the folders and files right below the `src` of a crate, lowest row first. What stands in one row
/// does not know its neighbours; what is in no row is a fault. `lib.rs` and `main.rs` stand above all.
pub(super) struct Order<'a> {
    pub(super) folder: &'a str,
    pub(super) rows: &'a [&'a [&'a str]],
}

/// A file above the limit, and why it is.
pub(super) struct LongFile<'a> {
    pub(super) path: &'a str,
    pub(super) reason: &'a str,
}

pub(super) const RULES: Rules<'_> = Rules {
    crates: &[
        Crate { folder: "audio", floor: 1, may_use: &[] },
        Crate { folder: "session", floor: 1, may_use: &[] },
        Crate { folder: "codec", floor: 2, may_use: &["audio"] },
        Crate { folder: "record", floor: 2, may_use: &["session", "audio"] },
        Crate { folder: "storage", floor: 3, may_use: &["codec", "record", "audio"] },
        Crate { folder: "plan", floor: 3, may_use: &["audio", "codec", "session", "record"] },
        Crate { folder: "report", floor: 3, may_use: &["audio", "session", "record"] },
        Crate { folder: "analysis", floor: 4, may_use: &["audio", "session", "record", "storage"] },
        Crate {
            folder: "pipeline",
            floor: 5,
            may_use: &["audio", "session", "codec", "record", "storage", "plan", "analysis"],
        },
        Crate {
            folder: "cli",
            floor: 6,
            may_use: &[
                "audio", "session", "codec", "record", "storage", "plan", "report", "analysis", "pipeline",
            ],
        },
    ],
    orders: &[
        Order {
            folder: "pipeline",
            rows: &[
                &["work"],
                &["source"],
                &["survey", "stated"],
                &["journal"],
                &["output"],
                &["render"],
                &["run"],
                &["after", "units"],
            ],
        },
        Order {
            folder: "codec",
            rows: &[
                &["error"],
                &["format"],
                &["bext", "chunk", "extended_float", "pack"],
                &["metadata"],
                &["read", "write"],
            ],
        },
    ],
    long_files: &[],
    file_lines: 400,
    function_lines: 60,
    crate_percent: 20,
};
