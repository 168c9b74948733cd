//! The reference: every page that the README names is there, the manual pages have examples, the README is short.

use std::fs;
use std::path::Path;

use crate::job::loadin;

fn readme() -> String {
    fs::read_to_string(Path::new(env!("CARGO_MANIFEST_DIR")).join("../README.md")).unwrap()
}

#[test]
fn every_topic_that_the_readme_names_has_a_page_and_fits() {
    let readme = readme();
    let table: Vec<&str> = readme.lines().filter(|line| line.starts_with("| `")).collect();
    let inline = readme.split("loadin help ").skip(1).filter_map(|rest| rest.split('`').next());
    let topics: Vec<&str> = table
        .iter()
        .flat_map(|line| line.split('|').nth(1).unwrap().split('`').skip(1).step_by(2))
        .chain(inline)
        .collect();
    assert!(topics.len() > 15, "{topics:?}");
    for topic in topics.into_iter().filter(|topic| *topic != "TOPIC") {
        let ran = loadin(&["help", topic, "--columns", "80"]);
        assert!(ran.code == 0 && ran.out.starts_with("# "), "{topic}: {}", ran.err);
    }
    let ran = loadin(&["help", "nothing"]);
    assert!(ran.code == 2 && ran.err.contains("recipes"), "{}", ran.err);
    assert!(loadin(&["help", "prep"]).out.contains("--renew"), "a verb is a topic too");
}

#[test]
fn the_manual_pages_have_examples() {
    for verb in ["audit", "facts", "plan", "prep", "verify", "restore", "report", "answers", "recipe"] {
        let ran = loadin(&["man", verb]);
        // In a page for roff a dash is written with a backslash.
        let page = ran.out.replace("\\-", "-");
        assert!(page.contains("Example") && page.contains(&format!("loadin {verb} ")), "{verb}: {page}");
    }
}

#[test]
fn the_readme_is_short_and_its_pictures_are_small() {
    let readme = readme();
    assert!(readme.lines().count() < 200);
    let pictures = Path::new(env!("CARGO_MANIFEST_DIR")).join("../demo/pictures");
    let bytes: u64 =
        fs::read_dir(pictures).unwrap().map(|entry| entry.unwrap().metadata().unwrap().len()).sum();
    assert!(bytes < 200_000, "{bytes} bytes of pictures");
}
