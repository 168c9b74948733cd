//! Names and lines of text in one spelling, before anything is looked for in them. Knows no fact.

/// Underscores become spaces, and the many dashes, arrows and musical signs one each.
pub(super) fn plain(text: &str) -> String {
    let one = |c: char| match c {
        '_' | '\t' | '\u{a0}' => ' ',
        '\u{2010}'..='\u{2015}' | '\u{2212}' => '-',
        '→' => '>',
        '♯' => '#',
        '♭' => 'b',
        other => other,
    };
    text.chars().map(one).collect()
}

/// Patterns that are compiled once, when they are first needed.
macro_rules! patterns {
    ($($(#[$doc:meta])* $name:ident = $text:expr;)*) => {
        $(
            $(#[$doc])*
            static $name: std::sync::LazyLock<regex_lite::Regex> = std::sync::LazyLock::new(|| {
                regex_lite::Regex::new($text).expect("the pattern is a constant and tested")
            });
        )*
    };
}

pub(super) use patterns;
