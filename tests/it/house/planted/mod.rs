//! The test of the test: small trees with a planted fault, and clean ones that look alike. What it cannot see is
//! listed beside the real checks, not here.

mod arithmetic;
mod circles;
mod floors;
mod paths;
mod shape;

use super::checkout::{Checkout, Fault};
use super::tables::{Crate, LongFile, Order, Rules};

/// A house of three floors; the folders of `work` stand in two rows.
const SMALL: Rules<'_> = Rules {
    crates: &[
        Crate { folder: "ground", floor: 1, may_use: &[] },
        Crate { folder: "beside", floor: 1, may_use: &[] },
        Crate { folder: "middle", floor: 2, may_use: &["ground"] },
        Crate { folder: "work", floor: 3, may_use: &["ground", "middle"] },
    ],
    orders: &[Order { folder: "work", rows: &[&["low"], &["left", "right"]] }],
    long_files: &[LongFile { path: "crates/ground/src/table.rs", reason: "one table" }],
    file_lines: 10,
    function_lines: 4,
    crate_percent: 60,
};

/// The only fault, as text.
fn only(faults: &[Fault]) -> String {
    assert_eq!(faults.len(), 1, "{faults:#?}");
    faults[0].to_string()
}

/// A checkout of one crate, `ground`, with these files below `src`.
fn ground(files: &[(&str, &str)]) -> Checkout {
    let paths: Vec<String> = files.iter().map(|(path, _)| format!("crates/ground/src/{path}")).collect();
    let all: Vec<(&str, &str)> =
        paths.iter().zip(files).map(|(path, (_, text))| (path.as_str(), *text)).collect();
    Checkout::of(&all)
}

/// Asserts that the fault names all of these.
fn assert_names(fault: &str, parts: &[&str]) {
    for part in parts {
        assert!(fault.contains(part), "{part:?} is not in {fault}");
    }
}
