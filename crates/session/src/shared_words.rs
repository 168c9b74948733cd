//! What names share and no label needs: rate and depth, track numbers, the song's title, tempo and key, words at either end.
//! A word that says what a stem is stays. Knows nothing of how labels are written.

use std::collections::{BTreeMap, BTreeSet};

use crate::detail::is_detail;
use crate::family::Family;
use crate::file_words::rate_or_depth_at;
use crate::role::{Role, key_words, role_of};
use crate::short::Says;
use crate::song_words::tempo_and_key;
use crate::title::{before_tempo, enough, has_title, is_track_number, text, title};
use crate::token::{Token, stem_of, tokens};

/// A prefix of some names, but not of most, is a title only where this many names have it, and the words behind it are of
/// this many families: common practice, no source.
const PREFIX_LEAST: usize = 3;
const PREFIX_FAMILIES: usize = 3;

/// The shortest title that is looked for in another spelling: shorter ones are parts of other words.
const SPELLED_LEAST: usize = 4;

/// The words of every name, without what they share.
pub(crate) fn own_words<'a>(stems: impl Iterator<Item = (&'a str, &'a Role)>) -> Vec<Words> {
    let mut words: Vec<Words> = stems.map(|(path, role)| Words::new(path, role)).collect();
    strip_rates(&mut words);
    strip_numbers(&mut words);
    strip_title(&mut words);
    strip_tempo(&mut words);
    strip_shared(&mut words, true);
    strip_prefixes(&mut words);
    strip_other_spellings(&mut words);
    strip_numbers(&mut words);
    strip_shared(&mut words, false);
    words
}

/// The words of one name, and those that were left out.
#[derive(Debug, Clone)]
pub(crate) struct Words {
    pub(crate) kept: Vec<Token>,
    /// In the order in which they went.
    pub(crate) stripped: Vec<String>,
    /// What went from the front as a title.
    title: Vec<String>,
    /// The phrase that says the role.
    role: Vec<String>,
}

impl Words {
    fn new(path: &str, role: &Role) -> Self {
        Self {
            kept: tokens(stem_of(path)),
            stripped: Vec::new(),
            title: Vec::new(),
            role: role.matched.split(' ').filter(|word| !word.is_empty()).map(str::to_owned).collect(),
        }
    }

    /// The word at `place` from the front or the back.
    fn at(&self, place: usize, front: bool) -> Option<&Token> {
        if front { self.kept.get(place) } else { self.kept.iter().nth_back(place) }
    }

    /// Which words say the role.
    pub(crate) fn role_words(&self) -> std::ops::Range<usize> {
        says(&self.kept, &self.role).unwrap_or(0..0)
    }

    /// What each kept word says.
    pub(crate) fn says(&self) -> impl Iterator<Item = Says> + use<'_> {
        let role = self.role_words();
        self.kept.iter().enumerate().map(move |(at, token)| match role.contains(&at) {
            true => Says::Role,
            false if is_detail(&token.key) || is_track_number(token) => Says::Detail,
            false => Says::Other,
        })
    }

    /// Whether the words from `from` to `to` can go: something remains, and the role with it.
    fn can_lose(&self, from: usize, to: usize) -> bool {
        let rest: Vec<Token> = self.kept[..from].iter().chain(&self.kept[to..]).cloned().collect();
        let had = says(&self.kept, &self.role).is_some();
        !rest.is_empty() && (!had || says(&rest, &self.role).is_some())
    }

    fn lose(&mut self, from: usize, to: usize) {
        self.stripped.extend(self.kept.drain(from..to).map(|token| token.text));
    }

    /// Leaves out the first `count` words as a title.
    fn lose_title(&mut self, count: usize) {
        self.title.extend(self.kept[..count].iter().map(|token| token.key.clone()));
        self.lose(0, count);
    }
}

/// Where a phrase stands in a name.
fn says(name: &[Token], phrase: &[String]) -> Option<std::ops::Range<usize>> {
    let keys: Vec<(usize, String)> = name
        .iter()
        .enumerate()
        .flat_map(|(at, token)| key_words(token).into_iter().map(move |key| (at, key)))
        .collect();
    let mut windows = keys.windows(phrase.len().max(1));
    let found = windows.find(|window| window.iter().map(|(_, key)| key).eq(phrase.iter()))?;
    Some(found[0].0..found[found.len() - 1].0 + 1)
}

/// Leaves out rates and depths: the prepared file may have others.
fn strip_rates(words: &mut [Words]) {
    for words in words {
        let mut at = 0;
        while at < words.kept.len() {
            let count = rate_or_depth_at(&words.kept[at..]);
            if count > 0 && words.can_lose(at, at + count) {
                words.lose(at, at + count);
            } else {
                at += 1;
            }
        }
    }
}

/// Track numbers at the front go where most names have one: the order number takes their place. Of one or two names only
/// numbers with a zero in front are known to be those of tracks: "12 String" is a guitar.
fn strip_numbers(words: &mut [Words]) {
    let few = words.len() < PREFIX_LEAST;
    let is_number = |token: &Token| is_track_number(token) && (!few || token.key.starts_with('0'));
    let numbered = |words: &Words| words.kept.len() > 1 && is_number(&words.kept[0]);
    let count = words.iter().filter(|words| numbered(words)).count();
    if enough(count, words.len()) || (few && count == words.len()) {
        for words in words.iter_mut().filter(|words| numbered(words)) {
            words.lose(0, 1);
        }
    }
}

/// Leaves out a title that sounds like a role and is none.
fn strip_title(words: &mut [Words]) {
    let names: Vec<&[Token]> = words.iter().map(|words| &words.kept[..]).collect();
    let Some(title) = title(&names) else { return };
    for words in words.iter_mut().filter(|words| has_title(&words.kept, &title)) {
        words.lose_title(title.len());
    }
}

/// Leaves out tempo and key, and what stands before them as a title, where a clear role stands behind: "Title 92bpm Dm Kick".
fn strip_tempo(words: &mut [Words]) {
    let stated: Vec<Option<(usize, usize)>> = words.iter().map(|words| tempo_and_key(&words.kept)).collect();
    let mut tempi = BTreeSet::new();
    for (words, at) in words.iter().zip(&stated) {
        tempi.extend(at.map(|(from, to)| keys(&words.kept[from..to]).concat()));
    }
    for (words, at) in words.iter_mut().zip(stated) {
        let Some((from, to)) = at else { continue };
        if before_tempo(&words.kept).is_some() && words.can_lose(0, to) {
            words.lose_title(to);
        } else if tempi.len() == 1 && words.can_lose(from, to) {
            // Where names state several, the tempo tells them apart.
            words.lose(from, to);
        }
    }
}

/// Leaves out what most names share at one end, word by word, as long as something remains and no word that says
/// what a stem is would go. Of two names both must say what they are.
fn strip_shared(words: &mut [Words], front: bool) {
    let all = words.len();
    let pair = all == 2 && words.iter().all(|words| !words.role_words().is_empty());
    let mut members: Vec<usize> = (0..all).filter(|&index| !front || !is_title_alone(words, index)).collect();
    loop {
        members.retain(|&index| words[index].kept.len() > 1);
        let mut counts: BTreeMap<&str, usize> = BTreeMap::new();
        for &index in &members {
            if let Some(token) = words[index].at(0, front) {
                *counts.entry(&token.key).or_default() += 1;
            }
        }
        let Some((key, count)) = counts.into_iter().max_by_key(|&(_, count)| count) else { return };
        let key = key.to_owned();
        if !(enough(count, all) || (pair && count == 2)) || says_something(&key) {
            return;
        }
        members.retain(|&index| words[index].at(0, front).is_some_and(|token| token.key == key));
        let end = |words: &Words| if front { 0 } else { words.kept.len() - 1 };
        if members.iter().any(|&index| !words[index].can_lose(end(&words[index]), end(&words[index]) + 1)) {
            return;
        }
        for &index in &members {
            let at = end(&words[index]);
            if front {
                words[index].lose_title(1);
            } else {
                words[index].lose(at, at + 1);
            }
        }
    }
}

/// Whether a name is the beginning of others and nothing else: it may be the title, and all that this stem is called.
fn is_title_alone(words: &[Words], index: usize) -> bool {
    let own = keys(&words[index].kept);
    words.iter().filter(|other| other.kept.len() > own.len() && keys(&other.kept).starts_with(&own)).count()
        > 1
}

/// Leaves out the title in another spelling: "`PAPERLANTERN_Bass`" among names that begin with "Paper Lantern".
fn strip_other_spellings(words: &mut [Words]) {
    let titles: BTreeSet<String> = words
        .iter()
        .flat_map(|words| (1..=words.title.len()).map(|count| words.title[..count].concat()))
        .collect();
    // A name that is the title and nothing else keeps it.
    let is_all = |words: &Words| titles.contains(&keys(&words.kept).concat());
    for words in words.iter_mut().filter(|words| words.title.is_empty() && !is_all(words)) {
        // A track number that only some names have stands before it.
        let begin = usize::from(words.kept.len() > 1 && is_track_number(&words.kept[0]));
        let is_title = |count: &usize| {
            let spelled = keys(&words.kept[begin..*count]).concat();
            spelled.chars().count() >= SPELLED_LEAST && titles.contains(&spelled) && words.can_lose(0, *count)
        };
        if let Some(count) = (begin + 1..words.kept.len()).rev().find(is_title) {
            words.lose_title(count);
        }
    }
}

/// Leaves out prefixes that only some names have, as those of two songs, where the names stay apart without them.
fn strip_prefixes(words: &mut [Words]) {
    let mut groups: BTreeMap<&str, Vec<usize>> = BTreeMap::new();
    for (index, name) in words.iter().enumerate().filter(|(_, words)| words.title.is_empty()) {
        if let Some(first) = name.kept.first().filter(|_| !is_title_alone(words, index)) {
            groups.entry(&first.key).or_default().push(index);
        }
    }
    let mut shorter = words.to_vec();
    for members in groups.values() {
        let count = prefix_of(words, members);
        for &index in members {
            shorter[index].lose_title(count);
        }
    }
    let names = |words: &[Words]| {
        words.iter().map(|words| text(&words.kept).to_lowercase()).collect::<BTreeSet<_>>().len()
    };
    if names(&shorter) == names(words) {
        words.clone_from_slice(&shorter);
    }
}

/// How many words at the front of these names are a title of theirs.
fn prefix_of(words: &[Words], members: &[usize]) -> usize {
    let first = &words[members[0]];
    let shared = |count: &usize| {
        let same = |&index: &usize| {
            let kept = &words[index].kept;
            kept.get(count - 1).is_some_and(|token| token.key == first.kept[count - 1].key)
                && words[index].can_lose(0, *count)
        };
        members.iter().all(same) && !says_something(&first.kept[count - 1].key)
    };
    let count = (1..first.kept.len()).take_while(shared).count();
    let families: BTreeSet<Family> =
        members.iter().map(|&index| role_of(&text(&words[index].kept[count..])).family).collect();
    let is_title = members.len() >= PREFIX_LEAST
        && families.len() >= PREFIX_FAMILIES
        && !families.contains(&Family::Unsorted);
    if is_title { count } else { 0 }
}

/// Sides, places, treatments and roles stay in a name even where many names have them.
fn says_something(key: &str) -> bool {
    is_detail(key) || role_of(key).family != Family::Unsorted
}

fn keys(tokens: &[Token]) -> Vec<&str> {
    tokens.iter().map(|token| token.key.as_str()).collect()
}
