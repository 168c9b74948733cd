//! Which of two stems of one group and family stands first: top before bottom, in before out, DI before amp, close before
//! far, an original before its copy, and numbers as people count. Common practice, no source. Knows nothing of numbers in
//! labels.

use crate::copies::{copy_rank, is_copy_word};
use crate::detail::{Side, Treatment, is_detail, place_rank};
use crate::role::{Role, key_words};
use crate::shared_words::Words;

/// The place of a stem among others of its family, by its name.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub(crate) struct Within {
    /// What it is called beside role, place, treatment and number.
    called: Vec<String>,
    number: Option<u16>,
    place: usize,
    treatment: Option<Treatment>,
    double: bool,
    side: Option<Side>,
    take: Option<u16>,
    copy: (bool, u32),
    path: String,
}

impl Within {
    pub(crate) fn new(path: &str, role: &Role, words: &Words) -> Self {
        let details = &role.details;
        Self {
            called: called(role, words),
            number: details.number,
            place: place_rank(details.place),
            treatment: details.treatments.first().copied(),
            double: details.double,
            side: details.side,
            take: details.take,
            copy: copy_rank(path),
            path: path.to_owned(),
        }
    }
}

/// The words of a name that are neither its role nor a detail. A role of several words, as "lead gtr", is part of what a stem
/// is called.
fn called(role: &Role, words: &Words) -> Vec<String> {
    let phrase: Vec<&str> = role.matched.split(' ').filter(|word| !is_detail(word)).collect();
    let mut called: Vec<String> =
        if phrase.len() > 1 { phrase.into_iter().map(str::to_owned).collect() } else { Vec::new() };
    let own = words.role_words();
    let others = words.kept.iter().enumerate().filter(|(at, _)| !own.contains(at)).map(|(_, token)| token);
    let is_number = |key: &str| key.bytes().all(|byte| byte.is_ascii_digit());
    let says = |key: &String| !is_detail(key) && !is_copy_word(key) && !is_number(key);
    called.extend(others.flat_map(key_words).filter(says));
    called
}
