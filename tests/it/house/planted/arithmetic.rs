//! Sines of the system, planted; and those of `libm`, of tests and in comments.

use super::super::arithmetic::system_faults;
use super::{assert_names, ground, only};

#[test]
fn by_a_method_and_by_a_path() {
    for code in [
        "x.sin()",
        "(a / b).log10()",
        "turns.map(f64::cos)",
        "10f32.powf(x)",
        "Complex::from_polar(1.0, x)",
        "bin.norm()",
    ] {
        let file = format!("//! A.\npub fn f() {{\n    {code};\n}}\n");
        assert_names(
            &only(&system_faults(&ground(&[("lib.rs", &file)]))),
            &["lib.rs:3", "of the standard library"],
        );
    }
}

#[test]
fn what_is_no_call_of_the_systems() {
    let file = "//! A.\n// x.sin()\npub fn f(log: f64) -> f64 {\n    libm::sin(log) + log.sqrt().powi(2)\n}\n\
                #[cfg(test)]\nmod tests {\n    fn g() {\n        x.sin();\n    }\n}\n";
    assert_eq!(system_faults(&ground(&[("lib.rs", file)])), []);
}
