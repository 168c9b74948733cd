//! Labels: clean, unique, safe names for prepared stems. Knows nothing of folders and extensions.

use std::collections::BTreeSet;

use crate::family::Group;
use crate::order::in_order;
use crate::role::{Role, role_of};
use crate::safe_name::{Charset, clean, fold, is_reserved};
use crate::shared_words::{Words, own_words};
use crate::short::{Part, Says, short};
use crate::within_group::Within;

/// How labels are made.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct LabelOptions {
    /// Longest label in characters, the order number included; 8 or more.
    pub max_chars: usize,
    /// Allowed characters.
    pub charset: Charset,
    /// What stands between words.
    pub separator: char,
    /// Whether the order number stands first.
    pub number: bool,
    /// The order of the groups; groups that are missing come last, in their usual order.
    pub order: Vec<Group>,
}

/// A stem that needs a label.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct LabelInput {
    /// Path inside the delivery.
    pub path: String,
    /// Its role.
    pub role: Role,
    /// Its group.
    pub group: Group,
    /// Whether it gets a label; the others only count where shared words are looked for.
    pub wanted: bool,
    /// What it shall be called, whatever the words of its name are.
    pub said: Option<String>,
    /// A label that it had, of which it keeps the number alone.
    pub number_of: Option<String>,
    /// A label that it has already and keeps.
    pub kept: Option<String>,
}

impl LabelInput {
    /// A stem of which nothing but its path is known: role and group are by its name, and it wants a label.
    pub fn new(path: &str) -> Self {
        let role = role_of(path);
        let group = role.group();
        Self { path: path.to_owned(), role, group, wanted: true, said: None, number_of: None, kept: None }
    }
}

/// A label.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Label {
    /// The name, without extension.
    pub text: String,
    /// Words that many names of the delivery shared and that were left out, in order.
    pub stripped: Vec<String>,
    /// Whether another stem would have had this label.
    pub collided: bool,
}

/// Makes a label for every stem that wants one, in the order of the input. The result depends on the set alone.
///
/// `taken` are labels, and names of files without extension, that nobody may get although no stem here has them: what a
/// stem once had that is gone, what a person has put there. Their numbers are taken too.
pub fn labels(stems: &[LabelInput], taken: &[String], options: &LabelOptions) -> Vec<Option<Label>> {
    let words = own_words(stems.iter().map(|stem| (stem.path.as_str(), &stem.role)));
    let mut order: Vec<usize> = (0..stems.len()).filter(|&i| stems[i].wanted).collect();
    let groups = in_order(&options.order);
    order.sort_by_cached_key(|&i| {
        let stem = &stems[i];
        let within = Within::new(&stem.path, &stem.role, &words[i]);
        (place(&groups, stem.group), nesting(stem), stem.role.family, within)
    });
    let digits = if stems.len() >= 100 { stems.len().to_string().len() } else { 2 };
    let mut labels: Vec<Option<Label>> = vec![None; stems.len()];
    for &index in &order {
        let stripped = words[index].stripped.clone();
        labels[index] = stems[index].kept.clone().map(|text| Label { text, stripped, collided: false });
    }
    let kept = || stems.iter().filter_map(|stem| stem.kept.as_deref().or(stem.number_of.as_deref()));
    let used = Used::new(kept().chain(taken.iter().map(String::as_str)), options);
    // Numbers that are in use stay; later stems are counted on from them.
    let first =
        kept().filter_map(|text| numbered(text, options)).map(|(number, _)| number).max().unwrap_or(0) + 1;
    order.retain(|&index| labels[index].is_none());
    let mut texts = used.texts;
    let old_number = |index: usize| Some(numbered(stems[index].number_of.as_deref()?, options)?.0);
    let (renamed, new): (Vec<usize>, Vec<usize>) =
        order.into_iter().partition(|&index| stems[index].number_of.is_some());
    let renamed = renamed.into_iter().map(|index| (old_number(index), index));
    let free = (first..).filter(|number| !used.numbers.contains(number));
    let new = free.zip(new).map(|(number, index)| (Some(number), index));
    let turns: Vec<(Option<usize>, usize)> = renamed.chain(new).collect();
    let parts = |index: usize| parts(&stems[index], &words[index], options);
    let wished: BTreeSet<String> = turns
        .iter()
        .map(|&(_, index)| fold(&short(&parts(index), options.max_chars, options.separator)))
        .collect();
    for (number, index) in turns {
        let prefix = match number.filter(|_| options.number) {
            Some(number) => format!("{number:0digits$}{}", options.separator),
            None => String::new(),
        };
        let (text, collided) = label(&parts(index), &prefix, options, &mut texts, &wished);
        labels[index] = Some(Label { text, stripped: words[index].stripped.clone(), collided });
    }
    labels
}

/// What no new label may be.
struct Used {
    /// Folded, as a whole and without their numbers.
    texts: BTreeSet<String>,
    /// Numbers that stand first.
    numbers: BTreeSet<usize>,
}

impl Used {
    fn new<'a>(labels: impl Iterator<Item = &'a str>, options: &LabelOptions) -> Self {
        let mut used = Self { texts: BTreeSet::new(), numbers: BTreeSet::new() };
        for label in labels {
            used.texts.insert(fold(label));
            if let Some((number, text)) = numbered(label, options) {
                used.texts.insert(fold(text));
                used.numbers.insert(number);
            }
        }
        used
    }
}

/// Voices that belong to one section of the song stand together; those that name none come first.
fn nesting(stem: &LabelInput) -> (usize, u16) {
    match stem.group {
        Group::LeadVocals | Group::VocalDoubles | Group::BackingVocals => stem.role.details.section_rank(),
        _ => (0, 0),
    }
}

/// Number and text of a label that begins with a number, whatever separator it was made with; recipes change. More than
/// six digits are nobody's number.
fn numbered<'a>(label: &'a str, options: &LabelOptions) -> Option<(usize, &'a str)> {
    let (digits, text) = label.split_once(['_', '-', ' ', options.separator]).filter(|_| options.number)?;
    let is_number = (1..=6).contains(&digits.len()) && digits.bytes().all(|digit| digit.is_ascii_digit());
    Some((digits.parse().ok().filter(|_| is_number)?, text))
}

fn place(order: &[Group], group: Group) -> usize {
    order.iter().position(|known| *known == group).unwrap_or(order.len())
}

/// The words of a label: those that somebody has said, or those of the name.
fn parts(stem: &LabelInput, words: &Words, options: &LabelOptions) -> Vec<Part> {
    let part = |text: &str, says| Part { text: clean(text, options.charset), says };
    let parts: Vec<Part> = match &stem.said {
        Some(said) => said.split_whitespace().map(|word| part(word, Says::Other)).collect(),
        None => words.kept.iter().zip(words.says()).map(|(token, says)| part(&token.text, says)).collect(),
    };
    parts.into_iter().filter(|part| !part.text.is_empty()).collect()
}

/// The label of one stem, and whether another has what it would have had. A copy's number makes no name that another stem has by
/// itself: those are `wished`.
fn label(
    parts: &[Part],
    prefix: &str,
    options: &LabelOptions,
    taken: &mut BTreeSet<String>,
    wished: &BTreeSet<String>,
) -> (String, bool) {
    let separator = options.separator;
    let room = options.max_chars.saturating_sub(prefix.chars().count()).max(4);
    // What makes a name no device's belongs to it before it is compared with others.
    let no_device = |text: String| if is_reserved(&format!("{prefix}{text}")) { text + "_" } else { text };
    let mut text = no_device(short(parts, room, separator));
    let mut collided = false;
    for copy in 2.. {
        let is_another = collided && wished.contains(&fold(&text));
        if !is_another && taken.insert(fold(&text)) {
            break;
        }
        collided = true;
        let suffix = format!("{separator}{copy}");
        let room = room.saturating_sub(suffix.chars().count()).max(1);
        text = no_device(short(parts, room, separator) + &suffix);
    }
    (format!("{prefix}{text}"), collided)
}

#[cfg(test)]
mod composed;
#[cfg(test)]
mod tests;
