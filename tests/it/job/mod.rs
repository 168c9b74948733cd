//! The main job through the command line: deliveries go in, session-ready sets come out.

mod bad_input;
mod folders;
mod invariants;
mod loud;
mod offsets;
mod stages;

use std::collections::BTreeMap;
use std::fs;
use std::path::Path;
use std::process::Command;

use serde_json::Value;

/// What a command printed, and how it ended.
pub(crate) struct Ran {
    pub(crate) code: i32,
    pub(crate) out: String,
    pub(crate) err: String,
}

/// Runs the program.
pub(crate) fn loadin(args: &[&str]) -> Ran {
    run(command().args(args))
}

/// The program, for whoever wants to set more than arguments.
pub(crate) fn command() -> Command {
    Command::new(env!("CARGO_BIN_EXE_loadin-under-test"))
}

/// Runs a command to its end.
pub(crate) fn run(command: &mut Command) -> Ran {
    let output = command.output().expect("the program runs");
    Ran {
        code: output.status.code().unwrap_or(-1),
        out: String::from_utf8_lossy(&output.stdout).into_owned(),
        err: String::from_utf8_lossy(&output.stderr).into_owned(),
    }
}

/// Prepares a delivery and returns its manifest.
pub(crate) fn prep(delivery: &Path, out: &Path, more: &[&str]) -> (Ran, Value) {
    let mut args =
        vec!["prep", delivery.to_str().unwrap(), "--out", out.to_str().unwrap(), "--progress", "none"];
    args.extend(more);
    let ran = loadin(&args);
    let text = fs::read_to_string(out.join("manifest.json"))
        .unwrap_or_else(|error| panic!("{error}: {}{}", ran.out, ran.err));
    (ran, serde_json::from_str(&text).unwrap())
}

/// The stem of that source path.
pub(crate) fn stem<'a>(manifest: &'a Value, path: &str) -> &'a Value {
    let stems = manifest["stems"].as_array().unwrap();
    stems
        .iter()
        .find(|stem| stem["source"]["path"] == path)
        .unwrap_or_else(|| panic!("{path} is not in the manifest"))
}

/// The ids of a stem's findings.
pub(crate) fn findings(stem: &Value) -> Vec<&str> {
    stem["findings"].as_array().unwrap().iter().map(|finding| finding["id"].as_str().unwrap()).collect()
}

/// Every file below a folder, with its bytes.
pub(crate) fn tree(folder: &Path) -> Files {
    let mut files = BTreeMap::new();
    let mut folders = vec![folder.to_owned()];
    while let Some(next) = folders.pop() {
        for entry in fs::read_dir(next).unwrap() {
            let path = entry.unwrap().path();
            if path.is_dir() {
                folders.push(path);
            } else {
                let name = path.strip_prefix(folder).unwrap().to_string_lossy().into_owned();
                files.insert(name, fs::read(&path).unwrap());
            }
        }
    }
    files
}

/// Copies a folder with all that is in it.
pub(crate) fn copy(from: &Path, to: &Path) {
    fs::create_dir_all(to).unwrap();
    for entry in fs::read_dir(from).unwrap().map(Result::unwrap) {
        let target = to.join(entry.file_name());
        if entry.file_type().unwrap().is_dir() {
            copy(&entry.path(), &target);
        } else {
            fs::copy(entry.path(), target).unwrap();
        }
    }
}

/// Files by their path in a folder.
pub(crate) type Files = BTreeMap<String, Vec<u8>>;

/// Every file of an output folder but the summary, which is about the run; the manifest without what is allowed to differ.
pub(crate) fn comparable(out: &Path) -> Files {
    let mut files = tree(out);
    files.remove("summary.json");
    if let Some(bytes) = files.get_mut("manifest.json") {
        let mut manifest: Value = serde_json::from_slice(bytes).expect("a whole manifest");
        manifest.as_object_mut().expect("an object").remove("run");
        *bytes = manifest.to_string().into_bytes();
    }
    files
}

/// The same files with the same bytes.
pub(crate) fn assert_same_files(found: &Files, wanted: &Files, when: &str) {
    assert_eq!(found.keys().collect::<Vec<_>>(), wanted.keys().collect::<Vec<_>>(), "{when}");
    for (name, bytes) in wanted {
        assert!(bytes == &found[name], "{name} differs {when}");
    }
}

/// Writes a recipe into a folder and returns its path as text.
pub(crate) fn recipe(folder: &Path, stages: &str) -> String {
    let path = folder.join("recipe-under-test.toml");
    fs::write(&path, format!("recipe = 1\nname = \"test\"\nrevision = 1\n{stages}")).unwrap();
    path.to_str().unwrap().to_owned()
}

/// The table in DEVELOPERS.md that stands between two marks is this one; with `LOADIN_UPDATE` it is written. `test` names the test.
#[expect(clippy::disallowed_methods, reason = "the switch that writes what is published")]
pub(crate) fn assert_published_table((begin, end): (&str, &str), table: &str, test: &str) {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("../DEVELOPERS.md");
    let text = fs::read_to_string(&path).unwrap();
    let (before, rest) = text.split_once(begin).expect("the place of the table");
    let (stands, after) = rest.split_once(end).expect("its end");
    if std::env::var("LOADIN_UPDATE").is_ok() {
        fs::write(&path, format!("{before}{begin}{table}{end}{after}")).unwrap();
        return;
    }
    assert_eq!(stands, table, "LOADIN_UPDATE=1 cargo test -p loadin-tests {test}");
}
