//! Imports upwards, planted between crates and between folders; and those that run down.

use super::super::checkout::Checkout;
use super::super::floors::{crate_faults, folder_faults};
use super::super::tables::RULES;
use super::{SMALL, assert_names, only};

const GROUND: (&str, &str) = ("crates/ground/Cargo.toml", "[package]\nname = \"loadin-ground\"\n");
const BESIDE: (&str, &str) = ("crates/beside/Cargo.toml", "[package]\nname = \"loadin-beside\"\n");
const MIDDLE: (&str, &str) = (
    "crates/middle/Cargo.toml",
    "[package]\nname = \"loadin-middle\"\n[dependencies]\nloadin-ground.workspace = true\n",
);
const WORK: (&str, &str) = (
    "crates/work/Cargo.toml",
    "[package]\nname = \"loadin-work\"\n[dependencies]\nloadin-ground.workspace = true\nserde = \"1\"\n\
     [dependencies.loadin-middle]\nworkspace = true\n",
);

/// The faults of a sound house after `change` took the place of the file with its path, or was added.
fn faults_with(change: (&str, &str)) -> Vec<super::Fault> {
    let mut files = vec![GROUND, BESIDE, MIDDLE, WORK];
    files.extend([
        (
            "crates/ground/src/lib.rs",
            "//! A crate.
",
        ),
        (
            "crates/beside/src/lib.rs",
            "//! A crate.
",
        ),
        (
            "crates/middle/src/lib.rs",
            "//! A crate.
",
        ),
        (
            "crates/work/src/lib.rs",
            "//! A crate.
",
        ),
    ]);
    files.push(change);
    crate_faults(&Checkout::of(&files), &SMALL)
}

#[test]
fn a_sound_house_has_no_fault() {
    assert_eq!(faults_with(GROUND), []);
}

#[test]
fn a_dependency_upwards() {
    let text = "[package]\nname = \"loadin-ground\"\n\n[dependencies]\nloadin-middle.workspace = true\n";
    let fault = only(&faults_with(("crates/ground/Cargo.toml", text)));
    assert_names(
        &fault,
        &[
            "crates/ground/Cargo.toml:5: found `loadin-middle` (floor 2) in [dependencies] of a crate on floor 1; only lower",
        ],
    );
}

#[test]
fn a_dependency_upwards_for_tests_or_under_another_name() {
    let text = "[dev-dependencies]\nx = { path = \"../work\", package = \"loadin-work\" }\n";
    let fault = only(&faults_with(("crates/ground/Cargo.toml", text)));
    assert_names(&fault, &["found `loadin-work` (floor 3) in [dev-dependencies]"]);
    let text = "[target.'cfg(unix)'.dependencies]\nloadin-beside.workspace = true\n";
    assert_names(&only(&faults_with(("crates/ground/Cargo.toml", text))), &["`loadin-beside` (floor 1)"]);
}

#[test]
fn a_dependency_that_is_not_listed() {
    let text = "[dependencies]\nloadin-beside.workspace = true\n";
    let fault = only(&faults_with(("crates/middle/Cargo.toml", text)));
    assert_names(
        &fault,
        &["Cargo.toml:2: found `loadin-beside`", "`middle` may depend on ground; do without"],
    );
}

#[test]
fn a_path_into_a_crate_that_is_not_declared() {
    let text = "//! A crate.\n// loadin_work::x\nuse loadin_ground::G;\nfn f() { loadin_work::f() }\n\
                #[cfg(test)]\nmod tests { use loadin_beside::B; }\n";
    let fault = only(&faults_with(("crates/middle/src/lib.rs", text)));
    assert_names(
        &fault,
        &["crates/middle/src/lib.rs:4: found a path into `loadin_work`", "declare it if its floor"],
    );
}

#[test]
fn crates_and_table_agree() {
    let fault = only(&faults_with(("crates/attic/Cargo.toml", "[package]\nname = \"loadin-attic\"\n")));
    assert_names(&fault, &["crates/attic/Cargo.toml: found a crate that is not in the table of floors"]);
    let fault =
        only(&faults_with(("tests/Cargo.toml", "[dependencies]\nloadin-demo = { path = \"../demo\" }\n")));
    assert_names(&fault, &["tests/Cargo.toml: found a dependency on `demo`"]);
    let empty = Checkout::of(&[]);
    assert_eq!(crate_faults(&empty, &SMALL).len(), SMALL.crates.len());
}

#[test]
fn the_table_itself_runs_downwards() {
    let floor = |name: &str| RULES.crates.iter().find(|room| room.folder == name).map(|room| room.floor);
    for room in RULES.crates {
        for used in room.may_use {
            assert!(floor(used).is_some_and(|floor| floor < room.floor), "{} lists {used}", room.folder);
        }
    }
}

const LIB: (&str, &str) =
    ("crates/work/src/lib.rs", "//! Work.\nmod left;\nmod low;\nmod right;\npub use right::R;\n");

fn folders(files: &[(&str, &str)]) -> Vec<super::Fault> {
    let all = [&[LIB], files].concat();
    folder_faults(&Checkout::of(&all), &SMALL)
}

#[test]
fn folders_that_import_downwards() {
    assert_eq!(
        folders(&[
            ("crates/work/src/low.rs", "//! Low.\npub struct Low;\n"),
            ("crates/work/src/left/mod.rs", "//! Left.\nmod inner;\npub struct L(crate::low::Low);\n"),
            ("crates/work/src/left/inner.rs", "//! Inner.\nuse super::L;\n"),
            ("crates/work/src/right.rs", "//! Right.\npub struct R(super::low::Low);\n"),
        ]),
        []
    );
}

#[test]
fn folders_that_import_upwards_or_sideways() {
    let fault = only(&folders(&[
        ("crates/work/src/low.rs", "//! Low.\n\nuse crate::R;\npub struct Low(R);\n"),
        ("crates/work/src/left/mod.rs", "//! Left.\n"),
        ("crates/work/src/right.rs", "//! Right.\npub struct R;\n"),
    ]));
    assert_names(
        &fault,
        &["crates/work/src/low.rs:3: found `crate::R` of right.rs, which does not stand below `low`"],
    );
    let fault = only(&folders(&[
        ("crates/work/src/low.rs", "//! Low.\n"),
        ("crates/work/src/left/mod.rs", "//! Left.\npub struct L(crate::right::R);\n"),
        ("crates/work/src/right.rs", "//! Right.\npub struct R;\n"),
    ]));
    assert_names(&fault, &["left/mod.rs:2: found `crate::right::R`", "does not stand below `left`"]);
}

#[test]
fn a_folder_that_imports_from_the_face_itself() {
    let faults = folder_faults(
        &Checkout::of(&[
            ("crates/work/src/lib.rs", "//! Work.\nmod low;\npub struct Top;\n"),
            ("crates/work/src/low.rs", "//! Low.\nuse crate::Top;\n"),
            ("crates/work/src/left.rs", "//! Left.\n"),
            ("crates/work/src/right.rs", "//! Right.\n"),
        ]),
        &SMALL,
    );
    assert_names(&only(&faults), &["low.rs:2: found `crate::Top` of lib.rs"]);
}

#[test]
fn folders_and_order_agree() {
    let faults = folders(&[
        ("crates/work/src/low.rs", "//! Low.\n"),
        ("crates/work/src/left/mod.rs", "//! Left.\n"),
        ("crates/work/src/attic/mod.rs", "//! Attic.\n"),
        ("crates/work/src/attic/box.rs", "//! Box.\n"),
    ]);
    assert_eq!(faults.len(), 2, "{faults:#?}");
    assert_names(&faults[0].to_string(), &["found no `right`; take it out of the order"]);
    assert_names(&faults[1].to_string(), &["crates/work/src/attic: found what is not in the order"]);
}
