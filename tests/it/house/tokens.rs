//! Rust text as words and marks: comments, strings and numbers are told apart from code, and what is compiled for
//! unit tests alone is left out. It knows no modules and no rules of the house.

use std::ops::Range;

/// What a token is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Kind {
    /// A name or a keyword.
    Word,
    /// A mark; `::`, `->`, `=>`, `..`, `..=` and `...` are one mark each.
    Mark,
    /// A string; its text is without quotes.
    Text,
    /// A number, a character or a lifetime.
    Other,
}

/// One token with its line, from 1.
#[derive(Debug, Clone, Copy)]
pub(super) struct Token<'a> {
    pub(super) kind: Kind,
    pub(super) text: &'a str,
    pub(super) line: usize,
}

impl Token<'_> {
    /// Whether this is the keyword, name or mark `text`, and no string.
    pub(super) fn is(&self, text: &str) -> bool {
        self.text == text && matches!(self.kind, Kind::Word | Kind::Mark)
    }

    /// Whether this is a name or a keyword.
    pub(super) fn is_word(&self) -> bool {
        self.kind == Kind::Word
    }
}

/// Whether the token at `at` is there and is `text`.
pub(super) fn is_at(tokens: &[Token<'_>], at: usize, text: &str) -> bool {
    tokens.get(at).is_some_and(|token| token.is(text))
}

struct Lexer<'a> {
    text: &'a str,
    at: usize,
    line: usize,
}

/// The tokens of a Rust file.
pub(super) fn tokens(text: &str) -> Vec<Token<'_>> {
    let mut lexer = Lexer { text, at: 0, line: 1 };
    let mut found = Vec::new();
    while let Some(first) = lexer.rest().chars().next() {
        let (start, line) = (lexer.at, lexer.line);
        if let Some((kind, inner)) = lexer.token(first) {
            let text = &text[start + inner.start..start + inner.end];
            found.push(Token { kind, text, line });
        }
    }
    found
}

impl<'a> Lexer<'a> {
    fn rest(&self) -> &'a str {
        &self.text[self.at..]
    }

    fn skip(&mut self, bytes: usize) {
        let end = (self.at + bytes).min(self.text.len());
        self.line += self.text[self.at..end].matches('\n').count();
        self.at = end;
    }

    /// Steps over one token or one piece of what is no code; gives the token's kind and its place in the piece.
    fn token(&mut self, first: char) -> Option<(Kind, Range<usize>)> {
        let rest = self.rest();
        if first.is_whitespace() {
            self.skip(first.len_utf8());
            return None;
        }
        if rest.starts_with("//") {
            self.skip(rest.find('\n').unwrap_or(rest.len()));
            return None;
        }
        if rest.starts_with("/*") {
            self.skip(block_comment(rest));
            return None;
        }
        if let Some((inner, length)) = string(rest) {
            self.skip(length);
            return Some((Kind::Text, inner));
        }
        let (kind, length) = if first == '\'' || rest.starts_with("b'") {
            (Kind::Other, character(rest))
        } else if first.is_ascii_digit() {
            (Kind::Other, number(rest))
        } else if first == '_' || first.is_alphabetic() {
            (Kind::Word, word(rest))
        } else {
            let marks = ["..=", "...", "..", "::", "->", "=>"];
            (Kind::Mark, marks.iter().find(|m| rest.starts_with(**m)).map_or(first.len_utf8(), |m| m.len()))
        };
        self.skip(length);
        Some((kind, 0..length))
    }
}

fn word(rest: &str) -> usize {
    let raw = if rest.starts_with("r#") { 2 } else { 0 };
    let end = rest[raw..].find(|c: char| c != '_' && !c.is_alphanumeric());
    end.map_or(rest.len(), |end| raw + end)
}

fn number(rest: &str) -> usize {
    let whole = word(rest);
    let after = &rest[whole..];
    let fraction = after.starts_with('.') && after[1..].starts_with(|c: char| c.is_ascii_digit());
    if fraction { whole + 1 + word(&after[1..]) } else { whole }
}

/// The length of a nested block comment.
fn block_comment(rest: &str) -> usize {
    let (mut depth, mut at) = (0, 0);
    while at < rest.len() {
        let here = &rest.as_bytes()[at..];
        match here {
            [b'/', b'*', ..] => (depth, at) = (depth + 1, at + 2),
            [b'*', b'/', ..] => (depth, at) = (depth - 1, at + 2),
            _ => at += 1,
        }
        if depth == 0 {
            break;
        }
    }
    at
}

/// A string at the start of `rest`: where its text is, and the length of all.
fn string(rest: &str) -> Option<(Range<usize>, usize)> {
    let prefix = ["br", "cr", "b", "c", "r"].iter().find(|prefix| {
        rest.strip_prefix(**prefix).is_some_and(|after| after.trim_start_matches('#').starts_with('"'))
    });
    let prefix = prefix.map_or("", |prefix| *prefix);
    let raw = prefix.ends_with('r');
    let after = &rest[prefix.len()..];
    let hashes = if raw { after.len() - after.trim_start_matches('#').len() } else { 0 };
    let start = prefix.len() + hashes + 1;
    if !after[hashes..].starts_with('"') {
        return None;
    }
    let inner = if raw {
        rest[start..].find(&format!("\"{}", "#".repeat(hashes))).unwrap_or(rest.len() - start)
    } else {
        escaped(&rest[start..], '"')
    };
    Some((start..start + inner, (start + inner + 1 + hashes).min(rest.len())))
}

/// How far `text` goes before `end` that no backslash stands before.
fn escaped(text: &str, end: char) -> usize {
    let mut behind_backslash = false;
    for (at, c) in text.char_indices() {
        if c == end && !behind_backslash {
            return at;
        }
        behind_backslash = c == '\\' && !behind_backslash;
    }
    text.len()
}

/// The length of a character such as `'a'`, or of a lifetime such as `'a`.
fn character(rest: &str) -> usize {
    let start = if rest.starts_with('b') { 2 } else { 1 };
    let mut inner = rest[start..].chars();
    let (first, second) = (inner.next(), inner.next());
    if first == Some('\\') || second == Some('\'') {
        return (start + escaped(&rest[start..], '\'') + 1).min(rest.len());
    }
    start + word(&rest[start..])
}

/// A file's tokens without those that are compiled for unit tests alone.
pub(super) struct Shipped<'a> {
    pub(super) tokens: Vec<Token<'a>>,
    /// The lines of what was left out, first and last.
    pub(super) test_lines: Vec<(usize, usize)>,
    /// Modules that stand in files of their own and are for tests alone.
    pub(super) test_modules: Vec<&'a str>,
}

/// Leaves out every item with `#[test]` or with a `#[cfg(..)]` that asks for `test`.
pub(super) fn shipped(text: &str) -> Shipped<'_> {
    let all = tokens(text);
    let mut found = Shipped { tokens: Vec::new(), test_lines: Vec::new(), test_modules: Vec::new() };
    let mut at = 0;
    while at < all.len() {
        let whole_file = is_at(&all, at, "#") && is_at(&all, at + 1, "!");
        let bracket = at + 1 + usize::from(whole_file);
        if !is_at(&all, at, "#") || !is_at(&all, bracket, "[") {
            found.tokens.push(all[at]);
            at += 1;
            continue;
        }
        let end = closing(&all, bracket);
        if !asks_for_test(&all[bracket..end]) {
            found.tokens.extend_from_slice(&all[at..end]);
            at = end;
            continue;
        }
        let after = if whole_file { all.len() } else { item_end(&all, end) };
        let item = &all[at..after];
        found.test_lines.push((all[at].line, item.last().map_or(0, |token| token.line)));
        if let Some(name) = item.windows(3).find(|w| w[0].is("mod") && w[2].is(";")).map(|w| w[1].text) {
            found.test_modules.push(name);
        }
        at = after;
    }
    found
}

/// Whether the attribute says that what follows is for tests alone.
fn asks_for_test(attribute: &[Token<'_>]) -> bool {
    let name = |at: usize| attribute.get(at).map_or("", |token| token.text);
    if name(1) == "test" && name(2) == "]" {
        return true;
    }
    let negated = |at: usize| at >= 2 && attribute[at - 1].is("(") && attribute[at - 2].is("not");
    name(1) == "cfg" && (0..attribute.len()).any(|at| attribute[at].is("test") && !negated(at))
}

/// The place after the bracket that closes the one at `open`.
pub(super) fn closing(tokens: &[Token<'_>], open: usize) -> usize {
    let mut depth = 0usize;
    for (at, token) in tokens.iter().enumerate().skip(open) {
        if token.kind == Kind::Mark {
            match token.text {
                "(" | "[" | "{" => depth += 1,
                ")" | "]" | "}" => depth -= 1,
                _ => {}
            }
        }
        if depth == 0 {
            return at + 1;
        }
    }
    tokens.len()
}

/// The words that an item starts with; what starts otherwise is a field or an arm and may end at a comma.
const ITEMS: [&str; 15] = [
    "pub",
    "fn",
    "struct",
    "enum",
    "union",
    "trait",
    "impl",
    "mod",
    "use",
    "const",
    "static",
    "type",
    "unsafe",
    "async",
    "macro_rules",
];

/// The place after the item, field or arm that starts at `at`, with its other attributes.
fn item_end(tokens: &[Token<'_>], mut at: usize) -> usize {
    while is_at(tokens, at, "#") {
        at = closing(tokens, at + 1);
    }
    let item = tokens.get(at).is_some_and(|token| ITEMS.contains(&token.text));
    let import = tokens[at..].iter().take(6).any(|token| token.is("use"));
    while at < tokens.len() {
        match tokens[at].text {
            _ if tokens[at].kind != Kind::Mark => at += 1,
            ";" => return at + 1,
            "," if !item => return at + 1,
            ")" | "]" | "}" => return at,
            "{" if !import => return closing(tokens, at),
            "(" | "[" | "{" => at = closing(tokens, at),
            _ => at += 1,
        }
    }
    at
}
