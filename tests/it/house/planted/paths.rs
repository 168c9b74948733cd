//! What a path means: each way to write one, and the file that it leads to.

use super::super::names::links;

/// The links as `from:line path to`, in the order of the files.
fn found(files: &[(&str, &str)]) -> Vec<String> {
    let links = links(files);
    let mut all = Vec::new();
    for ((from, to), places) in &links.links {
        for place in places {
            all.push(format!("{}:{} {} {}", links.files[*from], place.line, place.path, links.files[*to]));
        }
    }
    all
}

/// The links of `a.rs` with this text, beside `b.rs` with `B`, `f`, a block `deep` with `D` and a trait.
fn of_a(text: &str) -> Vec<String> {
    found(&[
        ("a.rs", text),
        ("b.rs", "pub struct B;\npub fn f() {}\npub mod deep { pub struct D; }\npub trait T {}\n"),
        ("lib.rs", "mod a;\nmod b;\nextern crate std;\n"),
    ])
}

#[test]
fn every_form_of_use() {
    assert_eq!(of_a("use crate::b::B;"), ["a.rs:1 crate::b::B b.rs"]);
    assert_eq!(of_a("use super::b::{f, deep::D};").len(), 2);
    assert_eq!(of_a("use crate::{b::{B as _, deep::{self}}};"), ["a.rs:1 crate::b::B b.rs"]);
    assert_eq!(of_a("pub(crate) use crate::b::B;"), ["a.rs:1 crate::b::B b.rs"], "a face of another's");
    assert_eq!(of_a("use crate::b::*;"), ["a.rs:1 crate::b b.rs"], "for its trait");
    assert_eq!(of_a("use crate::b::*;\nstruct A(B);"), ["a.rs:2 B b.rs"]);
    assert_eq!(of_a("fn g() {\n    use crate::b::f;\n}"), ["a.rs:2 crate::b::f b.rs"]);
    assert!(
        of_a("use crate::b;\nuse std::fmt;\nuse ::serde::B;").is_empty(),
        "a module that nothing is taken from"
    );
}

#[test]
fn every_form_of_path() {
    for text in [
        "fn g() { crate::b::f() }",
        "fn g() { let x = super::b::f; }",
        "type X = Vec<crate::b::B>;",
        "fn g() { h::<crate::b::B>() }",
        "impl crate::b::T for A {}",
        "fn g() -> [u8; crate::b::N] { [0; 1] }",
        "fn g() { format!(\"{}\", crate::b::f()) }",
        "fn g() { for i in 0..crate::b::N {} }",
        "#[derive(crate::b::Derived)]\nstruct A;",
        "fn g() { crate::b::made!() }",
        "mod inner { fn g() { super::super::b::f() } }",
        "mod inner { use crate::b::B; }",
        "fn g() { crate::b::deep::D }",
    ] {
        assert_eq!(of_a(text).len(), 1, "{text}: {:?}", of_a(text));
    }
}

#[test]
fn what_is_no_path_of_ours() {
    for text in [
        "fn g(x: X) { x.crate_b(); x.b }",
        "pub(in crate::b) struct A;",
        "fn g() { Self::b(); std::b::f(); B }",
        "fn g() -> impl Iterator<Item = u8> + use<'_> { 0 }",
        "fn g() { let c = '\\''; let d = \"crate::b::f\"; let e = b'\"'; } // crate::b::f",
        "fn g() { let s = r##\"crate::b::f \"# crate::b::f\"##; let r#use = 1; }",
        "fn g() { let s = \"a\\\\\"; } /* /* crate::b::f */ crate::b::f */",
        "#[cfg(all(test, unix))]\nfn g() { crate::b::f() }",
        "#[test]\n#[ignore]\nfn g() { crate::b::f() }",
        "#[cfg(test)]\nuse crate::b::{B, f};\n#[cfg(test)]\nconst X: B = B { x: [1; 2] };",
        "struct A {\n    #[cfg(test)]\n    x: crate::b::B,\n}",
    ] {
        assert!(of_a(text).is_empty(), "{text}: {:?}", of_a(text));
    }
    assert_eq!(of_a("#[cfg(not(test))]\nfn g() { crate::b::f() }").len(), 1);
    assert_eq!(of_a("#[cfg(test)]\nmod tests { fn g() {} }\nfn g() { crate::b::f() }").len(), 1);
    assert_eq!(of_a("struct A {\n    #[cfg(test)]\n    x: u8,\n    y: crate::b::B,\n}").len(), 1);
}

#[test]
fn a_name_leads_to_the_file_that_defines_it() {
    let files = [
        ("lib.rs", "mod a;\nmod stages;\n"),
        ("a.rs", "use crate::stages::Settings;\nuse crate::stages::Own;\nuse crate::stages::Made;\n"),
        ("stages/mod.rs", "mod settings;\npub use settings::Settings;\npub struct Own;\nmake! { Made }\n"),
        ("stages/settings.rs", "pub struct Settings;\n"),
    ];
    assert_eq!(
        found(&files),
        [
            "a.rs:2 crate::stages::Own stages/mod.rs",
            "a.rs:3 crate::stages::Made stages/mod.rs",
            "a.rs:1 crate::stages::Settings stages/settings.rs",
        ]
    );
}

#[test]
fn a_module_and_a_function_of_one_name() {
    let files = [
        ("lib.rs", "mod a;\nmod recipe;\n"),
        ("a.rs", "use crate::recipe::schema;\nfn f() { schema(); schema::other() }\n"),
        ("recipe/mod.rs", "mod schema;\npub use schema::schema;\n"),
        ("recipe/schema.rs", "pub fn schema() {}\npub fn other() {}\n"),
    ];
    assert_eq!(
        found(&files),
        [
            "a.rs:1 crate::recipe::schema recipe/schema.rs",
            "a.rs:2 schema recipe/schema.rs",
            "a.rs:2 schema::other recipe/schema.rs",
        ]
    );
}

#[test]
fn a_macro_leads_to_its_parent_with_or_without_an_import() {
    let files = [
        ("lib.rs", "macro_rules! words { () => {} }\nmod a;\nmod b;\nmod c;\n"),
        ("a.rs", "words! {}\n"),
        ("b.rs", "macro_rules! ids { () => {} }\npub(crate) use ids;\n"),
        ("c.rs", "use super::b::ids;\n"),
    ];
    assert_eq!(found(&files), ["a.rs:1 words lib.rs", "c.rs:1 super::b::ids b.rs"]);
}

#[test]
fn imports_that_lead_nowhere_end() {
    let files = [
        ("lib.rs", "mod a;\nmod b;\npub use a::*;\npub use b::*;\n"),
        ("a.rs", "pub use crate::b::X;\npub use super::*;\nfn f() { Y }\n"),
        ("b.rs", "pub use crate::a::X;\npub use crate::a::*;\nfn f() { Y }\n"),
    ];
    assert!(found(&files).len() < 10);
}
