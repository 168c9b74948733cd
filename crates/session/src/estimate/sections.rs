//! Sections: stretches of bars in which the same stems play, by neutral letters.
//!
//! The boundaries are those of the best division of the song into even stretches (the sum of squared differences from each
//! stretch's mean, and a price for every boundary; found exactly by dynamic programming as in Bellman, "On the
//! approximation of curves by line segments using dynamic programming", CACM 4, 1961, from memory). Stretches that are alike
//! have one letter. Who plays is all that is looked at: two sections with the same players and other words are one.
//!
//! Knows nothing of tempo and of names: bars go in, letters come out.

/// A section.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Section {
    /// Its first bar.
    pub first_bar: usize,
    /// How many bars it has.
    pub bars: usize,
    /// Sections with one number are alike; numbers begin at 0 in the order of the song.
    pub kind: usize,
}

/// The price of a boundary; a player who plays in one half of sixteen bars alone is worth 1. By judgement, as all prices.
const PRICE: f64 = 0.22;

/// A player is worth a quarter, however many others there are; where there are fewer than four, more.
const PLAYERS: f64 = 4.0;

/// What is added for stretches of a length that music seldom has, in bars.
const UNDER_FOUR: f64 = 0.3;
const NOT_OF_FOUR: f64 = 0.1;
const NOT_OF_TWO: f64 = 0.1;

/// Longer stretches than this are divided anyway, so that the work stays small.
const LONGEST: usize = 96;

/// Sections are alike up to this difference of presence: nearly a half of one player, who is worth a quarter.
const ALIKE: f64 = 0.12;

/// A player who is there is hardly twice as loud, so less than this is no difference between two sections.
const SLIGHT: f64 = 0.15;

/// Divides bars into sections. `presence` has a list a stem, of one value a bar, 0 to 1; `parts` says which part of a player
/// each stem is: their sum is the number of players. Bars of silence before and behind the music are no section.
pub fn sections(presence: &[Vec<f64>], parts: &[f64]) -> Vec<Section> {
    // One of twenty players is worth as much as one of four: who enters is heard however many play on.
    let worth = 1.0 / parts.iter().sum::<f64>().clamp(1.0, PLAYERS);
    let weights: &[f64] = &parts.iter().map(|part| part * worth).collect::<Vec<_>>();
    let count = presence.iter().map(Vec::len).max().unwrap_or(0);
    let sounds = |bar: &usize| presence.iter().any(|stem| stem.get(*bar).is_some_and(|x| *x > 0.0));
    let Some(first) = (0..count).find(sounds) else { return Vec::new() };
    let last = (0..count).rev().find(sounds).unwrap_or(first);
    let song = Song::new(presence, weights, first, last + 1);
    let mut sections: Vec<Section> = Vec::new();
    let mut kinds: Vec<(Vec<f64>, f64)> = Vec::new();
    for stretch in song.divided().windows(2) {
        let bars = stretch[1] - stretch[0];
        let mean = song.mean(stretch[0], stretch[1]);
        let kind = kind_of(&mean, bars as f64, weights, &mut kinds);
        match sections.last_mut().filter(|before| before.kind == kind) {
            Some(before) => before.bars += bars,
            None => sections.push(Section { first_bar: first + stretch[0], bars, kind }),
        }
    }
    sections
}

/// "A" to "Z", then "A2" and so on.
pub fn letter(kind: usize) -> String {
    let letter = char::from(b'A' + (kind % 26) as u8);
    if kind < 26 { letter.to_string() } else { format!("{letter}{}", kind / 26 + 1) }
}

/// Finds the kind that a mean belongs to, or makes a new one; kinds keep the mean of all that belongs to them.
fn kind_of(mean: &[f64], bars: f64, weights: &[f64], kinds: &mut Vec<(Vec<f64>, f64)>) -> usize {
    let apart = |other: &[f64]| -> f64 {
        let differ = |a: f64, b: f64| if (a - b).abs() > SLIGHT { (a - b).abs() } else { 0.0 };
        mean.iter().zip(other).zip(weights).map(|((a, b), weight)| weight * differ(*a, *b)).sum()
    };
    let nearest = (0..kinds.len()).min_by(|a, b| apart(&kinds[*a].0).total_cmp(&apart(&kinds[*b].0)));
    if let Some(kind) = nearest.filter(|kind| apart(&kinds[*kind].0) < ALIKE) {
        let (known, all) = &mut kinds[kind];
        *all += bars;
        for (known, new) in known.iter_mut().zip(mean) {
            *known += (new - *known) * bars / *all;
        }
        return kind;
    }
    kinds.push((mean.to_vec(), bars));
    kinds.len() - 1
}

/// Running sums over the bars, so that the mean and the unevenness of any stretch are cheap.
struct Song<'a> {
    weights: &'a [f64],
    bars: usize,
    /// Of every stem, before each bar.
    sums: Vec<Vec<f64>>,
    /// Of all stems' weighted squares.
    squares: Vec<f64>,
}

impl<'a> Song<'a> {
    fn new(presence: &[Vec<f64>], weights: &'a [f64], from: usize, to: usize) -> Self {
        let bars = to - from;
        let value = |stem: &[f64], bar: usize| stem.get(from + bar).copied().unwrap_or(0.0);
        let running = |stem: &Vec<f64>| {
            let mut sums = vec![0.0; bars + 1];
            for bar in 0..bars {
                sums[bar + 1] = sums[bar] + value(stem, bar);
            }
            sums
        };
        let mut squares = vec![0.0; bars + 1];
        for bar in 0..bars {
            let all = presence.iter().zip(weights).map(|(stem, weight)| weight * value(stem, bar).powi(2));
            squares[bar + 1] = squares[bar] + all.sum::<f64>();
        }
        Self { weights, bars, sums: presence.iter().map(running).collect(), squares }
    }

    fn mean(&self, from: usize, to: usize) -> Vec<f64> {
        self.sums.iter().map(|sums| (sums[to] - sums[from]) / (to - from) as f64).collect()
    }

    /// What a stretch costs: how uneven it is, and its price.
    fn cost(&self, from: usize, to: usize) -> f64 {
        let bars = to - from;
        let means = self.sums.iter().zip(self.weights).map(|(sums, weight)| {
            let sum = sums[to] - sums[from];
            weight * sum * sum / bars as f64
        });
        let uneven = self.squares[to] - self.squares[from] - means.sum::<f64>();
        // The first stretch may begin with a pickup and the last one may ring out.
        let inner = from > 0 && to < self.bars;
        let short = if bars < 4 && inner { UNDER_FOUR } else { 0.0 };
        let four = if inner && !bars.is_multiple_of(4) { NOT_OF_FOUR } else { 0.0 };
        let two = if inner && !bars.is_multiple_of(2) { NOT_OF_TWO } else { 0.0 };
        uneven + PRICE + short + four + two
    }

    /// The bars at which the stretches of the cheapest division begin, and the end.
    fn divided(&self) -> Vec<usize> {
        let mut best = vec![(0.0, 0usize); self.bars + 1];
        for to in 1..=self.bars {
            let from = to.saturating_sub(LONGEST)..to;
            let costs = from.map(|from| (best[from].0 + self.cost(from, to), from));
            best[to] = costs.min_by(|a, b| a.0.total_cmp(&b.0)).unwrap_or((0.0, 0));
        }
        let mut bounds = vec![self.bars];
        while let Some(&bar) = bounds.last().filter(|bar| **bar > 0) {
            bounds.push(best[bar].1);
        }
        bounds.reverse();
        bounds
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Drums play from bar 4 on, the voice in A, both and a guitar in B; there are two bars of silence before.
    #[test]
    fn the_form_is_who_plays_when() {
        let form = "..iiiiAAAAAAAABBBBBBBBAAAAAAAABBBBBBBBoooo";
        let plays =
            |letters: &str| form.chars().map(|bar| f64::from(u8::from(letters.contains(bar)))).collect();
        let presence = [plays("AB"), plays("iABo"), plays("AB"), plays("B")];
        let found = sections(&presence, &[1.0; 4]);
        let wanted = [(2, 4, 0), (6, 8, 1), (14, 8, 2), (22, 8, 1), (30, 8, 2), (38, 4, 0)];
        let wanted = wanted.map(|(first_bar, bars, kind)| Section { first_bar, bars, kind });
        assert_eq!(found, wanted);
    }

    /// So many players of so many stems each, a little uneven; three of them come and go, all others play on.
    fn song(players: usize, stems: usize, form: &str) -> (Vec<Vec<f64>>, Vec<f64>) {
        // A linear congruential generator (Numerical Recipes).
        let mut state = 7u32;
        let mut uneven = || {
            state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            0.2 * f64::from(state >> 8) / f64::from(1 << 24)
        };
        let rests = |player: usize| ["iB", "iA", "io"].get(player).copied().unwrap_or("");
        let mut presence = Vec::new();
        for player in (0..players).flat_map(|player| vec![player; stems]) {
            let bar = |bar: char| if rests(player).contains(bar) { 0.0 } else { 1.0 - uneven() };
            presence.push(form.chars().map(bar).collect());
        }
        (presence, vec![1.0 / stems as f64; players * stems])
    }

    /// Who enters and leaves is a section among four players and among thirty.
    #[test]
    fn the_form_does_not_depend_on_how_many_play_on() {
        let form = "iiiiAAAAAAAABBBBBBBBAAAAAAAACCCCCCCCBBBBBBBBoooo";
        for (players, stems) in [(4, 1), (8, 3), (9, 1), (12, 1), (12, 3), (20, 1), (32, 2)] {
            let (presence, parts) = song(players, stems, form);
            let found: Vec<(String, usize)> = sections(&presence, &parts)
                .iter()
                .map(|section| (letter(section.kind), section.bars))
                .collect();
            let wanted = [("A", 4), ("B", 8), ("C", 8), ("B", 8), ("D", 8), ("C", 8), ("E", 4)];
            assert_eq!(found, wanted.map(|(kind, bars)| (kind.to_owned(), bars)), "{players} of {stems}");
            // And what is only uneven is none.
            let (presence, parts) = song(players, stems, &"C".repeat(96));
            assert_eq!(sections(&presence, &parts).len(), 1, "{players} of {stems}");
        }
    }

    #[test]
    fn one_thing_all_along_is_one_section() {
        let found = sections(&[vec![0.9; 200], vec![1.0; 200]], &[1.0; 2]);
        assert_eq!(found, [Section { first_bar: 0, bars: 200, kind: 0 }]);
        assert_eq!(sections(&[vec![0.0; 9]], &[1.0]), []);
        assert_eq!(sections(&[], &[]), []);
        assert_eq!((letter(0), letter(27)), ("A".to_owned(), "B2".to_owned()));
    }
}
