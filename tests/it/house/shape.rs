//! What a file looks like from outside: its module doc, its length, the length of its functions, its errors, and how
//! much of all code lies in one crate.

use std::collections::BTreeMap;

use super::checkout::{Checkout, Fault};
use super::names::test_files;
use super::tables::Rules;
use super::tokens::{Token, closing, is_at, shipped, tokens};

/// What stands beside a long function, with the reason after it.
const LONG: &str = "// Long: ";

/// Files that do not say what they are for.
pub(super) fn doc_faults(checkout: &Checkout) -> Vec<Fault> {
    let silent = checkout.rust().filter(|(_, text)| !says_what(text));
    silent
        .map(|(path, _)| {
            let text =
                "found no module doc; open the file with `//!`: what it is for, and what it may not know";
            Fault::new(path, 1, text)
        })
        .collect()
}

/// Files of a `src` folder or of the black-box tests that no other file takes in: they are never compiled.
pub(super) fn orphan_faults(checkout: &Checkout) -> Vec<Fault> {
    let all: BTreeMap<&str, &str> = checkout.rust().collect();
    let takes_in = |owner: &str, name: &str| {
        let line = format!("mod {name};");
        let is_it =
            |found: &str| !found.starts_with("//") && (found == line || found.ends_with(&format!(" {line}")));
        all.get(owner).is_some_and(|text| text.lines().any(|found| is_it(found.trim())))
    };
    let orphans = all.keys().filter(|path| {
        let Some((folder, name)) = path.strip_suffix(".rs").and_then(|path| path.rsplit_once('/')) else {
            return false;
        };
        let is_root = ["main", "lib"].contains(&name) || folder.ends_with("/bin");
        let is_ours = path.contains("/src/") || path.starts_with("tests/it/");
        // A folder's own file is taken in by the folder above.
        let (folder, name) =
            if name == "mod" { folder.rsplit_once('/').unwrap_or((folder, name)) } else { (folder, name) };
        let owners = ["/mod.rs", "/main.rs", "/lib.rs", ".rs"];
        is_ours && !is_root && !owners.iter().any(|end| takes_in(&format!("{folder}{end}"), name))
    });
    let text =
        "found in no `mod` line; it is never compiled: name it in the file of its folder, or delete it";
    orphans.map(|path| Fault::new(path, 0, text)).collect()
}

fn says_what(text: &str) -> bool {
    text.strip_prefix("//!").and_then(|rest| rest.lines().next()).is_some_and(|line| !line.trim().is_empty())
}

/// Files above the limit that are not on the list, and entries of the list that are needed no more.
pub(super) fn length_faults(checkout: &Checkout, rules: &Rules<'_>) -> Vec<Fault> {
    let mut faults = Vec::new();
    let limit = rules.file_lines;
    for (path, text) in checkout.rust() {
        let lines = text.lines().count();
        let listed = rules.long_files.iter().find(|file| file.path == path);
        match (lines > limit, listed) {
            (true, None) => {
                let text = format!(
                    "found {lines} lines; {limit} are allowed; split the file, or put it on the list of long files \
                     with its reason"
                );
                faults.push(Fault::new(path, limit + 1, text));
            }
            (true, Some(file)) if file.reason.trim().is_empty() => {
                faults.push(Fault::new(
                    path,
                    0,
                    "found on the list of long files without a reason; give it one",
                ));
            }
            (false, Some(_)) => {
                let text = format!("found {lines} lines; take the file out of the list of long files");
                faults.push(Fault::new(path, 0, text));
            }
            _ => {}
        }
    }
    for file in rules.long_files.iter().filter(|file| checkout.rust().all(|(path, _)| path != file.path)) {
        faults.push(Fault::new(file.path, 0, "found no such file; take it out of the list of long files"));
    }
    faults
}

/// Long functions without a reason above them, and reasons above functions that are short.
pub(super) fn function_faults(checkout: &Checkout, rules: &Rules<'_>) -> Vec<Fault> {
    let limit = rules.function_lines;
    let mut faults = Vec::new();
    for (path, text) in checkout.crate_rust() {
        let lines: Vec<&str> = text.lines().map(str::trim).collect();
        let mut needed = Vec::new();
        for (name, first, last) in functions(&tokens(text)) {
            let count = last - first + 1;
            let reason = reason_above(&lines, first);
            if count > limit {
                needed.extend(reason);
            }
            if count > limit && reason.is_none() {
                let text = format!(
                    "found `{name}` with {count} lines; {limit} are allowed; split it, or say why it is long in a \
                     line `{LONG}...` above it"
                );
                faults.push(Fault::new(path, first, text));
            }
        }
        let written = (1..=lines.len()).filter(|line| lines[line - 1].starts_with(LONG.trim_end()));
        faults.extend(written.filter(|line| !needed.contains(line)).map(|line| {
            let text =
                format!("found `{LONG}` without a reason, or above no function of more than {limit} lines");
            Fault::new(path, line, text + "; take the line out")
        }));
    }
    faults
}

/// The functions with a body: name, first line, last line.
fn functions<'a>(tokens: &[Token<'a>]) -> Vec<(&'a str, usize, usize)> {
    let mut found = Vec::new();
    for at in 0..tokens.len().saturating_sub(1) {
        if !tokens[at].is("fn") || !tokens[at + 1].is_word() {
            continue;
        }
        let mut open = at;
        while open < tokens.len() && !tokens[open].is("{") && !tokens[open].is(";") {
            open =
                if tokens[open].is("(") || tokens[open].is("[") { closing(tokens, open) } else { open + 1 };
        }
        if is_at(tokens, open, "{") {
            found.push((tokens[at + 1].text, tokens[at].line, tokens[closing(tokens, open) - 1].line));
        }
    }
    found
}

/// The line of the reason among the comments and attributes right above line `first`.
fn reason_above(lines: &[&str], first: usize) -> Option<usize> {
    let above = (1..first)
        .rev()
        .take_while(|line| lines[line - 1].starts_with("//") || lines[line - 1].starts_with("#["));
    above
        .into_iter()
        .find(|line| lines[line - 1].strip_prefix(LONG).is_some_and(|reason| !reason.trim().is_empty()))
}

/// Results, and error types of traits, that are a text.
pub(super) fn error_faults(checkout: &Checkout) -> Vec<Fault> {
    let mut faults = Vec::new();
    for (path, text) in checkout.crate_rust() {
        let words = shipped(text).tokens;
        for at in 0..words.len() {
            let result = words[at].is("Result") && is_at(&words, at + 1, "<");
            let named =
                words[at].is("type") && (is_at(&words, at + 1, "Err") || is_at(&words, at + 1, "Error"));
            let error = match (result, named && is_at(&words, at + 2, "=")) {
                (true, _) => arguments(&words[at + 2..]).into_iter().nth(1),
                (_, true) => Some(words[at + 3..].iter().take_while(|word| !word.is(";")).copied().collect()),
                _ => None,
            };
            if error.is_some_and(|error| is_text(&error)) {
                let text = "found a text as an error; errors are an enum of the crate, with what was found, what is \
                            allowed and what to do as values";
                faults.push(Fault::new(path, words[at].line, text));
            }
        }
    }
    faults
}

/// The arguments up to the bracket that closes the one before `tokens`.
fn arguments<'a>(tokens: &[Token<'a>]) -> Vec<Vec<Token<'a>>> {
    let mut depth = 1usize;
    let mut found = vec![Vec::new()];
    for token in tokens {
        match token.text {
            "<" | "(" | "[" => depth += 1,
            ">" | ")" | "]" => depth -= 1,
            _ => {}
        }
        if depth == 0 {
            break;
        }
        if depth == 1 && token.is(",") {
            found.push(Vec::new());
        } else if let Some(last) = found.last_mut() {
            last.push(*token);
        }
    }
    found
}

/// Whether a type is made of text alone: `String`, `&str`, a list of either.
fn is_text(of: &[Token<'_>]) -> bool {
    const TEXTS: [&str; 2] = ["String", "str"];
    const AROUND: [&str; 9] = ["std", "alloc", "string", "borrow", "boxed", "Box", "Cow", "Vec", "Option"];
    let mut words = of.iter().filter(|token| token.is_word()).map(|token| token.text);
    words.clone().any(|word| TEXTS.contains(&word))
        && words.all(|word| TEXTS.contains(&word) || AROUND.contains(&word))
}

/// The lines of every crate, unit tests apart.
pub(super) fn crate_lines(checkout: &Checkout) -> BTreeMap<&str, usize> {
    let mut found = BTreeMap::new();
    for folder in checkout.crates() {
        let sources = checkout.sources(folder);
        let tests = test_files(&sources);
        let files = sources.iter().zip(tests).filter(|(_, test)| !test);
        found.insert(folder, files.map(|((_, text), _)| own_lines(text)).sum());
    }
    found
}

fn own_lines(text: &str) -> usize {
    let tests: usize = shipped(text).test_lines.iter().map(|(first, last)| last + 1 - first).sum();
    text.lines().count() - tests
}

/// Crates that hold too much of all code.
pub(super) fn share_faults(checkout: &Checkout, rules: &Rules<'_>) -> Vec<Fault> {
    let lines = crate_lines(checkout);
    let all: usize = lines.values().sum();
    let fat = lines.iter().filter(|(_, count)| **count * 100 > all * rules.crate_percent);
    fat.map(|(folder, count)| {
        let text = format!(
            "found {count} of {all} lines ({:.1} %), unit tests apart; {} % are allowed; move a part into a crate of \
             its own",
            100.0 * *count as f64 / all as f64,
            rules.crate_percent
        );
        Fault::new(&format!("crates/{folder}"), 0, text)
    })
    .collect()
}
