//! Sines, logarithms and powers: of the crate `libm`, since those of the standard library are the system's and differ in the
//! last bit from one to the next. What reaches a byte of an output or of the manifest is the same everywhere.

use super::checkout::{Checkout, Fault};
use super::names::test_files;
use super::tokens::{is_at, shipped};

/// The methods of floats that Rust leaves to the system; a square root, a power of a whole number and a fused sum are exact.
const OF_THE_SYSTEM: [&str; 27] = [
    "sin", "cos", "tan", "sin_cos", "asin", "acos", "atan", "atan2", "sinh", "cosh", "tanh", "asinh",
    "acosh", "atanh", "exp", "exp2", "exp_m1", "ln", "ln_1p", "log", "log2", "log10", "powf", "cbrt",
    "hypot", "gamma", "ln_gamma",
];

/// What complex numbers make of them: lengths and angles.
const OF_COMPLEX: [&str; 4] = ["from_polar", "to_polar", "cis", "norm"];

/// Calls of these methods in what is shipped.
pub(super) fn system_faults(checkout: &Checkout) -> Vec<Fault> {
    let mut faults = Vec::new();
    for folder in checkout.crates() {
        let sources = checkout.sources(folder);
        let tests = test_files(&sources);
        for ((path, text), _) in sources.iter().zip(tests).filter(|(_, test)| !test) {
            let words = shipped(text).tokens;
            for at in 2..words.len() {
                let method = is_at(&words, at - 1, ".") && is_at(&words, at + 1, "(");
                let float = words[at - 2].is("f64") || words[at - 2].is("f32");
                let by_path = is_at(&words, at - 1, "::") && float;
                let named =
                    OF_THE_SYSTEM.iter().find(|name| words[at].is(name)).filter(|_| method || by_path);
                let called = method || is_at(&words, at - 1, "::");
                let complex = OF_COMPLEX.iter().find(|name| words[at].is(name)).filter(|_| called);
                if let Some(name) = named.or(complex) {
                    let text = format!(
                        "found `{name}` of the standard library, which is the system's; call the one of `libm`"
                    );
                    faults.push(Fault::new(&format!("crates/{folder}/src/{path}"), words[at].line, text));
                }
            }
        }
    }
    faults
}
