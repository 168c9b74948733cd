//! What a name says beside the role: section, place, number, side, take, treatment, doubling. Words and spellings:
//! common practice, no source. Knows roles only as families, and no word of one.

use crate::family::Family;
use crate::file_words::is_rate_or_depth;
use crate::token::{stem_of, tokens};

/// A side of the stereo image.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Side {
    /// Left.
    Left,
    /// Centre.
    Centre,
    /// Right.
    Right,
}

impl Side {
    /// All of them, in order.
    pub const ALL: &'static [Self] = &[Self::Left, Self::Centre, Self::Right];

    /// The word in papers.
    pub fn as_str(self) -> &'static str {
        match self {
            Self::Left => "left",
            Self::Centre => "centre",
            Self::Right => "right",
        }
    }
}

/// How a stem was recorded or printed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Treatment {
    /// Without effects.
    Dry,
    /// With effects.
    Wet,
    /// Straight from the instrument.
    Di,
    /// Through an amplifier.
    Amp,
    /// Tuned.
    Tuned,
    /// As it was sung.
    Untuned,
}

impl Treatment {
    /// All of them, in order.
    pub const ALL: &'static [Self] = &[Self::Dry, Self::Wet, Self::Di, Self::Amp, Self::Tuned, Self::Untuned];

    /// The word in papers.
    pub fn as_str(self) -> &'static str {
        match self {
            Self::Dry => "dry",
            Self::Wet => "wet",
            Self::Di => "DI",
            Self::Amp => "amp",
            Self::Tuned => "tuned",
            Self::Untuned => "untuned",
        }
    }
}

/// A section of a song, in the order in which they usually come.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum SectionKind {
    /// Intro.
    Intro,
    /// Verse.
    Verse,
    /// Pre-chorus.
    PreChorus,
    /// Chorus.
    Chorus,
    /// Hook.
    Hook,
    /// Drop.
    Drop,
    /// Bridge.
    Bridge,
    /// Outro.
    Outro,
}

impl SectionKind {
    /// The word in papers.
    pub fn as_str(self) -> &'static str {
        match self {
            Self::Intro => "intro",
            Self::Verse => "verse",
            Self::PreChorus => "pre-chorus",
            Self::Chorus => "chorus",
            Self::Hook => "hook",
            Self::Drop => "drop",
            Self::Bridge => "bridge",
            Self::Outro => "outro",
        }
    }
}

/// What a name says beside the role; what it does not say is empty.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Details {
    /// Section of the song and its number, where it has one: 2 of "Chorus 2".
    pub section: Option<(SectionKind, Option<u16>)>,
    /// Place of a microphone or a voice: "in", "top", "high".
    pub place: Option<&'static str>,
    /// Number among its like: 2 of "Gtr 2".
    pub number: Option<u16>,
    /// Side.
    pub side: Option<Side>,
    /// Take.
    pub take: Option<u16>,
    /// Treatments, each once, in the order of [`Treatment`].
    pub treatments: Vec<Treatment>,
    /// Whether it doubles another stem.
    pub double: bool,
}

impl Details {
    /// Section, place and number in words: "chorus 2 high". Empty where the name says none of them.
    pub fn part(&self) -> String {
        let section = self.section_words();
        let place = self.place.map(str::to_owned);
        let number = self.number.map(|number| number.to_string());
        [section, place, number].into_iter().flatten().collect::<Vec<_>>().join(" ")
    }

    /// The section in words: "chorus 2".
    pub fn section_words(&self) -> Option<String> {
        self.section.map(|(kind, number)| match number {
            Some(number) => format!("{} {number}", kind.as_str()),
            None => kind.as_str().to_owned(),
        })
    }

    /// Where the section stands in a song, counted from 1, and its number; 0 for what the name does not say. Sections of
    /// one kind stand together.
    pub(crate) fn section_rank(&self) -> (usize, u16) {
        self.section.map_or((0, 0), |(kind, number)| (kind as usize + 1, number.unwrap_or(0)))
    }
}

/// Where a section that is given in words stands in a song, counted from 1; 0 for words that are none.
pub(crate) fn section_place(words: &str) -> usize {
    let is_of = |(kind, _): &&(SectionKind, &[&str])| words.starts_with(kind.as_str());
    SECTIONS.iter().find(is_of).map_or(0, |(kind, _)| *kind as usize + 1)
}

/// Spellings of the sections.
const SECTIONS: &[(SectionKind, &[&str])] = &[
    (SectionKind::Intro, &["intro"]),
    (SectionKind::Verse, &["verse", "verses", "vrs", "vs"]),
    (SectionKind::PreChorus, &["prechorus", "pre", "prech"]),
    (SectionKind::Chorus, &["chorus", "choruses", "chor", "chrs", "refrain"]),
    (SectionKind::Hook, &["hook"]),
    (SectionKind::Drop, &["drop"]),
    (SectionKind::Bridge, &["bridge", "brdg"]),
    (SectionKind::Outro, &["outro"]),
];

/// Places, in the order in which stems of one family stand: common practice, no source.
const PLACES: &[(&str, &[&str])] = &[
    ("in", &["in", "inside"]),
    ("out", &["out", "outside"]),
    ("top", &["top"]),
    ("bottom", &["bot", "bottom", "btm"]),
    ("high", &["high", "hi", "upper"]),
    ("mid", &["mid", "middle"]),
    ("low", &["low", "lo", "lower"]),
    ("soprano", &["soprano", "sop"]),
    ("alto", &["alto"]),
    ("tenor", &["tenor"]),
    ("baritone", &["baritone", "bari"]),
    ("rack", &["rack"]),
    ("floor", &["floor"]),
    ("close", &["close"]),
    ("far", &["far"]),
];

const TREATMENTS: &[(Treatment, &[&str])] = &[
    (Treatment::Dry, &["dry"]),
    (Treatment::Wet, &["wet"]),
    (Treatment::Di, &["di", "direct"]),
    (Treatment::Amp, &["amp", "amped", "cab"]),
    (Treatment::Tuned, &["tuned"]),
    (Treatment::Untuned, &["untuned"]),
];

/// Where a place stands among others, counted from 1; 0 for none.
pub(crate) fn place_rank(place: Option<&str>) -> usize {
    let at = |place| PLACES.iter().position(|(known, _)| *known == place);
    place.and_then(at).map_or(0, |at| at + 1)
}

/// Whether a word in lower case may say a section, a place, a treatment, a side or a double.
pub(crate) fn is_detail(word: &str) -> bool {
    among(SECTIONS, word).is_some()
        || among(PLACES, word).is_some()
        || among(TREATMENTS, word).is_some()
        || side(word, 1).is_some()
        || is_double(word)
}

fn among<T: Copy>(table: &[(T, &[&str])], word: &str) -> Option<T> {
    table.iter().find(|(_, spellings)| spellings.contains(&word)).map(|(value, _)| *value)
}

/// Reads the details of a name whose role is known, and of a file whose rate may be.
pub(crate) fn details_of(path: &str, family: Family, rate_hz: Option<u32>) -> Details {
    let words = words_of(stem_of(path));
    let mut details = Details::default();
    for (at, word) in words.iter().enumerate() {
        let before = at.checked_sub(1).map_or("", |before| words[before].as_str());
        let next = words.get(at + 1).map_or("", String::as_str);
        // A number of the file is none of the part; a take may have any.
        if is_take(before) || !is_rate_or_depth(&words, at, rate_hz) {
            read(&mut details, family, word, before, next, at);
        }
    }
    details.treatments.sort_unstable();
    details.treatments.dedup();
    details
}

fn read(details: &mut Details, family: Family, word: &str, before: &str, next: &str, at: usize) {
    if let Some(number) = number(word) {
        // A number in front is the track's.
        if at > 0 {
            numbered(details, number, before);
        }
        return;
    }
    if let Some(kind) = among(SECTIONS, word).filter(|_| !is_other_sense(word, before, next)) {
        // "Pre Chorus" is one section.
        let joined = kind == SectionKind::Chorus
            && details.section.is_some_and(|(known, _)| known == SectionKind::PreChorus);
        if !joined {
            details.section = Some((kind, None));
        }
    } else if let Some(place) = among(PLACES, word).filter(|_| !is_other_sense(word, before, next)) {
        details.place = details.place.or(Some(place));
    } else if let Some(treatment) = among(TREATMENTS, word) {
        details.treatments.push(treatment);
    } else if let Some(side) = side(word, at).filter(|_| next != "hand") {
        details.side = details.side.or(Some(side));
    } else if is_double(word) && !(family == Family::Bass && next == "bass") {
        details.double = true;
    } else if let Some(side) = word.strip_prefix("oh").and_then(|side| self::side(side, 1)) {
        details.side = details.side.or(Some(side));
    }
}

/// A number belongs to the word before it.
fn numbered(details: &mut Details, number: u16, before: &str) {
    match &mut details.section {
        Some((_, slot @ None)) if among(SECTIONS, before).is_some() => *slot = Some(number),
        _ if is_take(before) => details.take = details.take.or(Some(number)),
        // "v2" is a version, "bpm 92" a tempo, and a year or a rate is no number of a part.
        _ if matches!(before, "v" | "ver" | "version" | "bpm" | "mix" | "rev") || number > 99 => {}
        _ => details.number = details.number.or(Some(number)),
    }
}

fn number(word: &str) -> Option<u16> {
    word.parse().ok()
}

fn is_double(word: &str) -> bool {
    matches!(word, "dbl" | "dbls" | "double" | "doubles" | "doubled" | "lvd")
}

fn is_take(word: &str) -> bool {
    matches!(word, "take" | "tk" | "tke")
}

/// A letter alone is a side only behind another word: "R Gtr" may be the rhythm guitar.
fn side(word: &str, at: usize) -> Option<Side> {
    match word {
        "left" | "lft" => Some(Side::Left),
        "right" | "rgt" => Some(Side::Right),
        "centre" | "center" | "ctr" => Some(Side::Centre),
        "l" if at > 0 => Some(Side::Left),
        "r" if at > 0 => Some(Side::Right),
        "c" if at > 0 => Some(Side::Centre),
        _ => None,
    }
}

/// Words that belong to a role or to a title there: "hi hat", "bass drop", "tenor sax", "floor tom 2".
fn is_other_sense(word: &str, before: &str, next: &str) -> bool {
    match word {
        "hi" => matches!(next, "hat" | "hats"),
        "drop" => matches!(before, "bass" | "sub"),
        "tenor" | "alto" | "soprano" | "baritone" | "bari" => {
            matches!(next, "sax" | "saxes" | "gtr" | "guitar")
        }
        "pre" | "vs" | "in" | "out" => before.is_empty(),
        _ => false,
    }
}

/// The words of a name in lower case, letters and digits apart: "bgv1L" is "bgv", "1", "l". What describes the file
/// ("48k24b", "92bpm") says nothing of the stem.
fn words_of(name: &str) -> Vec<String> {
    let mut words = Vec::new();
    for token in tokens(name) {
        let digits_first = token.key.starts_with(|c: char| c.is_ascii_digit());
        let runs = runs(&token.key);
        if digits_first && runs.len() > 1 && side(&runs[1], 1).is_none() {
            continue;
        }
        words.extend(runs);
    }
    words
}

/// Runs of digits, and of anything else.
fn runs(key: &str) -> Vec<String> {
    let mut runs: Vec<String> = Vec::new();
    for c in key.chars() {
        match runs.last_mut() {
            Some(run) if run.ends_with(|last: char| last.is_ascii_digit()) == c.is_ascii_digit() => {
                run.push(c);
            }
            _ => runs.push(c.to_string()),
        }
    }
    runs
}

#[cfg(test)]
mod tests {
    use super::*;

    /// What a name says where the family makes no difference.
    fn details(path: &str) -> Details {
        details_of(path, Family::Unsorted, None)
    }

    #[test]
    fn sides_takes_treatments_and_doubles() {
        for path in ["OH L.wav", "OHL.wav", "Gtr_Left.wav", "gtr1L.wav", "Pad.L.wav", "OH Left take 3.wav"] {
            assert_eq!(details(path).side, Some(Side::Left), "{path}");
        }
        for path in ["R Gtr.wav", "Piano Left Hand.wav", "RHY.wav", "L.wav", "BGVs L+R.wav"] {
            assert_eq!(details(path).side, None, "{path}");
        }
        assert_eq!(details("Vox Take 3.wav").take, Some(3));
        assert_eq!(details("Vox tk12 dry.wav").take, Some(12));
        assert_eq!(details("Vox Take 96.wav").take, Some(96));
        assert_eq!(details("Bass DI.wav").treatments, [Treatment::Di]);
        assert_eq!(details("LV dry untuned.wav").treatments, [Treatment::Dry, Treatment::Untuned]);
        assert!(details("LV Dbl 2 R.wav").double && details("Gtr Double.wav").double);
        assert!(!details_of("Double Bass.wav", Family::Bass, None).double);
    }
}
