//! Roles against names that were composed from the trade's usual tokens after the code was written. Tokens, names and
//! what they mean: common practice, no source.

use std::collections::BTreeSet;

use loadin_session::Family::{
    BackingVocal, Bass, Brass, Cymbals, Effect, Guitar, Hat, Keys, Kick, LeadVocal, Loop, Overheads, Pad,
    Percussion, Room, Snare, Strings, Synth, Toms, Unsorted, VocalDouble,
};
use loadin_session::{Family, PairInput, Role, Side, Treatment, role_of, side_pairs};

/// The usual spellings of every family.
const TOKENS: &[(Family, &[&str])] = &[
    (Kick, &["kick", "kik", "k in", "k out", "bd", "kd", "bass drum", "sub kick", "kick drum"]),
    (Snare, &["snare", "snr", "sn", "sd", "sn top", "sn bot", "rim", "snare top", "snare bottom"]),
    (Hat, &["hat", "hh", "hihat", "ohh", "chh", "hi hat", "hats"]),
    (Toms, &["tom", "ft", "floor tom", "rack tom", "toms"]),
    (Overheads, &["oh", "overhead", "overheads"]),
    (Room, &["rm", "room", "amb", "drum room"]),
    (Cymbals, &["ride", "crash", "cym", "china", "splash"]),
    (Percussion, &["perc", "shk", "shaker", "tamb", "conga", "clap", "clp", "snap", "tambourine"]),
    (Loop, &["drm", "drums", "loop", "beat", "drum loop"]),
    (Bass, &["bass", "bs", "ba", "sub", "bass synth", "synth bass", "bass gtr"]),
    (Guitar, &["gtr", "guitar", "eg", "ag", "acu", "elec", "e gtr", "strat", "rhy", "lead gtr", "ac gtr"]),
    (Keys, &["pno", "piano", "keys", "rhodes", "wurli", "org", "clav", "organ"]),
    (Synth, &["syn", "synth", "lead syn", "arp", "plk", "pluck", "pl"]),
    (Pad, &["pad", "pd", "strings pad", "synth pad"]),
    (Strings, &["vln", "vla", "vc", "str", "strings", "cello"]),
    (Brass, &["tpt", "tbn", "hn", "sax", "brass"]),
    (LeadVocal, &["lv", "lead vox", "lead vocal", "ld vox", "main vox", "vox"]),
    (VocalDouble, &["lv dbl", "lvd", "vox double"]),
    (BackingVocal, &["bv", "bgv", "bvs", "back vox", "harm", "choir", "gang", "stack", "adlib"]),
    (Effect, &["fx", "sfx", "riser", "impact", "sweep", "rev cym", "noise", "snare verb", "vox fx"]),
    (Unsorted, &["audio", "track", "808", "lead", "mono", "whatever", "inst", "idea"]),
];

/// A small generator (Steele, Lea and Flood, "Fast splittable pseudorandom number generators", 2014; from memory): the
/// same names in every run.
struct Dice(u64);

impl Dice {
    fn below(&mut self, n: usize) -> usize {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        ((z ^ (z >> 31)) % n as u64) as usize
    }

    fn of<T: Copy>(&mut self, list: &[T]) -> T {
        list[self.below(list.len())]
    }

    fn one_in(&mut self, n: usize) -> bool {
        self.below(n) == 0
    }
}

/// What a name was made to say.
#[derive(Debug, Clone, PartialEq, Eq)]
struct Truth {
    family: Family,
    side: Option<Side>,
    take: Option<u16>,
    treatments: Vec<Treatment>,
    double: bool,
}

/// A composed name, and its other half where it has one.
struct Composed {
    names: Vec<(String, Truth)>,
}

fn compose(dice: &mut Dice) -> Composed {
    let (family, spellings) = dice.of(TOKENS);
    let token = dice.of(spellings);
    let mut words: Vec<String> = token.split(' ').map(str::to_owned).collect();
    let double = family == VocalDouble || (matches!(family, Guitar | BackingVocal) && dice.one_in(6));
    if double && family != VocalDouble {
        words.push(dice.of(&["dbl", "double"]).to_owned());
    }
    if dice.one_in(3) {
        words.push((1 + dice.below(4)).to_string());
    }
    if family == BackingVocal && dice.one_in(2) {
        words.push(dice.of(&["verse", "chorus", "bridge"]).to_owned());
        words.push(dice.of(&["high", "low"]).to_owned());
    }
    let treatment = match family {
        Bass | Guitar if dice.one_in(3) => {
            Some(dice.of(&[("di", Treatment::Di), ("amp", Treatment::Amp), ("direct", Treatment::Di)]))
        }
        LeadVocal | Synth | Keys if dice.one_in(3) => {
            Some(dice.of(&[("dry", Treatment::Dry), ("wet", Treatment::Wet), ("tuned", Treatment::Tuned)]))
        }
        _ => None,
    };
    words.extend(treatment.map(|(word, _)| word.to_owned()));
    let take = dice.one_in(6).then(|| 1 + dice.below(12) as u16);
    if let Some(take) = take {
        words.push(dice.of(&["take", "tk"]).to_owned());
        words.push(take.to_string());
    }
    let sides: Vec<Option<Side>> = match dice.below(6) {
        0 => vec![Some(Side::Left), Some(Side::Right)],
        1 => vec![Some(dice.of(&[Side::Left, Side::Right]))],
        _ => vec![None],
    };
    let (long, style, separator) = (dice.one_in(2), dice.below(4), dice.of(&[" ", "_", "-", ".", " - "]));
    let number = dice.one_in(2).then(|| format!("{:02}", 1 + dice.below(40)));
    let suffix = dice.of(&["", "", "", "48k24b", "FINAL", "v2"]);
    let extension = dice.of(&["wav", "aif", "flac"]);
    let made = sides.into_iter().map(|side| {
        let mut all: Vec<String> = number.clone().into_iter().chain(words.clone()).collect();
        all.extend(side.map(|side| spelled(side, long).to_owned()));
        let all: Vec<String> = all.iter().map(|word| styled(word, style)).collect();
        let mut name = all.join(separator);
        if !suffix.is_empty() {
            name = format!("{name}{separator}{suffix}");
        }
        let treatments = treatment.iter().map(|(_, treatment)| *treatment).collect();
        (format!("{name}.{extension}"), Truth { family, side, take, treatments, double })
    });
    Composed { names: made.collect() }
}

fn spelled(side: Side, long: bool) -> &'static str {
    match (side, long) {
        (Side::Left, true) => "Left",
        (Side::Left, false) => "L",
        (_, true) => "Right",
        (_, false) => "R",
    }
}

fn styled(word: &str, style: usize) -> String {
    match style {
        0 => word.to_lowercase(),
        1 => word.to_uppercase(),
        _ => word[..1].to_uppercase() + &word[1..],
    }
}

/// Names that have misled somebody.
const HARD: &[(&str, Family)] = &[
    ("bass drum", Kick),
    ("Sub Kick", Kick),
    ("Kick In 57", Kick),
    ("KICK (outside)", Kick),
    ("Synth Kick 2", Kick),
    ("Snare Btm", Snare),
    ("SnareTop_01", Snare),
    ("Rimshot", Snare),
    ("Hi-Hat Close", Hat),
    ("Tom 3 Floor", Toms),
    ("OH XY L", Overheads),
    ("OHR", Overheads),
    ("ooh", BackingVocal),
    ("Oohs & Aahs", BackingVocal),
    ("T1", Unsorted),
    ("what", Unsorted),
    ("Chat", Unsorted),
    ("Ride Bell", Cymbals),
    ("Drum Room L", Room),
    ("Perc Loop 2", Percussion),
    ("Gang Claps", Percussion),
    ("808", Unsorted),
    ("808 Sub", Bass),
    ("Synth Bass DI", Bass),
    ("Upright Bass Mic", Bass),
    ("BassAmp", Bass),
    ("Bass Clarinet", Brass),
    ("EGTR SOLO", Guitar),
    ("Gtr rhy L dbl", Guitar),
    ("Acoustic Gtr 12 String DI", Guitar),
    ("Lead Gtr", Guitar),
    ("Harmony Gtr", Guitar),
    ("B3 Organ Lo", Keys),
    ("Rhodes Amp R", Keys),
    ("Room Piano", Keys),
    ("Lead Syn", Synth),
    ("Vox Synth", Synth),
    ("Choir Pad", Pad),
    ("Str Pad", Pad),
    ("Cello 2", Strings),
    ("Sax Solo Tk 4", Brass),
    ("Lead", Unsorted),
    ("Lead Vox", LeadVocal),
    ("LV Comp Tuned", LeadVocal),
    ("Vox Room", LeadVocal),
    ("Vox Lead v3 FINAL", LeadVocal),
    ("LVDbl_R", VocalDouble),
    ("Double 2", VocalDouble),
    ("Double Bass", Bass),
    ("Lead Dbl", Unsorted),
    ("Ad Libs", BackingVocal),
    ("Gang Shouts", BackingVocal),
    ("Vox Stack L", BackingVocal),
    ("snare verb", Effect),
    ("vox fx", Effect),
    ("Bass Drop", Effect),
    ("Reverse Cymbal", Effect),
    ("White Noise Riser", Effect),
    ("master tape noise", Effect),
    ("Vinyl Crackle", Unsorted),
    ("Click", Unsorted),
    ("Talkback", Unsorted),
    ("DI", Unsorted),
    ("Kickstart", Unsorted),
    ("Padlock", Unsorted),
    ("Drums/Audio 07", Loop),
    ("Vocals/BGV/take 2", BackingVocal),
];

#[derive(Debug, Default)]
struct Score {
    all: usize,
    right: usize,
    wrong: Vec<String>,
    unsorted: Vec<String>,
}

impl Score {
    fn add(&mut self, name: &str, wanted: Family, found: &Role) {
        self.all += 1;
        if wanted == found.family {
            self.right += 1;
        } else if found.family == Unsorted {
            self.unsorted.push(format!("{name} ({})", wanted.as_str()));
        } else {
            self.wrong.push(format!("{name}: {}, and is {}", found.family.as_str(), wanted.as_str()));
        }
    }
}

fn said(role: &Role) -> Truth {
    let details = role.details.clone();
    Truth {
        family: role.family,
        side: details.side,
        take: details.take,
        treatments: details.treatments,
        double: details.double,
    }
}

/// At least 95 % right, at most 1 % wrong: a wrong role costs an engineer more than none.
#[test]
#[expect(clippy::print_stdout, reason = "figures to look at")]
fn composed_names_say_their_roles() {
    let mut dice = Dice(5);
    let (mut composed, mut hard) = (Score::default(), Score::default());
    let mut details_wrong = Vec::new();
    let mut seen = BTreeSet::new();
    while seen.len() < 600 {
        for (name, truth) in compose(&mut dice).names {
            if seen.insert(name.clone()) {
                let role = role_of(&name);
                composed.add(&name, truth.family, &role);
                let found = Truth { family: truth.family, ..said(&role) };
                if found != truth {
                    details_wrong.push(format!("{name}: {found:?}"));
                }
            }
        }
    }
    for (name, family) in HARD {
        hard.add(name, *family, &role_of(&format!("{name}.wav")));
    }
    for (what, score) in [("composed", &composed), ("hard", &hard)] {
        println!(
            "{what}: {} names, {} right, {} wrong, {} unsorted\n  wrong {:?}\n  unsorted {:?}",
            score.all,
            score.right,
            score.wrong.len(),
            score.unsorted.len(),
            score.wrong,
            score.unsorted
        );
    }
    println!("details: {} of {} names wrong: {details_wrong:#?}", details_wrong.len(), composed.all);
    for score in [&composed, &hard] {
        assert!(score.right * 100 >= score.all * 95, "{score:?}");
        assert!(score.wrong.len() * 100 <= score.all, "{score:?}");
    }
    assert!(details_wrong.len() * 100 <= composed.all * 5, "{details_wrong:#?}");
}

/// Files are called the two sides of one stem only where they were made so. 200 deliveries, and hand-written ones.
#[test]
#[expect(clippy::print_stdout, reason = "figures to look at")]
fn no_two_stems_are_taken_for_sides_of_one() {
    let mut dice = Dice(11);
    let (mut made, mut found) = (0, 0);
    for _ in 0..200 {
        let mut names: Vec<(String, usize)> = Vec::new();
        for stem in 0..25 {
            names.extend(compose(&mut dice).names.into_iter().map(|(name, _)| (name, stem)));
        }
        // Two stems of one name are told apart by nothing.
        let mut seen = BTreeSet::new();
        names.retain(|(name, _)| seen.insert(name.to_lowercase()));
        made += names.windows(2).filter(|pair| pair[0].1 == pair[1].1).count();
        let inputs: Vec<PairInput> = names.iter().map(|(name, _)| mono(name)).collect();
        for pair in side_pairs(&inputs) {
            let (left, right) = (&names[pair.left], &names[pair.right]);
            assert_eq!(left.1, right.1, "{} and {} are two stems", left.0, right.0);
            found += 1;
        }
    }
    println!("pairs: {found} found of {made} made, none false");
    assert!(found * 2 > made, "{found} of {made}");
    for names in [
        &["Gtr Rhythm.wav", "Gtr L.wav"][..],
        &["Bass L take 1.wav", "Bass R take 2.wav"],
        &["a/Gtr L.wav", "b/Gtr R.wav"],
        &["L.wav", "R.wav"],
        &["Gtr 1 L.wav", "Gtr 2 R.wav"],
        &["Gtr L.wav", "Gtr_L.wav", "Gtr R.wav"],
        &["Vox Dbl L.wav", "Vox R.wav"],
        &["Pad L dry.wav", "Pad R wet.wav"],
        &["R Gtr.wav", "L Gtr.wav"],
    ] {
        let inputs: Vec<PairInput> = names.iter().map(|name| mono(name)).collect();
        assert!(side_pairs(&inputs).is_empty(), "{names:?}");
    }
}

fn mono(name: &str) -> PairInput {
    PairInput {
        name: name.to_owned(),
        rate_hz: 48_000,
        frames: 9,
        timestamp_frames: None,
        channels: 1,
        lossy: false,
    }
}
