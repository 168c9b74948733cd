//! Markers of several sources on one time line: what they say together, and where they contradict each other. Knows no
//! file that markers come from.

use std::collections::BTreeMap;

use super::midi::At;
use super::stated::Stated;

/// Markers nearer than this are one: a MIDI clock and a program's grid differ by less. Common practice, no source.
const SAME_SECONDS: f64 = 0.05;

/// One name at two places.
#[derive(Debug, Clone, PartialEq)]
pub struct Clash {
    /// The name, as the first source spells it.
    pub name: String,
    /// Where the first source has it: seconds, and the source.
    pub first: (f64, String),
    /// Where the other one has it.
    pub other: (f64, String),
}

fn is_same(a: &At<String>, b: &At<String>) -> bool {
    is_one_marker(&a.what, &b.what, (a.seconds - b.seconds).abs())
}

/// Whether two names that stand so many seconds apart are those of one marker.
pub fn is_one_marker(a: &str, b: &str, seconds_apart: f64) -> bool {
    seconds_apart <= SAME_SECONDS && folded(a) == folded(b)
}

fn folded(name: &str) -> String {
    name.trim().to_lowercase()
}

/// Whether two lists say the same.
pub fn same_markers(a: &[At<String>], b: &[At<String>]) -> bool {
    a.len() == b.len() && a.iter().zip(b).all(|(a, b)| is_same(a, b))
}

/// The markers of all lists in the order of time, each once.
///
/// # Errors
/// The names that two lists have equally often and at different places. A name that one list has more often than the
/// other contradicts nothing: one of them may be no more than a part.
pub fn merged_markers(lists: &[Stated<Vec<At<String>>>]) -> Result<Vec<At<String>>, Vec<Clash>> {
    let by_name: Vec<Names<'_>> = lists.iter().map(|list| names(&list.value)).collect();
    let mut clashes = Vec::new();
    for (index, first) in by_name.iter().enumerate() {
        for (offset, other) in by_name[index + 1..].iter().enumerate() {
            let sources = [&lists[index].source, &lists[index + 1 + offset].source];
            clashes.extend(clashes_of(first, other, sources));
        }
    }
    if !clashes.is_empty() {
        return Err(clashes);
    }
    let all: Vec<At<String>> = lists.iter().flat_map(|list| list.value.iter().cloned()).collect();
    let mut merged = Vec::new();
    for same in names(&all).into_values() {
        let mut last = f64::NEG_INFINITY;
        for marker in same {
            if marker.seconds - last > SAME_SECONDS {
                merged.push(marker.clone());
                last = marker.seconds;
            }
        }
    }
    merged.sort_by(|a, b| a.seconds.total_cmp(&b.seconds).then_with(|| a.what.cmp(&b.what)));
    Ok(merged)
}

/// The markers of each name, in the order of time.
type Names<'a> = BTreeMap<String, Vec<&'a At<String>>>;

fn names(list: &[At<String>]) -> Names<'_> {
    let mut names = Names::new();
    for marker in list {
        names.entry(folded(&marker.what)).or_default().push(marker);
    }
    for same in names.values_mut() {
        same.sort_by(|a, b| a.seconds.total_cmp(&b.seconds));
    }
    names
}

fn clashes_of(first: &Names<'_>, other: &Names<'_>, [here, there]: [&String; 2]) -> Vec<Clash> {
    let clash = |(name, own): (&String, &Vec<&At<String>>)| {
        let theirs = other.get(name).filter(|theirs| theirs.len() == own.len())?;
        let (a, b) = own.iter().zip(theirs).find(|(a, b)| (a.seconds - b.seconds).abs() > SAME_SECONDS)?;
        Some(Clash {
            name: a.what.clone(),
            first: (a.seconds, here.clone()),
            other: (b.seconds, there.clone()),
        })
    };
    first.iter().filter_map(clash).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn list(source: &str, markers: &[(f64, &str)]) -> Stated<Vec<At<String>>> {
        let value = markers.iter().map(|&(seconds, name)| At { seconds, what: name.to_owned() }).collect();
        Stated { value, source: source.to_owned() }
    }

    fn merged(lists: &[Stated<Vec<At<String>>>]) -> Vec<(f64, String)> {
        merged_markers(lists).unwrap().into_iter().map(|at| (at.seconds, at.what)).collect()
    }

    #[test]
    fn lists_that_agree_are_one() {
        let midi = list("a.mid", &[(0.0, "Intro"), (8.0, "Verse"), (24.0, "Chorus")]);
        let wav = list("Vox.wav", &[(8.01, "verse "), (40.0, "Solo")]);
        let names = merged(&[midi.clone(), wav]);
        assert_eq!(
            names,
            [(0.0, "Intro"), (8.0, "Verse"), (24.0, "Chorus"), (40.0, "Solo")]
                .map(|(s, n)| (s, n.to_owned()))
        );
        let repeated = list("b.wav", &[(8.0, "Verse"), (48.0, "Verse")]);
        assert_eq!(merged(&[midi, repeated]).len(), 4, "another verse contradicts nothing");
        assert_eq!(merged(&[]), []);
    }

    #[test]
    fn one_name_at_two_places_is_a_contradiction() {
        let lists = [list("a.mid", &[(24.0, "Chorus")]), list("Vox.wav", &[(26.0, "CHORUS")])];
        let clash = Clash {
            name: "Chorus".to_owned(),
            first: (24.0, "a.mid".to_owned()),
            other: (26.0, "Vox.wav".to_owned()),
        };
        assert_eq!(merged_markers(&lists), Err(vec![clash]));
    }
}
