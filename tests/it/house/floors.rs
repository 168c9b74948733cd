//! Who may import whom: crates by their floors and lists, folders of a crate by their order.

use std::collections::BTreeSet;

use super::checkout::{Checkout, Fault, crate_of};
use super::names::links;
use super::tables::{Crate, Order, Rules};
use super::tokens::{is_at, shipped, tokens};

/// Dependencies of packages, and the paths in their code that name a crate of ours.
pub(super) fn crate_faults(checkout: &Checkout, rules: &Rules<'_>) -> Vec<Fault> {
    let mut faults = Vec::new();
    let folders = checkout.crates();
    for room in rules.crates.iter().filter(|room| !folders.contains(&room.folder)) {
        let path = format!("crates/{}", room.folder);
        faults.push(Fault::new(&path, 0, "found no such crate; take it out of the table of floors"));
    }
    for (folder, text) in checkout.packages() {
        let file = format!("{folder}/Cargo.toml");
        let table = match text.parse::<toml::Table>() {
            Ok(table) => table,
            Err(error) => {
                faults.push(Fault::new(&file, 0, format!("found no TOML: {error}")));
                continue;
            }
        };
        let declared = dependencies(&table);
        if let Some(name) = folder.strip_prefix("crates/") {
            match rules.crates.iter().find(|room| room.folder == name) {
                Some(room) => faults.extend(declared_faults(room, &file, text, &declared, rules)),
                None => faults.push(Fault::new(
                    &file,
                    0,
                    "found a crate that is not in the table of floors; give it one",
                )),
            }
        } else {
            for (_, name) in
                declared.iter().filter(|(_, name)| rules.crates.iter().all(|c| c.folder != *name))
            {
                let text =
                    format!("found a dependency on `{name}`; only what lies in crates/ may be depended on");
                faults.push(Fault::new(&file, 0, text));
            }
        }
        let own = table.get("package").and_then(|package| package.get("name")).and_then(toml::Value::as_str);
        faults.extend(undeclared(checkout, folder, own.and_then(folder_of), &declared));
    }
    faults
}

/// The crates of ours in a `Cargo.toml`: kind of dependency and folder.
fn dependencies(table: &toml::Table) -> Vec<(&'static str, String)> {
    let targets = table.get("target").and_then(toml::Value::as_table);
    let tables = targets.into_iter().flat_map(toml::Table::values).filter_map(toml::Value::as_table);
    let mut found = Vec::new();
    for table in tables.chain([table]) {
        for kind in ["dependencies", "dev-dependencies", "build-dependencies"] {
            let entries = table.get(kind).and_then(toml::Value::as_table);
            for (key, value) in entries.into_iter().flatten() {
                let package = value.get("package").and_then(toml::Value::as_str).unwrap_or(key);
                found.extend(folder_of(package).map(|folder| (kind, folder.to_owned())));
            }
        }
    }
    found
}

/// The folder of one of our packages or of its name in code; `None` for packages of others.
fn folder_of(package: &str) -> Option<&str> {
    if package == "loadin" {
        return Some("cli");
    }
    package.strip_prefix("loadin-").or_else(|| package.strip_prefix("loadin_"))
}

fn declared_faults(
    room: &Crate<'_>,
    file: &str,
    text: &str,
    declared: &[(&str, String)],
    rules: &Rules<'_>,
) -> Vec<Fault> {
    let mut faults = Vec::new();
    for (kind, name) in declared {
        let package = if name == "cli" { "loadin".to_owned() } else { format!("loadin-{name}") };
        let line = text.lines().position(|line| line.starts_with(&package)).map_or(0, |at| at + 1);
        let floor = rules.crates.iter().find(|other| other.folder == name).map(|other| other.floor);
        if floor.is_none_or(|floor| floor >= room.floor) {
            let found = floor.map_or("no floor".to_owned(), |floor| format!("floor {floor}"));
            let text = format!(
                "found `{package}` ({found}) in [{kind}] of a crate on floor {}; only lower floors are allowed; \
                 move what is needed down, or hand it in as a value",
                room.floor
            );
            faults.push(Fault::new(file, line, text));
        } else if *kind == "dependencies" && !room.may_use.contains(&name.as_str()) {
            let text = format!(
                "found `{package}` in [dependencies]; `{}` may depend on {}; do without, or change the table of \
                 floors and say why",
                room.folder,
                listed(room.may_use)
            );
            faults.push(Fault::new(file, line, text));
        }
    }
    faults
}

fn listed(names: &[&str]) -> String {
    if names.is_empty() { "no other crate".to_owned() } else { names.join(", ") }
}

/// Paths that name a crate of ours which the package does not declare. What a crate ships needs `[dependencies]`.
fn undeclared(
    checkout: &Checkout,
    folder: &str,
    own: Option<&str>,
    declared: &[(&str, String)],
) -> Vec<Fault> {
    let mut faults = Vec::new();
    let top = format!("{folder}/");
    // The fuzz targets are a package inside the tests.
    let nested: Vec<String> = checkout.packages().map(|(other, _)| format!("{other}/")).collect();
    let inner = |path: &str| nested.iter().any(|other| other.len() > top.len() && path.starts_with(other));
    for (path, text) in checkout.rust().filter(|(path, _)| path.starts_with(&top) && !inner(path)) {
        let ships = crate_of(path).is_some();
        let words = if ships { shipped(text).tokens } else { tokens(text) };
        for (at, word) in words.iter().enumerate() {
            let Some(name) = folder_of(word.text).filter(|_| word.is_word() && is_at(&words, at + 1, "::"))
            else {
                continue;
            };
            let path_goes_on = at > 0 && is_at(&words, at - 1, "::");
            let known =
                declared.iter().any(|(kind, other)| other == name && (!ships || *kind == "dependencies"));
            if !known && own != Some(name) && !path_goes_on {
                let text = format!(
                    "found a path into `{}`, which {folder}/Cargo.toml does not declare; declare it if its floor \
                     allows it, else do without",
                    word.text
                );
                faults.push(Fault::new(path, word.line, text));
            }
        }
    }
    faults
}

/// Imports that run upwards, or sideways, between the folders of a crate.
pub(super) fn folder_faults(checkout: &Checkout, rules: &Rules<'_>) -> Vec<Fault> {
    rules.orders.iter().flat_map(|order| order_faults(checkout, order)).collect()
}

fn order_faults(checkout: &Checkout, order: &Order<'_>) -> Vec<Fault> {
    let src = format!("crates/{}/src", order.folder);
    let links = links(&checkout.sources(order.folder));
    let row = |file: &str| order.rows.iter().position(|row| row.contains(&room_of(file)));
    let mut faults = Vec::new();
    for name in order.rows.iter().copied().flatten() {
        if !links.files.iter().any(|file| room_of(file) == *name) {
            faults.push(Fault::new(
                &src,
                0,
                format!("found no `{name}`; take it out of the order of folders"),
            ));
        }
    }
    let unknown: BTreeSet<&str> = links
        .files
        .iter()
        .filter(|file| !is_root(file) && row(file).is_none())
        .map(|file| room_of(file))
        .collect();
    faults.extend(unknown.iter().map(|name| {
        Fault::new(&format!("{src}/{name}"), 0, "found what is not in the order of folders; give it a row")
    }));
    for ((from, to), places) in &links.links {
        let (from, to) = (&links.files[*from], &links.files[*to]);
        if room_of(from) == room_of(to) || is_root(from) {
            continue;
        }
        let upwards = match (row(from), row(to)) {
            (Some(from), Some(to)) => to >= from,
            _ => is_root(to),
        };
        if upwards {
            let text = format!(
                "found `{}` of {to}, which does not stand below `{}`; allowed are lower rows of the order of \
                 folders; move it down, or hand it in as a value",
                places[0].path,
                room_of(from)
            );
            faults.push(Fault::new(&format!("{src}/{from}"), places[0].line, text));
        }
    }
    faults
}

/// The folder or file right below `src`.
fn room_of(file: &str) -> &str {
    let first = file.split('/').next().unwrap_or(file);
    first.strip_suffix(".rs").unwrap_or(first)
}

fn is_root(file: &str) -> bool {
    file == "lib.rs" || file == "main.rs"
}
