//! What most names of a delivery share and no label needs: track numbers, a title, words at either end. Knows nothing of
//! how labels are written.

use std::collections::BTreeMap;

use crate::family::Family;
use crate::role::role_of;
use crate::title::{enough, has_title, is_track_number, title};
use crate::token::{Token, stem_of, tokens};

/// The words of every name, without what most of them share.
pub(crate) fn own_words<'a>(paths: impl Iterator<Item = &'a str>) -> Vec<Words> {
    let mut words: Vec<Words> = paths.map(Words::new).collect();
    strip_numbers(&mut words);
    strip_title(&mut words);
    strip_shared(&mut words, true);
    strip_numbers(&mut words);
    strip_shared(&mut words, false);
    words
}

/// The words of one name, and those that were left out.
pub(crate) struct Words {
    pub(crate) kept: Vec<Token>,
    /// In the order in which they went.
    pub(crate) stripped: Vec<String>,
}

impl Words {
    fn new(path: &str) -> Self {
        Self { kept: tokens(stem_of(path)), stripped: Vec::new() }
    }

    /// The word at `place` from the front or the back.
    fn at(&self, place: usize, front: bool) -> Option<&Token> {
        if front { self.kept.get(place) } else { self.kept.iter().nth_back(place) }
    }
}

/// Track numbers at the front go where most names have one: the order number takes their place.
fn strip_numbers(words: &mut [Words]) {
    let numbered = |words: &Words| words.kept.len() > 1 && is_track_number(&words.kept[0]);
    if enough(words.iter().filter(|words| numbered(words)).count(), words.len()) {
        for words in words.iter_mut().filter(|words| numbered(words)) {
            let gone = words.kept.remove(0);
            words.stripped.push(gone.text);
        }
    }
}

/// Leaves out a title that sounds like a role and is none.
fn strip_title(words: &mut [Words]) {
    let names: Vec<&[Token]> = words.iter().map(|words| &words.kept[..]).collect();
    let Some(title) = title(&names) else { return };
    for words in words.iter_mut().filter(|words| has_title(&words.kept, &title)) {
        words.stripped.extend(words.kept.drain(..title.len()).map(|token| token.text));
    }
}

/// Leaves out what most names share at one end, word by word, as long as something remains and no word that says
/// what a stem is would go.
fn strip_shared(words: &mut [Words], front: bool) {
    let mut members: Vec<usize> = (0..words.len()).collect();
    let all = words.len();
    loop {
        let mut counts: BTreeMap<&str, usize> = BTreeMap::new();
        for &index in &members {
            if let Some(token) = words[index].at(0, front) {
                *counts.entry(&token.key).or_default() += 1;
            }
        }
        let Some((key, count)) = counts.into_iter().max_by_key(|&(_, count)| count) else { return };
        let key = key.to_owned();
        if !enough(count, all) || says_something(&key) {
            return;
        }
        members.retain(|&index| words[index].at(0, front).is_some_and(|token| token.key == key));
        if members.iter().any(|&index| words[index].kept.len() < 2) {
            return;
        }
        for &index in &members {
            let at = if front { 0 } else { words[index].kept.len() - 1 };
            let gone = words[index].kept.remove(at);
            words[index].stripped.push(gone.text);
        }
    }
}

/// Sides and roles stay in a name even where many names have them.
fn says_something(key: &str) -> bool {
    matches!(key, "l" | "r" | "left" | "right" | "dry" | "wet" | "di" | "amp")
        || role_of(key).family != Family::Unsorted
}
