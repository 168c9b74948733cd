//! Labels: clean, unique, safe names for prepared stems. Knows nothing of folders and extensions.

use std::collections::BTreeSet;

use crate::copies::copy_rank;
use crate::family::Group;
use crate::order::in_order;
use crate::role::{Role, role_of};
use crate::safe_name::{Charset, clean, fit, fold, is_reserved};
use crate::shared_words::{Words, own_words};

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
    let words = own_words(stems.iter().map(|stem| stem.path.as_str()));
    let mut order: Vec<usize> = (0..stems.len()).filter(|&i| stems[i].wanted).collect();
    let groups = in_order(&options.order);
    order.sort_by_cached_key(|&i| {
        let stem = &stems[i];
        let is_copy = copy_rank(&stem.path).0;
        (place(&groups, stem.group), nesting(stem), stem.role.family, is_copy, stem.path.as_str())
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
    for (number, index) in renamed.chain(new).collect::<Vec<_>>() {
        let prefix = match number.filter(|_| options.number) {
            Some(number) => format!("{number:0digits$}{}", options.separator),
            None => String::new(),
        };
        let parts = parts(&stems[index], &words[index], options);
        labels[index] = Some(label(&parts, &words[index].stripped, &prefix, options, &mut texts));
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
fn parts(stem: &LabelInput, words: &Words, options: &LabelOptions) -> Vec<String> {
    let own = || words.kept.iter().map(|token| token.text.as_str()).collect();
    let texts: Vec<&str> = stem.said.as_deref().map_or_else(own, |said| said.split_whitespace().collect());
    texts.into_iter().map(|text| clean(text, options.charset)).filter(|part| !part.is_empty()).collect()
}

fn label(
    parts: &[String],
    stripped: &[String],
    prefix: &str,
    options: &LabelOptions,
    taken: &mut BTreeSet<String>,
) -> Label {
    let separator = options.separator.to_string();
    let base = if parts.is_empty() { "Stem".to_owned() } else { parts.join(&separator) };
    let room = options.max_chars.saturating_sub(prefix.chars().count()).max(4);
    // What makes a name no device's belongs to it before it is compared with others.
    let no_device = |text: String| if is_reserved(&format!("{prefix}{text}")) { text + "_" } else { text };
    let mut text = no_device(fit(&base, room, options.separator));
    let mut collided = false;
    for copy in 2.. {
        if taken.insert(fold(&text)) {
            break;
        }
        collided = true;
        let suffix = format!("{separator}{copy}");
        let base = fit(&base, room.saturating_sub(suffix.chars().count()).max(1), options.separator);
        text = no_device(base + &suffix);
    }
    Label { text: format!("{prefix}{text}"), stripped: stripped.to_vec(), collided }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;
    use crate::order::KICK_AND_BASS_FIRST;

    fn options() -> LabelOptions {
        LabelOptions {
            max_chars: 31,
            charset: Charset::Ascii,
            separator: '_',
            number: true,
            order: KICK_AND_BASS_FIRST.to_vec(),
        }
    }

    fn inputs(paths: &[&str]) -> Vec<LabelInput> {
        paths.iter().map(|path| LabelInput::new(path)).collect()
    }

    fn texts(paths: &[&str], options: &LabelOptions) -> Vec<String> {
        labels(&inputs(paths), &[], options).into_iter().flatten().map(|label| label.text).collect()
    }

    #[test]
    fn what_names_share_is_left_out_at_word_borders() {
        let paths = [
            "PaperLantern_92bpm_Dm_Kick In_48k24b.wav",
            "PaperLantern_92bpm_Dm_Snare Top_48k24b.wav",
            "PaperLantern_92bpm_Dm_Bass_48k24b.wav",
            "PaperLantern_92bpm_Dm_Lead Vox_48k24b.wav",
            "late riser.wav",
        ];
        assert_eq!(
            texts(&paths, &options()),
            ["01_Kick_In", "03_Snare_Top", "02_Bass", "04_Lead_Vox", "05_late_riser"]
        );
    }

    #[test]
    fn a_role_is_never_left_out() {
        assert_eq!(
            texts(&["Gtr 1.wav", "Gtr 2.wav", "Gtr 3.wav"], &options()),
            ["01_Gtr_1", "02_Gtr_2", "03_Gtr_3"]
        );
        assert_eq!(
            texts(&["Pad L.wav", "Keys L.wav", "Gtr L.wav"], &options()),
            ["03_Pad_L", "02_Keys_L", "01_Gtr_L"]
        );
    }

    #[test]
    fn a_title_that_sounds_like_a_role_is_left_out() {
        let paths =
            ["BassStreet_Kick.wav", "BassStreet_Vox.wav", "BassStreet_Gtr.wav", "BassStreet_Bass DI.wav"];
        assert_eq!(
            texts(&paths, &LabelOptions { number: false, ..options() }),
            ["Kick", "Vox", "Gtr", "Bass_DI"]
        );
    }

    #[test]
    fn track_numbers_give_way_to_order_numbers() {
        assert_eq!(
            texts(&["07 - Vox.wav", "03_Kick.wav", "12 Snare.wav"], &options()),
            ["03_Vox", "01_Kick", "02_Snare"]
        );
    }

    #[test]
    fn names_that_would_be_one_are_told_apart() {
        let found = labels(
            &inputs(&["Vox.wav", "vox.aif", "a/VOX.wav"]),
            &[],
            &LabelOptions { number: false, ..options() },
        );
        let found: Vec<Label> = found.into_iter().flatten().collect();
        let texts: BTreeSet<String> = found.iter().map(|label| label.text.to_lowercase()).collect();
        assert_eq!(texts.len(), 3);
        assert_eq!(found.iter().filter(|label| label.collided).count(), 2);
    }

    #[test]
    fn a_label_that_is_in_use_stays_and_new_ones_are_counted_on() {
        let mut stems = inputs(&["Bass.wav", "Bass 2.wav", "Kick.wav", "Vox.wav", "a/Vox.wav"]);
        for (index, label) in [(0, "02_Bass"), (2, "01_Kick"), (3, "03_Vox")] {
            stems[index].kept = Some(label.to_owned());
        }
        let texts: Vec<String> =
            labels(&stems, &[], &options()).into_iter().flatten().map(|l| l.text).collect();
        assert_eq!(texts, ["02_Bass", "04_Bass_2", "01_Kick", "03_Vox", "05_Vox_2"]);
    }

    #[test]
    fn labels_that_are_taken_are_given_to_nobody_and_their_numbers_neither() {
        let named = |taken: &[&str], paths: &[&str], kept: &[(usize, &str)], options: &LabelOptions| {
            let mut stems = inputs(paths);
            for (index, label) in kept {
                stems[*index].kept = Some((*label).to_owned());
            }
            let taken: Vec<String> = taken.iter().map(|label| (*label).to_owned()).collect();
            labels(&stems, &taken, options).into_iter().flatten().map(|l| l.text).collect::<Vec<_>>()
        };
        let (own, bare) = (options(), LabelOptions { number: false, ..options() });
        let late = ["Kick.wav", "Vox.wav", "Vox 2.wav"];
        let found = named(&["02_Vox", "04_Gtr"], &late, &[(0, "01_Kick")], &own);
        assert_eq!(found, ["01_Kick", "05_Vox_3", "03_Vox_2"]);
        assert_eq!(named(&["vox"], &["Vox.wav"], &[], &bare), ["Vox_2"]);
        // What another recipe made has other separators, or a number where none is asked for now.
        assert_eq!(
            named(&["01-Vox", "02 Gtr"], &["Vox.wav", "Gtr.wav"], &[], &own),
            ["04_Vox_2", "03_Gtr_2"]
        );
        assert_eq!(named(&["01_Vox"], &["Vox.wav"], &[(0, "01_Vox")], &bare), ["01_Vox"]);
        // A date is no reason to count on from it, and no number is too large to be read.
        let dates = ["2024-05-01 mix", "99999999999999999999_x", "18446744073709551615_y", "+7_z"];
        assert_eq!(named(&dates, &["Vox.wav"], &[], &own), ["01_Vox"]);
    }

    #[test]
    fn harmonies_stand_with_their_section() {
        let paths = [
            "BV Chorus Low.wav",
            "BV Verse High.wav",
            "BV Chorus High.wav",
            "BV Bridge.wav",
            "BV All.wav",
            "LV.wav",
        ];
        let mut found = texts(&paths, &options());
        found.sort();
        let wanted = [
            "01_LV",
            "02_BV_All",
            "03_BV_Verse_High",
            "04_BV_Chorus_High",
            "05_BV_Chorus_Low",
            "06_BV_Bridge",
        ];
        assert_eq!(found, wanted);
    }

    #[test]
    fn devices_accents_and_nothing_at_all() {
        let bare = LabelOptions { number: false, ..options() };
        assert_eq!(
            texts(&["CON.wav", "Über Größe.wav", "🎤.wav", "e\u{301}te\u{301}.wav"], &bare),
            ["CON_", "Uber_Grosse", "Stem", "ete"]
        );
        let unicode = LabelOptions { charset: Charset::Unicode, ..bare };
        assert_eq!(texts(&["e\u{301}te\u{301}.wav"], &unicode), ["été"]);
    }

    /// The names are those of "Naming Files, Paths, and Namespaces" (Microsoft Learn).
    #[test]
    fn no_label_is_a_device() {
        let bare = LabelOptions { number: false, ..options() };
        let delivered = ["Aux 1.wav", "Con.wav", "aux.wav", "COM¹.wav", "lpt9.aif", "NUL.tar.gz", "PRN .wav"];
        let wanted = ["Aux_1", "Con_", "aux_", "COM1_", "lpt9_", "NUL_tar", "PRN_"];
        assert_eq!(texts(&delivered, &bare), wanted);
        assert_eq!(texts(&["Con.wav"], &options()), ["01_Con"]);
        let spaced = LabelOptions { separator: ' ', ..bare.clone() };
        assert_eq!(texts(&["Aux 1.wav", "Aux.wav"], &spaced), ["Aux 1", "Aux_"]);
        let unicode = LabelOptions { charset: Charset::Unicode, ..bare.clone() };
        assert_eq!(texts(&["COM¹.wav", "ＣＯＮ.wav"], &unicode), ["COM¹_", "ＣＯＮ_"]);
        // A stem that comes later does not get the mended name of one that is there.
        let mut stems = inputs(&["Con.wav", "late/CON.wav"]);
        stems[0].kept = Some("Con_".to_owned());
        let found: Vec<String> = labels(&stems, &[], &bare).into_iter().flatten().map(|l| l.text).collect();
        assert_eq!(found, ["Con_", "CON_2"]);
    }

    proptest! {
        #[test]
        fn labels_are_unique_legal_and_short(
            names in prop::collection::btree_set("[a-zA-Zé ._()0-9🎤/-]{1,60}", 1..40),
            number in any::<bool>(),
            ascii in any::<bool>(),
        ) {
            let paths: Vec<&str> = names.iter().map(String::as_str).collect();
            let charset = if ascii { Charset::Ascii } else { Charset::Unicode };
            let options = LabelOptions { charset, number, ..options() };
            let found = texts(&paths, &options);
            let folded: BTreeSet<String> = found.iter().map(|text| fold(text)).collect();
            prop_assert_eq!(folded.len(), paths.len());
            for text in &found {
                prop_assert!(text.chars().count() <= 31 && !text.is_empty() && !is_reserved(text), "{}", text);
                prop_assert!(!text.contains(|c: char| "<>:\"/\\|?*".contains(c) || c.is_control()));
                prop_assert!(!text.ends_with(['.', ' ']));
            }
            let mut reversed: Vec<&str> = paths.clone();
            reversed.reverse();
            let mut again = texts(&reversed, &options);
            again.reverse();
            prop_assert_eq!(again, found);
        }
    }
}
