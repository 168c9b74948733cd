//! Invented songs with known tempo and form: a drummer who is a little early or late, swing, fills, rests, players who come
//! and go from section to section. Rendered at 12 kHz, since the estimates hear nothing above 2.5 kHz.

use std::f64::consts::TAU;

use loadin_tests::Delivery;

use super::band::Dice;

const RATE: u32 = 12_000;

/// How the drums play.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Style {
    /// Kick on one and three, snare on two and four, hats in eighths or sixteenths.
    Backbeat,
    /// A kick on every beat, claps on two and four, hats between the beats.
    FourOnTheFloor,
    /// A kick on one, a shaker; hardly more.
    Sparse,
    /// No drums at all: plucked chords and a bass.
    Plucked,
    /// Kick on one, snare on three: counted half as fast by many.
    HalfTime,
}

/// A song as it is written down.
#[derive(Debug, Clone)]
pub(super) struct Song {
    pub(super) bpm: f64,
    pub(super) style: Style,
    /// Where the second eighth of a beat falls.
    pub(super) swing: f64,
    /// Silence before the first bar, in seconds.
    pub(super) lead_in: f64,
    /// Letters of the sections, and their bars.
    pub(super) form: Vec<(char, usize)>,
    /// All drums in one stem.
    pub(super) one_drum_stem: bool,
    /// How much a band without a click hurries: after `t` seconds it is `hurry · t²` seconds early.
    pub(super) hurry: f64,
}

const FORMS: &[&[(char, usize)]] = &[
    &[('i', 4), ('A', 8), ('B', 8), ('A', 8), ('B', 8), ('o', 4)],
    &[('i', 8), ('A', 16), ('B', 8), ('A', 8), ('B', 8), ('C', 8), ('B', 8)],
    &[('A', 8), ('B', 8), ('A', 8), ('C', 4), ('B', 16)],
    &[('i', 4), ('A', 8), ('C', 8), ('B', 12), ('A', 8), ('B', 8), ('o', 8)],
];

impl Song {
    /// A song of the seed: from 60 to 190 beats a minute, half of them to a hundredth of one.
    pub(super) fn new(seed: u64) -> Self {
        let mut dice = Dice::new(seed ^ 0x50_4e_47);
        let bpm = dice.between(60.0, 190.0);
        let style = match dice.of(20) {
            0..10 => Style::Backbeat,
            10..14 => Style::FourOnTheFloor,
            14..17 => Style::Sparse,
            17..19 => Style::Plucked,
            _ => Style::HalfTime,
        };
        Self {
            bpm: if dice.part() < 0.5 { bpm.round() } else { (bpm * 100.0).round() / 100.0 },
            style,
            swing: if dice.part() < 0.6 { 0.5 } else { dice.between(0.53, 0.67) },
            lead_in: if dice.part() < 0.5 { 0.0 } else { dice.between(0.0, 4.0) },
            form: FORMS[dice.of(FORMS.len())].to_vec(),
            one_drum_stem: dice.part() < 0.3,
            hurry: 0.0,
        }
    }

    pub(super) fn beat(&self) -> f64 {
        60.0 / self.bpm
    }

    /// Where each section begins, in seconds.
    pub(super) fn boundaries(&self) -> Vec<f64> {
        let before = self.form.iter().scan(0, |bars, (_, length)| {
            *bars += length;
            Some(*bars - length)
        });
        before.map(|bars| self.lead_in + 4.0 * self.beat() * bars as f64).collect()
    }

    fn seconds(&self) -> f64 {
        let bars: usize = self.form.iter().map(|(_, bars)| bars).sum();
        self.lead_in + 4.0 * self.beat() * bars as f64 + 1.5
    }

    /// When a place of the song sounds: bar, and quarters within it.
    fn at(&self, bar: usize, quarters: f64) -> f64 {
        let (beat, rest) = (quarters.floor(), quarters.fract());
        let bent = if rest < 0.5 {
            rest / 0.5 * self.swing
        } else {
            self.swing + (rest - 0.5) / 0.5 * (1.0 - self.swing)
        };
        let at = self.lead_in + self.beat() * (4.0 * bar as f64 + beat + bent);
        at - self.hurry * at * at
    }

    /// Writes all stems into the delivery.
    pub(super) fn render(&self, seed: u64, delivery: &Delivery) {
        let dice = &mut Dice::new(seed ^ 0x42_41_4e_44);
        let band = Band::new(self, dice);
        let mut stems: Vec<(&str, Stem)> = Vec::new();
        let mut drums = [("Kick", Stem::new(self)), ("Snare", Stem::new(self)), ("Hats", Stem::new(self))];
        let mut others = ["Bass", "Keys", "Guitar", "Pad", "Lead Vox"].map(|name| (name, Stem::new(self)));
        let mut bar = 0;
        for (index, (letter, bars)) in self.form.iter().enumerate() {
            for within in 0..*bars {
                let last = within + 1 == *bars && index + 1 < self.form.len();
                band.drum_bar(self, dice, *letter, bar, last, &mut drums);
                band.other_bar(self, dice, *letter, bar, &mut others);
                bar += 1;
            }
        }
        if self.one_drum_stem {
            let [(_, mut kit), (_, snare), (_, hats)] = drums;
            for (sum, (a, b)) in kit.0.iter_mut().zip(snare.0.iter().zip(&hats.0)) {
                *sum += a + b;
            }
            stems.push(("Drums", kit));
        } else {
            stems.extend(drums);
        }
        stems.extend(others);
        for (name, stem) in stems.into_iter().filter(|(_, stem)| stem.0.iter().any(|x| *x != 0.0)) {
            let hiss = |x: f64, noise: f64| (0.5 * x).tanh() + 2e-4 * noise;
            let samples = stem.0.iter().map(|x| hiss(*x, dice.between(-1.0, 1.0))).collect();
            delivery.wav(&format!("{name}.wav"), RATE, 24, &[samples]);
        }
    }
}

/// A stem that is being written.
struct Stem(Vec<f64>);

impl Stem {
    fn new(song: &Song) -> Self {
        Self(vec![0.0; (song.seconds() * f64::from(RATE)) as usize])
    }

    fn add(&mut self, at: f64, seconds: f64, mut sound: impl FnMut(f64) -> f64) {
        let from = (at.max(0.0) * f64::from(RATE)).round() as usize;
        for n in 0..(seconds * f64::from(RATE)) as usize {
            let Some(sample) = self.0.get_mut(from + n) else { return };
            *sample += sound(n as f64 / f64::from(RATE));
        }
    }

    fn kick(&mut self, at: f64, level: f64) {
        self.add(at, 0.25, |t| {
            level * (TAU * (52.0 * t + 1.2 * (1.0 - (-40.0 * t).exp()))).sin() * (-14.0 * t).exp()
        });
    }

    fn snare(&mut self, dice: &mut Dice, at: f64, level: f64) {
        self.add(at, 0.2, |t| {
            let body = (TAU * 185.0 * t).sin() * (-30.0 * t).exp();
            level * (0.5 * body + 0.6 * dice.between(-1.0, 1.0) * (-22.0 * t).exp())
        });
    }

    fn hat(&mut self, dice: &mut Dice, at: f64, level: f64) {
        let mut before = 0.0;
        self.add(at, 0.06, |t| {
            let noise = dice.between(-1.0, 1.0);
            let high = noise - before;
            before = noise;
            0.4 * level * high * (-70.0 * t).exp()
        });
    }

    /// A note with `partials` harmonics, an attack and a decay in seconds.
    fn note(
        &mut self,
        at: f64,
        hz: f64,
        seconds: f64,
        level: f64,
        (attack, decay, partials): (f64, f64, usize),
    ) {
        self.add(at, seconds, |t| {
            let shape = (t / attack).min(1.0) * (-t / decay).exp() * ((seconds - t) / 0.02).min(1.0);
            let tone = |k: usize| (TAU * hz * k as f64 * t).sin() / (k * k) as f64;
            level * shape * (1..=partials).map(tone).sum::<f64>()
        });
    }
}

/// What the players have agreed on for the whole song.
struct Band {
    sixteenths: bool,
    bass_eighths: bool,
    strummed: bool,
    syncopated: f64,
    roots: [f64; 4],
    loose: f64,
}

impl Band {
    fn new(song: &Song, dice: &mut Dice) -> Self {
        let semitones = [0.0, 5.0, 7.0, 9.0, 3.0, 10.0];
        let mut root = || 55.0 * 2f64.powf(semitones[dice.of(6)] / 12.0);
        let roots = [root(), root(), root(), root()];
        Self {
            sixteenths: song.bpm < 110.0 && dice.part() < 0.6,
            bass_eighths: dice.part() < 0.5,
            strummed: dice.part() < 0.5,
            syncopated: dice.between(0.0, 0.5),
            roots,
            loose: dice.between(0.0, 0.009),
        }
    }

    /// A human's place: as loose as this band is.
    fn human(&self, dice: &mut Dice, at: f64) -> f64 {
        at + dice.between(-self.loose, self.loose)
    }

    fn drum_bar(
        &self,
        song: &Song,
        dice: &mut Dice,
        letter: char,
        bar: usize,
        last: bool,
        drums: &mut [(&str, Stem); 3],
    ) {
        let [(_, kick), (_, snare), (_, hats)] = drums;
        let resting = letter == 'C' || (letter == 'i' && bar < 2);
        if song.style == Style::Plucked || resting {
            return;
        }
        let hit = |dice: &mut Dice, quarters: f64| {
            let at = self.human(dice, song.at(bar, quarters));
            (at, dice.between(0.6, 1.0))
        };
        let (kicks, snares): (&[f64], &[f64]) = match song.style {
            Style::Backbeat => (&[0.0, 2.0], &[1.0, 3.0]),
            Style::FourOnTheFloor => (&[0.0, 1.0, 2.0, 3.0], &[1.0, 3.0]),
            Style::HalfTime => (&[0.0], &[2.0]),
            _ => (&[0.0], &[]),
        };
        for quarters in kicks {
            let (at, level) = hit(dice, *quarters);
            kick.kick(at, level);
        }
        if song.style == Style::Backbeat && dice.part() < self.syncopated {
            let place = [1.5, 2.5, 3.5][dice.of(3)];
            let (at, level) = hit(dice, place);
            kick.kick(at, level);
        }
        for quarters in snares {
            let (at, level) = hit(dice, *quarters);
            snare.snare(dice, at, level);
        }
        if last && song.style != Style::Sparse {
            for n in 0..4 {
                let (at, level) = hit(dice, 3.0 + 0.25 * f64::from(n));
                snare.snare(dice, at, 0.7 * level);
            }
        }
        let fine = self.sixteenths && letter != 'A';
        let step = if fine { 0.25 } else { 0.5 };
        for n in 0..(4.0 / step) as usize {
            let between = song.style == Style::FourOnTheFloor && n % 2 == 0;
            if !between && dice.part() < 0.96 {
                let (at, level) = hit(dice, step * n as f64);
                hats.hat(dice, at, level * if n % 2 == 0 { 1.0 } else { 0.7 });
            }
        }
    }

    fn other_bar(
        &self,
        song: &Song,
        dice: &mut Dice,
        letter: char,
        bar: usize,
        others: &mut [(&str, Stem); 5],
    ) {
        let [(_, bass), (_, keys), (_, guitar), (_, pad), (_, voice)] = others;
        let root = self.roots[bar % 4];
        let long = 4.0 * song.beat();
        if !matches!(letter, 'i' | 'C') {
            let steps: &[f64] =
                if self.bass_eighths { &[0.0, 0.5, 1.0, 1.5, 2.0, 2.5, 3.0, 3.5] } else { &[0.0, 1.5, 2.0] };
            for quarters in steps {
                let at = self.human(dice, song.at(bar, *quarters));
                bass.note(at, root, 0.45 * song.beat(), dice.between(0.4, 0.6), (0.006, 0.5, 5));
            }
        }
        if letter != 'C' {
            let steps: &[f64] = match () {
                () if song.style == Style::Plucked => &[0.0, 0.5, 1.0, 1.5, 2.0, 2.5, 3.0, 3.5],
                () if self.strummed => &[0.0, 1.5, 2.5],
                () => &[0.0],
            };
            for (n, quarters) in steps.iter().enumerate() {
                let at = self.human(dice, song.at(bar, *quarters));
                let level = if n == 0 { 0.25 } else { dice.between(0.1, 0.2) };
                for third in [4.0, 5.0, 6.0] {
                    keys.note(at, root * third, long / steps.len() as f64, level, (0.004, 0.4, 4));
                }
            }
        }
        if letter == 'B' {
            for quarters in [0.0, 0.5, 1.5, 2.0, 3.0, 3.5] {
                let at = self.human(dice, song.at(bar, quarters));
                guitar.note(at, root * 3.0, 0.4 * song.beat(), dice.between(0.2, 0.4), (0.003, 0.3, 8));
            }
        }
        if matches!(letter, 'B' | 'C') {
            for third in [4.0, 5.0, 6.0] {
                pad.note(song.at(bar, 0.0), root * third, long, 0.12, (0.4, 9.0, 3));
            }
        }
        if matches!(letter, 'A' | 'B' | 'C') {
            let mut quarters = dice.between(0.0, 0.6);
            while quarters < 3.4 {
                let length = dice.between(0.3, 1.2);
                let at = self.human(dice, song.at(bar, quarters)) + dice.between(-0.03, 0.05);
                let hz = root * [4.0, 4.5, 5.0, 6.0][dice.of(4)];
                voice.note(at, hz, length * song.beat(), dice.between(0.2, 0.4), (0.04, 2.0, 6));
                quarters += length + dice.between(0.0, 0.5);
            }
        }
    }
}
