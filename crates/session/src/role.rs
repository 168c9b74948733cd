//! What a name says of a stem's role. A wrong answer costs an engineer more than none, so doubt stays "unsorted". Knows
//! names only, and no sound.

use crate::detail::{Details, details_of};
use crate::family::{Family, Group};
use crate::token::{Token, stem_of, tokens};

/// How sure a role is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Confidence {
    /// The file's own name says it, in a word that means nothing else.
    Clear,
    /// Only a folder says it, or a word of several meanings.
    Weak,
    /// Nothing says it.
    None,
}

impl Confidence {
    /// The word in papers.
    pub fn as_str(self) -> &'static str {
        match self {
            Self::Clear => "clear",
            Self::Weak => "weak",
            Self::None => "none",
        }
    }
}

/// What a name says.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Role {
    /// What the stem is.
    pub family: Family,
    /// The words that say so; empty for `Unsorted`.
    pub matched: String,
    /// How surely they say so.
    pub confidence: Confidence,
    /// What the name says beside it.
    pub details: Details,
}

impl Role {
    /// The group that the stem is sorted in.
    pub fn group(&self) -> Group {
        self.family.group()
    }
}

/// Phrases with their family, separated by commas. Common practice, no source.
///
/// The longest phrase in a name wins; of equally long ones a clear word over a weak one; then the first in the name.
const PHRASES: &[(Family, &str)] = &[
    (
        Family::Kick,
        "kick, kicks, kik, kck, k in, k out, bd, kd, bass drum, bassdrum, sub kick, subkick, kick sub, kick drum, \
         synth kick",
    ),
    (
        Family::Snare,
        "snare, snares, snr, sn, sd, rim, rimshot, sidestick, side stick, snare top, snare bot, sn top, sn bot, \
         snare drum, synth snare",
    ),
    (Family::Hat, "hat, hats, hh, hihat, hi hat, hihats, hi hats, ohh, chh"),
    (Family::Toms, "tom, toms, ft, floor, floor tom, rack tom"),
    (Family::Cymbals, "ride, crash, cym, cymbal, cymbals, china, splash"),
    (Family::Overheads, "oh, ohs, ohl, ohr, overhead, overheads"),
    (Family::Room, "rm, room, rooms, amb, ambience, drum room, drums room"),
    (
        Family::Loop,
        "drm, drum, drums, loop, loops, beat, drum loop, drum bus, drums bus, break, drum mix, drum machine, \
         synth drum, synth drums",
    ),
    (
        Family::Percussion,
        "perc, percs, percussion, shk, shaker, shakers, tamb, tambourine, conga, congas, bongo, bongos, clap, claps, \
         clp, snap, snaps, cowbell, triangle, perc loop, steel drum, steel drums, hand drum, hand drums, frame drum, \
         timpani",
    ),
    (
        Family::Bass,
        "bass, bs, ba, sub, sub bass, bass synth, synth bass, bass di, bass amp, bass gtr, bass guitar, double bass, \
         upright bass",
    ),
    (
        Family::Guitar,
        "gtr, gtrs, guitar, guitars, eg, ag, egtr, agtr, acu gtr, elec gtr, e gtr, ac gtr, el gtr, lead gtr, \
         lead guitar, rhy gtr, acoustic guitar, electric guitar, acu, elec, strat, nylon, banjo, mandolin, ukulele, \
         acoustic, rhy",
    ),
    (
        Family::Keys,
        "pno, piano, pianos, keys, rhodes, wurli, org, organ, clav, ep, e piano, electric piano, harpsichord, celesta",
    ),
    (
        Family::Synth,
        "syn, synth, synths, lead syn, lead synth, syn lead, synth lead, arp, plk, pluck, plucks, pl, bells, bell, \
         vox synth, synth vox",
    ),
    (
        Family::Pad,
        "pad, pads, pd, strings pad, string pad, str pad, synth pad, choir pad, vox pad, vocal pad",
    ),
    (Family::Strings, "strings, string, str, vln, vla, vc, violin, violins, viola, cello, celli"),
    (
        Family::Brass,
        "brass, tpt, tbn, hn, sax, trumpet, trombone, horn, horns, flute, clarinet, woodwinds, bass trombone, \
         bass clarinet, bass sax, bass flute",
    ),
    (
        Family::LeadVocal,
        "lv, lead vox, lead vocal, lead vocals, lead voc, lead voice, ld vox, main vox, main vocal, vox lead, \
         vocal lead, vox, vocal, vocals, voc, voice, vox main",
    ),
    (
        Family::VocalDouble,
        "lv dbl, lv double, lvd, lead vox dbl, lead vox double, lead vocal dbl, lead vocal double, vox dbl, \
         vox double, vocal dbl, vocal double, lead voice double, voice double, dbl vox, double vox",
    ),
    (
        Family::BackingVocal,
        "bv, bvs, bgv, bgvs, back vox, backing vox, backing vocal, backing vocals, background vocals, harm, harms, \
         harmony, harmonies, choir, gang, gang vox, stack, adlib, adlibs, ad lib, ad libs, ooh, oohs, aah, aahs, vox harm, \
         vocal harm, vocal harmony, voice harm, voice harmony, harmony vox, harm vox, vox adlib, vox stack, bass vox, \
         bass voice",
    ),
    (
        Family::Effect,
        "fx, sfx, riser, risers, impact, impacts, sweep, sweeps, rev cym, reverse cymbal, reverse cym, noise, whoosh, \
         vox fx, vocal fx, lv fx, bv fx, bgv fx, lead vox fx, lead vocal fx, drum fx, uplifter, downlifter, bass drop, \
         sub drop, snare verb, vox verb, vocal verb, lv verb, bv verb, bgv verb, lead vox verb, lead vocal verb, verb, \
         reverb, delay, vox delay, vocal delay, lv delay, lead vox delay, lead vocal delay, vox throw, vox throws, \
         noise sweep",
    ),
];

/// Words that say little beside a clear one: a manner of playing, a place, a kind of take. "Room Piano" is a piano,
/// "Gang Claps" are claps, "Harmony Gtr" is a guitar.
const WEAK: &[&str] = &[
    "acoustic",
    "acu",
    "amb",
    "ambience",
    "arp",
    "beat",
    "bell",
    "bells",
    "break",
    "drm",
    "drum",
    "drums",
    "elec",
    "floor",
    "gang",
    "harm",
    "harmonies",
    "harmony",
    "harms",
    "impact",
    "loop",
    "loops",
    "noise",
    "org",
    "pluck",
    "plucks",
    "plk",
    "rhy",
    "room",
    "rooms",
    "stack",
    "str",
    "string",
    "sub",
    "sweep",
    "syn",
    "synth",
    "synths",
];

/// Abbreviations of two letters are words of titles too ("ft", "ep"), except those that hardly mean anything else.
const CLEAR_ABBREVIATIONS: &[&str] = &["oh", "hh", "lv", "bv", "fx"];

fn is_weak(phrase: &str) -> bool {
    WEAK.contains(&phrase) || (phrase.len() <= 2 && !CLEAR_ABBREVIATIONS.contains(&phrase))
}

/// Says what a stem is by its path inside the delivery. The file name speaks first; folders only where it is silent.
pub fn role_of(path: &str) -> Role {
    role_of_file(path, None)
}

/// The same of a file whose rate in Hz may be known: a rate in its name is then its own, or none.
pub fn role_of_file(path: &str, rate_hz: Option<u32>) -> Role {
    let mut parts = path.rsplit('/');
    let own = role_in(stem_of(parts.next().unwrap_or(path)));
    let (said, confidence) = match own {
        Some(said) => (Some(said), if is_weak(said.1) { Confidence::Weak } else { Confidence::Clear }),
        None => (parts.find_map(role_in), Confidence::Weak),
    };
    let (family, matched) = said.unwrap_or((Family::Unsorted, ""));
    let confidence = if family == Family::Unsorted { Confidence::None } else { confidence };
    Role { family, matched: matched.to_owned(), confidence, details: details_of(path, family, rate_hz) }
}

/// The family that a name says, and the phrase that says it.
fn role_in(name: &str) -> Option<(Family, &'static str)> {
    let keys: Vec<String> = tokens(name).iter().flat_map(key_words).collect();
    let found = PHRASES.iter().flat_map(|&(family, phrases)| {
        phrases
            .split(", ")
            .filter_map(|phrase| Some((rank(phrase, &keys)?, family, phrase)))
            .collect::<Vec<_>>()
    });
    match found.max_by_key(|&(rank, ..)| rank) {
        Some((_, family, matched)) => Some((family, matched)),
        None => toms(&keys).or_else(|| double(&keys)),
    }
}

/// How much a phrase says in a name: its words, whether it is clear, how early it stands. `None` where it is absent.
fn rank(phrase: &str, keys: &[String]) -> Option<(usize, bool, std::cmp::Reverse<usize>)> {
    let words: Vec<&str> = phrase.split(' ').collect();
    let at = keys.windows(words.len()).position(|window| window.iter().eq(words.iter()))?;
    Some((words.len(), !is_weak(phrase), std::cmp::Reverse(at)))
}

/// The words of a token that may name a role: "gtr2" is "gtr", "bgv1L" is "bgv", and "48k24b" is nothing.
pub(crate) fn key_words(token: &Token) -> Vec<String> {
    let is_digit = |c: char| c.is_ascii_digit();
    let runs: Vec<&str> = token.key.split(is_digit).filter(|run| !run.is_empty()).collect();
    match runs[..] {
        // "T1" is a tom only among other signs of it; "808" is a kick as often as a bass.
        [] | ["t"] => vec![token.key.clone()],
        [one] => vec![one.to_owned()],
        _ => runs.into_iter().filter(|run| run.chars().count() > 1).map(str::to_owned).collect(),
    }
}

/// "Dbl" without an instrument is a second voice; beside "lead" it may be one of anything.
fn double(keys: &[String]) -> Option<(Family, &'static str)> {
    let said = |word: &&str| keys.iter().any(|key| key == word);
    let matched = ["dbl", "dbls", "double", "doubles"].into_iter().find(said)?;
    let doubtful = keys.iter().any(|key| matches!(key.as_str(), "lead" | "ld" | "di" | "amp"));
    (!doubtful).then_some((Family::VocalDouble, matched))
}

/// "T1" to "T4" alone may as well be track numbers: only a floor or rack beside them makes them toms.
fn toms(keys: &[String]) -> Option<(Family, &'static str)> {
    let numbered = keys.iter().any(|key| matches!(key.as_str(), "t1" | "t2" | "t3" | "t4"));
    let sure = keys.iter().any(|key| matches!(key.as_str(), "rack" | "floor"));
    (numbered && sure).then_some((Family::Toms, "t1-t4"))
}

#[cfg(test)]
mod tests;
