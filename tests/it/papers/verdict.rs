//! The table of the verdict in DEVELOPERS.md: where a finding puts a stem is what the code says.
//! `LOADIN_UPDATE=1 cargo test -p loadin-tests verdict` writes it.

use std::fmt::Write as _;
use std::{fs, path::Path};

use loadin_record::finding::{Id, Readiness};

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
#[expect(clippy::disallowed_methods, reason = "the switch that writes what is published")]
fn the_table_of_the_verdict_is_that_of_the_code() {
    let table = table();
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("../DEVELOPERS.md");
    let text = fs::read_to_string(&path).unwrap();
    let (before, rest) = text.split_once(BEGIN).expect("the place of the table");
    let (stands, after) = rest.split_once(END).expect("its end");
    if std::env::var("LOADIN_UPDATE").is_ok() {
        fs::write(&path, format!("{before}{BEGIN}{table}{END}{after}")).unwrap();
        return;
    }
    assert_eq!(stands, table, "LOADIN_UPDATE=1 cargo test -p loadin-tests verdict");
}
