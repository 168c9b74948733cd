//! What each module of a crate says: its items, its imports, and the paths that its code takes. It reads words and
//! finds nothing out about what a path means.

use std::collections::{BTreeMap, BTreeSet};

use super::tokens::{Kind, Shipped, Token, closing, is_at, tokens};

/// One name that a `use` brings into a module.
#[derive(Debug, Clone)]
pub(super) struct Import {
    /// The name in this module; `None` for `*`.
    pub(super) name: Option<String>,
    pub(super) path: Vec<String>,
    pub(super) line: usize,
    /// Whether others may take it from here: `pub use`, with or without a bound.
    pub(super) handed_on: bool,
}

/// A path in code.
#[derive(Debug, Clone)]
pub(super) struct Taken {
    pub(super) path: Vec<String>,
    pub(super) line: usize,
    /// Whether a `!` follows.
    pub(super) is_macro: bool,
}

/// The single words among the arguments of a macro, with their lines.
#[derive(Debug, Clone)]
pub(super) struct Call {
    pub(super) path: Vec<String>,
    pub(super) words: Vec<(String, usize)>,
}

/// A module: a file, or a block inside one.
#[derive(Debug, Default)]
pub(super) struct Module {
    /// Names from the root of the crate; empty for the root.
    pub(super) path: Vec<String>,
    /// Index of its file.
    pub(super) file: usize,
    pub(super) items: BTreeSet<String>,
    /// Its `macro_rules`, each with the paths that it takes from its arguments: `Settings` for `$module::Settings`.
    pub(super) macros: BTreeMap<String, Vec<Vec<String>>>,
    pub(super) imports: Vec<Import>,
    pub(super) taken: Vec<Taken>,
    pub(super) calls: Vec<Call>,
}

/// The modules of a file: its own first, then its blocks.
pub(super) fn modules(path: Vec<String>, file: usize, shipped: &Shipped<'_>) -> Vec<Module> {
    let mut reader = Reader { tokens: &shipped.tokens, file, locals: BTreeSet::new(), found: Vec::new() };
    reader.locals = reader.local_names();
    reader.read(path, 0, shipped.tokens.len());
    reader.found
}

struct Reader<'t> {
    tokens: &'t [Token<'t>],
    file: usize,
    /// Lower-case names that are fields, parameters or variables somewhere in the file.
    locals: BTreeSet<&'t str>,
    found: Vec<Module>,
}

/// A keyword that names an item after it.
const ITEM_WORDS: [&str; 9] = ["fn", "struct", "enum", "union", "trait", "type", "const", "static", "mod"];

impl<'t> Reader<'t> {
    fn at(&self, at: usize, text: &str) -> bool {
        is_at(self.tokens, at, text)
    }

    fn before(&self, at: usize, text: &str) -> bool {
        at > 0 && self.at(at - 1, text)
    }

    fn local_names(&self) -> BTreeSet<&'t str> {
        let declared = |at: usize| {
            self.at(at + 1, ":") || ["let", "mut", "ref", "|", "for"].iter().any(|word| self.before(at, word))
        };
        (0..self.tokens.len())
            .filter(|at| self.tokens[*at].is_word() && declared(*at))
            .map(|at| self.tokens[at].text)
            .collect()
    }

    /// Reads the tokens from `at` to `end` as the module `path`.
    fn read(&mut self, path: Vec<String>, mut at: usize, end: usize) {
        let own = self.found.len();
        self.found.push(Module { path, file: self.file, ..Module::default() });
        let mut depth = 0usize;
        while at < end {
            let token = self.tokens[at];
            match token.text {
                _ if token.kind == Kind::Text => at = self.attribute_text(own, at),
                "{" if token.kind == Kind::Mark => (depth, at) = (depth + 1, at + 1),
                "}" if token.kind == Kind::Mark => (depth, at) = (depth.saturating_sub(1), at + 1),
                "mod" if token.is_word() && self.at(at + 2, "{") => {
                    let close = closing(self.tokens, at + 2);
                    let mut path = self.found[own].path.clone();
                    path.push(self.tokens[at + 1].text.to_owned());
                    self.read(path, at + 3, close - 1);
                    at = close;
                }
                "use" if token.is_word() && !self.at(at + 1, "<") => at = self.import(own, at),
                "macro_rules" if self.at(at + 1, "!") => at = self.definition(own, at),
                word if token.is_word() && ITEM_WORDS.contains(&word) && self.is_name(at + 1) => {
                    if depth == 0 && word != "mod" {
                        self.found[own].items.insert(self.tokens[at + 1].text.to_owned());
                    }
                    at += 2;
                }
                _ => at = self.step(own, at),
            }
        }
    }

    fn is_name(&self, at: usize) -> bool {
        self.tokens.get(at).is_some_and(Token::is_word)
    }

    /// A `macro_rules`: its name is an item; its body is read with the rest, as paths of this file.
    fn definition(&mut self, own: usize, at: usize) -> usize {
        let name = self.tokens.get(at + 2).map_or("", |token| token.text).to_owned();
        let body = &self.tokens[at..closing(self.tokens, at + 3)];
        let mut from_arguments = Vec::new();
        for (place, window) in body.windows(3).enumerate() {
            if window[0].is("$") && window[1].text != "crate" && window[2].is("::") {
                let (path, _) = path_at(body, place + 3);
                from_arguments.push(path);
            }
        }
        self.found[own].items.insert(name.clone());
        self.found[own].macros.insert(name, from_arguments);
        at + 3
    }

    /// Any other token; where a path stands there, takes it.
    fn step(&mut self, own: usize, at: usize) -> usize {
        let token = self.tokens[at];
        let starts = token.is_word() && !self.before(at, ".") && !self.before(at, "::");
        if !starts {
            return at + 1;
        }
        if self.before(at, "$") && token.text != "crate" {
            return path_at(self.tokens, at).1;
        }
        let (path, after) = path_at(self.tokens, at);
        let called = self.at(after, "!") && ["(", "[", "{"].iter().any(|open| self.at(after + 1, open));
        if called {
            let words = self.words(after + 1);
            self.found[own].calls.push(Call { path: path.clone(), words });
        }
        if path.len() > 1 || called || self.is_meant(at) {
            self.found[own].taken.push(Taken { path, line: token.line, is_macro: called });
        }
        after
    }

    /// Whether a single word may name an item of a module: no field, no variable, no variant in its own definition.
    fn is_meant(&self, at: usize) -> bool {
        let text = self.tokens[at].text;
        let any = |at: usize, texts: &[&str]| texts.iter().any(|text| self.at(at, text));
        if text.starts_with(|c: char| c.is_uppercase()) {
            // `Rate,` or `Rate(f64)` in an enum stands after a comma, a brace or an attribute; so may a value, but
            // what is only ever used as a value there is a rare thing to re-export.
            let variant = at > 0 && any(at - 1, &["{", ",", "]"]) && any(at + 1, &["{", ",", "}", "("]);
            return !variant || !self.in_enum(at);
        }
        let value = at > 0 && any(at - 1, &["(", ",", "="]) && any(at + 1, &[")", ",", ";"]);
        self.at(at + 1, "(") || (value && !self.locals.contains(text))
    }

    /// Whether the innermost brace around `at` opens an `enum`.
    fn in_enum(&self, at: usize) -> bool {
        let mut depth = 0usize;
        for open in (0..at).rev() {
            if self.at(open, "}") {
                depth += 1;
            } else if self.at(open, "{") && depth > 0 {
                depth -= 1;
            } else if self.at(open, "{") {
                let head =
                    self.tokens[..open].iter().rev().take_while(|t| !t.is(";") && !t.is("}") && !t.is("{"));
                return head.into_iter().any(|token| token.is("enum"));
            }
        }
        false
    }

    fn words(&self, open: usize) -> Vec<(String, usize)> {
        let inside = open + 1..closing(self.tokens, open) - 1;
        inside
            .filter(|at| {
                let joined = ["::", ".", "$"].iter().any(|mark| self.before(*at, mark));
                self.is_name(*at) && !joined && !self.at(at + 1, "::")
            })
            .map(|at| (self.tokens[at].text.to_owned(), self.tokens[at].line))
            .collect()
    }

    /// A string: serde and schemars take paths in some of their strings.
    fn attribute_text(&mut self, own: usize, at: usize) -> usize {
        const KEYS: [&str; 9] = [
            "with",
            "default",
            "serialize_with",
            "deserialize_with",
            "skip_serializing_if",
            "from",
            "into",
            "try_from",
            "schema_with",
        ];
        let token = self.tokens[at];
        let keyed = self.before(at, "=") && at > 1 && KEYS.contains(&self.tokens[at - 2].text);
        if keyed && at > 2 && (self.before(at - 2, "(") || self.before(at - 2, ",")) {
            let (path, _) = path_at(&tokens(token.text), 0);
            if !path.is_empty() {
                self.found[own].taken.push(Taken { path, line: token.line, is_macro: false });
            }
        }
        at + 1
    }

    /// A `use`; gives the place after its semicolon.
    fn import(&mut self, own: usize, at: usize) -> usize {
        let handed_on = self.before(at, "pub") || (self.before(at, ")") && self.bound_is_public(at - 1));
        let end = (at..self.tokens.len()).find(|at| self.at(*at, ";")).unwrap_or(self.tokens.len());
        let mut names = Vec::new();
        tree(&self.tokens[at + 1..end], &[], &mut names);
        let imports = names.into_iter().map(|(name, path, line)| Import { name, path, line, handed_on });
        self.found[own].imports.extend(imports);
        end + 1
    }

    /// Whether the bracket that closes at `close` is the bound of a `pub`.
    fn bound_is_public(&self, close: usize) -> bool {
        (0..close).rev().find(|at| self.at(*at, "(")).is_some_and(|open| self.before(open, "pub"))
    }
}

/// The path that starts at `at`, and the place after it. A turbofish ends it.
fn path_at(tokens: &[Token<'_>], mut at: usize) -> (Vec<String>, usize) {
    let mut path = Vec::new();
    while let Some(token) = tokens.get(at).filter(|token| token.is_word()) {
        path.push(token.text.to_owned());
        at += 1;
        if !is_at(tokens, at, "::") || !tokens.get(at + 1).is_some_and(Token::is_word) {
            break;
        }
        at += 1;
    }
    (path, at)
}

/// The names of a tree of imports below `prefix`: name here, path, line.
fn tree(tokens: &[Token<'_>], prefix: &[String], found: &mut Vec<(Option<String>, Vec<String>, usize)>) {
    let mut path = prefix.to_vec();
    let mut at = 0;
    while let Some(token) = tokens.get(at) {
        match token.text {
            "*" => {
                found.push((None, path, token.line));
                return;
            }
            "{" => {
                for branch in branches(&tokens[at + 1..closing(tokens, at) - 1]) {
                    tree(branch, &path, found);
                }
                return;
            }
            "as" => {
                let name = tokens.get(at + 1).map(|token| token.text.to_owned());
                found.push((name, path, token.line));
                return;
            }
            "self" if !path.is_empty() => {}
            _ if token.is_word() => path.push(token.text.to_owned()),
            _ => {}
        }
        at += 1;
    }
    if let (Some(name), Some(token)) = (path.last().cloned(), tokens.last()) {
        found.push((Some(name), path, token.line));
    }
}

/// The parts between the commas of the outermost level.
fn branches<'t>(tokens: &'t [Token<'t>]) -> Vec<&'t [Token<'t>]> {
    let mut parts = Vec::new();
    let (mut start, mut at) = (0, 0);
    while at < tokens.len() {
        if tokens[at].is("{") {
            at = closing(tokens, at);
            continue;
        }
        if tokens[at].is(",") {
            parts.push(&tokens[start..at]);
            start = at + 1;
        }
        at += 1;
    }
    parts.push(&tokens[start..]);
    parts.into_iter().filter(|part| !part.is_empty()).collect()
}
