//! The architecture, held by a test: reads every `Cargo.toml` and every Rust file as text, and fails on an import
//! upwards, a circle of files, a file without a module doc, what is too long, errors that are texts, and sines of the system.
//!
//! `cargo test -p loadin-tests house -- --nocapture` also prints every circle and every crate's share of the lines.
//!
//! Paths are followed without types, so that some imports stay unseen: a method called on a value whose type is not
//! named there, also where an `impl` stands in another file than its type; a name inside a format string; a trait
//! that a face hands on and whose methods it calls; and what a macro of another file takes by a bare name.

mod arithmetic;
mod checkout;
mod circles;
mod floors;
mod modules;
mod names;
mod planted;
mod shape;
mod tables;
mod tokens;

use std::fmt::Write;
use std::path::Path;

use checkout::{Checkout, Fault};
use tables::RULES;

/// This checkout.
fn ours() -> Checkout {
    Checkout::read(&Path::new(env!("CARGO_MANIFEST_DIR")).join(".."))
}

fn assert_none(faults: &[Fault]) {
    let text: String = faults.iter().map(|fault| format!("\n{fault}")).collect();
    assert!(faults.is_empty(), "{} faults:{text}", faults.len());
}

#[test]
fn no_crate_imports_upwards() {
    assert_none(&floors::crate_faults(&ours(), &RULES));
}

#[test]
fn no_folder_imports_upwards() {
    assert_none(&floors::folder_faults(&ours(), &RULES));
}

#[test]
fn no_files_import_each_other_in_a_circle() {
    assert_none(&circles::circle_faults(&ours()));
}

#[test]
fn every_file_says_what_it_is_for() {
    assert_none(&shape::doc_faults(&ours()));
}

#[test]
fn every_file_is_compiled() {
    assert_none(&shape::orphan_faults(&ours()));
}

#[test]
fn no_file_is_long_without_a_reason() {
    assert_none(&shape::length_faults(&ours(), &RULES));
}

#[test]
fn no_function_is_long_without_a_reason() {
    assert_none(&shape::function_faults(&ours(), &RULES));
}

#[test]
fn no_crate_holds_most_of_the_code() {
    assert_none(&shape::share_faults(&ours(), &RULES));
}

#[test]
fn no_error_is_a_text() {
    assert_none(&shape::error_faults(&ours()));
}

#[test]
fn no_arithmetic_is_the_systems() {
    assert_none(&arithmetic::system_faults(&ours()));
}

/// Prints the house; `--nocapture` shows it.
#[test]
#[expect(clippy::print_stdout, reason = "it is there to be read")]
fn the_house_in_figures() {
    println!("{}", figures(&ours()));
}

/// Every crate's share of the lines, and every circle with short rounds through all of its links.
fn figures(checkout: &Checkout) -> String {
    let lines = shape::crate_lines(checkout);
    let all: usize = lines.values().sum();
    let mut text = format!("{all} lines in crates, unit tests apart\n");
    for (folder, count) in lines {
        let _ = writeln!(text, "{count:7} {:5.1} %  {folder}", 100.0 * count as f64 / all as f64);
    }
    for folder in checkout.crates() {
        let links = names::links(&checkout.sources(folder));
        for circle in circles::circles(&links) {
            let _ = writeln!(text, "\ncircle of {} files in {folder}:", circle.len());
            for round in circles::rounds(&links, &circle) {
                let _ = writeln!(
                    text,
                    "  round of {}:{}",
                    round.len() - 1,
                    circles::round_text(folder, &links, &round)
                );
            }
        }
    }
    text
}
