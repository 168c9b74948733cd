//! The table of the verdict in DEVELOPERS.md: where a finding puts a stem is what the code says.
//! `LOADIN_UPDATE=1 cargo test -p loadin-tests verdict` writes it.

use std::fmt::Write as _;

use loadin_record::finding::{Id, Readiness};

use crate::job::assert_published_table;

const BEGIN: &str = "<!-- made by a test: verdict.rs -->\n";
const END: &str = "<!-- end of the verdict -->";

fn table() -> String {
    let mut text = "| a stem is | with an open finding |\n|---|---|\n".to_owned();
    for readiness in [Readiness::NotUsable, Readiness::InQuestion, Readiness::Ready] {
        let of_this = Id::ALL.iter().filter(|id| id.readiness() == readiness);
        let ids: Vec<String> = of_this.map(|id| format!("`{}`", id.as_str())).collect();
        writeln!(text, "| {} | {} |", readiness.as_str(), ids.join(", ")).unwrap();
    }
    text
}

#[test]
fn the_table_of_the_verdict_is_that_of_the_code() {
    let table = table();
    assert_published_table((BEGIN, END), &table, "verdict");
}
