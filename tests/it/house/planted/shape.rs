//! Files without a doc, what is too long, errors that are texts and a crate that is too large, planted.

use super::super::checkout::Checkout;
use super::super::shape::{
    crate_lines, doc_faults, error_faults, function_faults, length_faults, orphan_faults, share_faults,
};
use super::super::tables::{LongFile, Rules};
use super::{SMALL, assert_names, ground, only};

#[test]
fn a_file_without_a_module_doc() {
    for text in ["use std::fmt;\n", "\n//! Late.\n", "//!\n", "/// An item.\nfn f() {}\n", "// A comment.\n"]
    {
        let files = [
            ("tests/it/a.rs", text),
            ("benches/b.rs", "//! A bench.\n"),
            ("demo/src/c.rs", "//! The demo.\n"),
        ];
        let fault = only(&doc_faults(&Checkout::of(&files)));
        assert_names(&fault, &["tests/it/a.rs:1: found no module doc; open the file with `//!`"]);
    }
}

#[test]
fn a_file_that_nobody_takes_in() {
    let files = [
        ("crates/ground/src/lib.rs", "//! A.\npub mod near;\nmod far;\n"),
        ("crates/ground/src/near.rs", "//! B.\n#[cfg(test)]\nmod tests;\n"),
        ("crates/ground/src/near/tests.rs", "//! C.\n"),
        ("crates/ground/src/far/mod.rs", "//! D.\n// mod below;\n"),
        ("crates/ground/src/far/below.rs", "//! E.\n"),
        ("tests/src/bin/tool.rs", "//! F.\n"),
        ("tests/it/main.rs", "//! G.\nmod cases;\n"),
        ("tests/it/cases/mod.rs", "//! H.\npub(crate) mod one;\n"),
        ("tests/it/cases/one.rs", "//! I.\n"),
        ("benches/benches/parts.rs", "//! J.\n"),
    ];
    let fault = only(&orphan_faults(&Checkout::of(&files)));
    assert_names(&fault, &["crates/ground/src/far/below.rs: found in no `mod` line; it is never compiled"]);
}

/// A file of that many lines.
fn file(lines: usize) -> String {
    format!("//! A file.\n{}", "\n".repeat(lines - 1))
}

#[test]
fn a_long_file() {
    let allowed = Rules { long_files: &[], ..SMALL };
    let tree = |lines| Checkout::of(&[("demo/src/a.rs", file(lines).leak())]);
    assert_eq!(length_faults(&tree(10), &allowed), []);
    let fault = only(&length_faults(&tree(11), &allowed));
    assert_names(
        &fault,
        &["demo/src/a.rs:11: found 11 lines; 10 are allowed; split the file, or put it on the list"],
    );
}

#[test]
fn the_list_of_long_files_cannot_rot() {
    let table = |lines| ground(&[("table.rs", file(lines).leak())]);
    assert_eq!(length_faults(&table(11), &SMALL), []);
    let fault = only(&length_faults(&table(10), &SMALL));
    assert_names(&fault, &["crates/ground/src/table.rs: found 10 lines; take the file out of the list"]);
    assert_names(&only(&length_faults(&ground(&[]), &SMALL)), &["table.rs: found no such file"]);
    let silent = LongFile { path: "crates/ground/src/table.rs", reason: " " };
    let rules = Rules { long_files: &[silent], ..SMALL };
    assert_names(&only(&length_faults(&table(11), &rules)), &["without a reason; give it one"]);
}

const SIX: &str = "fn long(x: [u8; 2]) -> char\nwhere\n    X: Y,\n{\n    '}'\n}\n";

#[test]
fn a_long_function() {
    let check = |text: &str| function_faults(&ground(&[("a.rs", text)]), &SMALL);
    let fault = only(&check(&format!("//! A.\nfn short() {{\n    1;\n}}\nimpl A {{\n{SIX}}}\n")));
    assert_names(
        &fault,
        &["crates/ground/src/a.rs:6: found `long` with 6 lines; 4 are allowed", "`// Long: ...`"],
    );
    assert_eq!(check(&format!("//! A.\n// Long: it is one table.\n/// Doc.\n#[inline]\n{SIX}")), []);
    assert_eq!(check("//! A.\nfn short() {\n    2;\n}\ntrait T {\n    fn f();\n\n\n\n\n}\n"), []);
}

#[test]
fn a_reason_that_is_none() {
    let check = |text: &str| function_faults(&ground(&[("a.rs", text)]), &SMALL);
    let faults = check(&format!("//! A.\n// Long: \n{SIX}"));
    assert_eq!(faults.len(), 2, "{faults:#?}");
    let fault = only(&check("//! A.\n// Long: it was once.\nfn short() {}\n"));
    assert_names(
        &fault,
        &["a.rs:2: found `// Long: ` without a reason, or above no function of more than 4 lines"],
    );
}

#[test]
fn an_error_that_is_a_text() {
    let check = |text: &str| error_faults(&ground(&[("a.rs", text)]));
    for text in [
        "fn f() -> Result<u8, String> {}",
        "fn f() -> Result<(u8, Vec<u8>), &'static str> {}",
        "type R<T> = std::result::Result<T, std::string::String>;",
        "fn f() -> io::Result<Result<(), Vec<String>>> {}",
        "fn f(g: impl Fn(u8) -> Result<u8,\n    String>) {}",
        "fn f() { x.collect::<Result<Vec<_>, Box<str>>>() }",
        "impl FromStr for A {\n    type Err = String;\n}",
    ] {
        assert_names(&only(&check(text)), &["found a text as an error"]);
    }
    for text in [
        "fn f() -> Result<String, Error> {}",
        "fn f() -> io::Result<String> {}",
        "fn f() -> Result<u8, Failure<String>> {}",
        "fn f() -> Result<HashMap<String, String>, E> {}",
        "impl FromStr for A { type Err = Failure<String>; }\ntype Error = io::Error;",
        "// Result<u8, String>",
        "#[cfg(test)]\nmod tests {\n    fn f() -> Result<u8, String> {}\n}",
    ] {
        assert_eq!(check(text), [], "{text}");
    }
}

#[test]
fn a_crate_that_is_too_large() {
    let tests = "#[cfg(test)]\nmod tests {\n\n\n\n\n}\n";
    let other = ("crates/middle/src/lib.rs", "//! M.\n\n\n\n");
    let tree = |text: &'static str| Checkout::of(&[("crates/ground/src/lib.rs", text), other]);
    assert_eq!(share_faults(&tree("//! G.\n\n\n\n\n\n"), &SMALL), []);
    let fault = only(&share_faults(&tree("//! G.\n\n\n\n\n\n\n"), &SMALL));
    assert_names(
        &fault,
        &["crates/ground: found 7 of 11 lines (63.6 %), unit tests apart; 60 % are allowed; move"],
    );
    assert_eq!(share_faults(&tree(format!("//! G.\n\n\n\n\n\n{tests}").leak()), &SMALL), []);
}

#[test]
fn files_of_unit_tests_are_not_counted() {
    let tree = ground(&[
        ("lib.rs", "//! G.\nmod role;\n"),
        ("role.rs", "//! Role.\n#[cfg(test)]\nmod tests;\n"),
        ("role/tests.rs", "//! Tests.\n\n\n\n"),
    ]);
    assert_eq!(crate_lines(&tree).into_iter().collect::<Vec<_>>(), [("ground", 3)]);
}
