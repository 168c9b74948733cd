//! Circles of files, planted in every way that one file can take something from another; and trees that have none.

use super::super::circles::circle_faults;
use super::{assert_names, ground, only};

const LIB: (&str, &str) = ("lib.rs", "//! A crate.\nmod a;\nmod b;\npub use a::A;\npub use b::B;\n");

fn circle(files: &[(&str, &str)]) -> String {
    only(&circle_faults(&ground(files)))
}

fn assert_no_circle(files: &[(&str, &str)]) {
    assert_eq!(circle_faults(&ground(files)), []);
}

#[test]
fn by_use() {
    let fault = circle(&[
        LIB,
        ("a.rs", "//! A.\nuse crate::b::B;\npub struct A(B);\n"),
        ("b.rs", "//! B.\n\nuse crate::{\n    a::{self, A as Other},\n};\npub struct B(Box<Other>);\n"),
    ]);
    assert_names(
        &fault,
        &[
            "crates/ground/src/a.rs:2: found a circle of 2 files (a.rs b.rs); none is allowed; move what they share",
            "\n    crates/ground/src/a.rs:2 takes crate::b::B from b.rs",
            "\n    crates/ground/src/b.rs:4 takes crate::a::A from a.rs",
        ],
    );
}

#[test]
fn by_a_path_in_code() {
    let fault = circle(&[
        LIB,
        ("a.rs", "//! A.\npub struct A;\npub fn f() {\n    crate::b::f()\n}\n"),
        (
            "b.rs",
            "//! B.\npub struct B;\npub fn f() {\n    let _ = <crate::a::A as Default>::default();\n}\n",
        ),
    ]);
    assert_names(&fault, &["a.rs:4 takes crate::b::f from b.rs", "b.rs:4 takes crate::a::A from a.rs"]);
}

#[test]
fn by_a_module_that_is_imported_and_used() {
    let fault = circle(&[
        LIB,
        ("a.rs", "//! A.\nuse crate::b as other;\npub struct A(other::B);\n"),
        ("b.rs", "//! B.\nuse super::*;\npub struct B(Vec<a::A>);\n"),
    ]);
    assert_names(&fault, &["a.rs:3 takes other::B from b.rs", "b.rs:3 takes a::A from a.rs"]);
}

#[test]
fn by_super_between_parent_and_child() {
    let fault = circle(&[
        ("lib.rs", "//! A crate.\nmod plan;\n"),
        (
            "plan/mod.rs",
            "//! The plan.\nmod draft;\npub struct Link;\npub fn f() -> draft::Draft { todo() }\n",
        ),
        ("plan/draft.rs", "//! The draft.\npub struct Draft(super::Link);\n"),
    ]);
    assert_names(&fault, &["plan/draft.rs:2 takes super::Link", "plan/mod.rs:4 takes draft::Draft"]);
}

#[test]
fn by_a_re_export() {
    let fault = circle(&[
        LIB,
        ("a.rs", "//! A.\nuse crate::B;\npub struct A(B);\n"),
        ("b.rs", "//! B.\npub struct B(Option<Box<super::A>>);\n"),
    ]);
    assert_names(&fault, &["a.rs:2 takes crate::B from b.rs", "b.rs:2 takes super::A from a.rs"]);
}

#[test]
fn by_two_re_exports_in_turn_and_by_glob() {
    let fault = circle(&[
        ("lib.rs", "//! A crate.\nmod inner;\nmod outer;\npub use inner::*;\n"),
        ("inner/mod.rs", "//! A face.\nmod deep;\npub use self::deep::Deep as Renamed;\n"),
        ("inner/deep.rs", "//! Deep.\npub struct Deep(crate::outer::Outer);\n"),
        ("outer.rs", "//! Outer.\npub struct Outer(Box<crate::Renamed>);\n"),
    ]);
    assert_names(&fault, &["(inner/deep.rs outer.rs)", "outer.rs:2 takes crate::Renamed from inner/deep.rs"]);
}

#[test]
fn by_a_face_that_uses_what_it_hands_on() {
    let fault = circle(&[
        ("lib.rs", "//! A crate.\nmod a;\npub use a::A;\npub struct Own;\npub fn f(a: &A) {}\n"),
        ("a.rs", "//! A.\npub struct A(crate::Own);\n"),
    ]);
    assert_names(&fault, &["a.rs:2 takes crate::Own from lib.rs", "lib.rs:5 takes A from a.rs"]);
}

#[test]
fn across_three_files() {
    let fault = circle(&[
        ("lib.rs", "//! A crate.\nmod a;\nmod b;\nmod c;\nmod d;\n"),
        ("a.rs", "//! A.\nuse crate::b::B;\npub struct A(B);\n"),
        ("b.rs", "//! B.\nuse crate::c::C;\npub struct B(C);\n"),
        ("c.rs", "//! C.\npub fn f() {\n\n    crate::a::f()\n}\npub struct C;\n"),
        ("d.rs", "//! D.\nuse crate::{a::A, c::C};\n"),
    ]);
    let chain = "\n    crates/ground/src/a.rs:2 takes crate::b::B from b.rs\
                 \n    crates/ground/src/b.rs:2 takes crate::c::C from c.rs\
                 \n    crates/ground/src/c.rs:4 takes crate::a::f from a.rs";
    assert_names(&fault, &["a circle of 3 files (a.rs b.rs c.rs)", chain]);
}

#[test]
fn by_a_macro_and_its_arguments() {
    let face = "//! The stages.\nmod one;\nmacro_rules! stages {\n    ($($m:ident)*) => { $($m::work();)* };\n}\n\
                pub struct Shared;\nfn all() {\n    stages! { one }\n}\n";
    let fault = circle(&[
        ("lib.rs", "//! A crate.\nmod stages;\n"),
        ("stages/mod.rs", face),
        ("stages/one.rs", "//! One.\npub fn work() {\n    let _ = super::Shared;\n}\n"),
    ]);
    assert_names(&fault, &["stages/mod.rs:8 takes one::work", "stages/one.rs:3 takes super::Shared"]);
}

#[test]
fn by_a_path_inside_a_macro() {
    let fault = circle(&[
        LIB,
        ("a.rs", "//! A.\nmacro_rules! make {\n    () => { $crate::b::B };\n}\npub struct A;\n"),
        ("b.rs", "//! B.\npub struct B(crate::a::A);\n"),
    ]);
    assert_names(&fault, &["a.rs:3 takes crate::b::B from b.rs"]);
}

#[test]
fn by_a_path_in_an_attribute() {
    let fault = circle(&[
        LIB,
        ("a.rs", "//! A.\npub struct A {\n    #[serde(default = \"crate::b::standard\")]\n    x: u8,\n}\n"),
        ("b.rs", "//! B.\n#[arg(value_parser = crate::a::parsed)]\npub struct B;\n"),
    ]);
    assert_names(&fault, &["a.rs:3 takes crate::b::standard", "b.rs:2 takes crate::a::parsed"]);
}

#[test]
fn none_by_a_face_that_only_hands_on() {
    assert_no_circle(&[
        ("lib.rs", "//! A crate.\nmod a;\nmod face;\npub use a::A;\npub use face::{One, two::Two};\n"),
        ("a.rs", "//! A.\nuse crate::One;\npub struct A(One, crate::face::Two);\n"),
        (
            "face/mod.rs",
            "//! A face.\nmod one;\nmod two;\npub use one::One;\npub(crate) use self::two::Two;\n",
        ),
        ("face/one.rs", "//! One.\nuse super::Two;\npub struct One(Two);\n"),
        ("face/two.rs", "//! Two.\npub struct Two;\n"),
    ]);
}

#[test]
fn none_by_a_parent_that_uses_a_child_which_does_not_use_it() {
    assert_no_circle(&[
        ("lib.rs", "//! A crate.\nmod music;\n"),
        ("music.rs", "//! Music.\nmod markers;\npub struct Facts(markers::Markers);\n"),
        ("music/markers.rs", "//! Markers.\npub struct Markers(Time);\nstruct Time;\n"),
    ]);
}

#[test]
fn none_by_unit_tests() {
    let inside =
        "#[cfg(test)]\nmod tests {\n    use crate::b::B;\n    #[test]\n    fn t() { crate::b::f(); }\n}\n";
    assert_no_circle(&[
        LIB,
        ("a.rs", &format!("//! A.\n#[cfg(test)]\nuse crate::b::f;\npub struct A;\n{inside}")),
        ("b.rs", "//! B.\nuse crate::a::A;\n#[cfg(test)]\nmod tests;\npub struct B(A);\n"),
        ("b/tests.rs", "//! Tests of B.\nuse super::B;\n"),
        ("c.rs", "//! For tests alone.\n#![cfg(test)]\nuse crate::a::A;\n"),
    ]);
}

#[test]
fn none_by_comments_strings_and_characters() {
    let text = "//! A. See [`crate::b::B`].\n/* use crate::b::B; /* nested */ crate::b::f() */\n\
                pub struct A<'a>(&'a str);\nfn f() -> (&'static str, &'static str, char, char) {\n    \
                // crate::b::f()\n    (\"crate::b::B \\\" crate::b::B\", r#\"\"crate::b::B\"\"#, '\"', '\\'')\n}\n";
    assert_no_circle(&[LIB, ("a.rs", text), ("b.rs", "//! B.\npub struct B(crate::A<'static>);\n")]);
}

#[test]
fn none_by_names_that_only_look_alike() {
    assert_no_circle(&[
        ("lib.rs", "//! A crate.\nmod a;\nmod b;\n"),
        (
            "a.rs",
            "//! A.\nuse other::b;\npub enum A { B(u8) }\nfn f(x: A) { b::f(); x.b(); let b = A::B(1); g(b) }\n",
        ),
        ("b.rs", "//! B.\nuse crate::a::A;\npub struct B(A);\n"),
    ]);
}
