//! Circles of files: sets in which every file takes something from every other, by however many steps.

use std::collections::{BTreeMap, BTreeSet, VecDeque};
use std::fmt::Write;

use super::checkout::{Checkout, Fault};
use super::names::{Links, links};

/// The circles of one crate, largest first, each as the indices of its files.
pub(super) fn circles(links: &Links) -> Vec<BTreeSet<usize>> {
    let reached: Vec<BTreeSet<usize>> = (0..links.files.len()).map(|file| reach(links, file)).collect();
    let mut found: Vec<BTreeSet<usize>> = Vec::new();
    for (file, far) in reached.iter().enumerate() {
        let circle: BTreeSet<usize> =
            far.iter().copied().filter(|other| reached[*other].contains(&file)).collect();
        if circle.len() > 1 && !found.contains(&circle) {
            found.push(circle);
        }
    }
    found.sort_by_key(|circle| std::cmp::Reverse(circle.len()));
    found
}

/// Every file that `from` takes from, by however many steps.
fn reach(links: &Links, from: usize) -> BTreeSet<usize> {
    let mut found = BTreeSet::new();
    let mut next = vec![from];
    while let Some(at) = next.pop() {
        next.extend(
            links
                .links
                .range((at, 0)..=(at, usize::MAX))
                .map(|((_, to), _)| *to)
                .filter(|to| found.insert(*to)),
        );
    }
    found
}

/// The fewest links from `from` to `to` inside a circle, as the files on the way, both ends included.
fn way(links: &Links, circle: &BTreeSet<usize>, from: usize, to: usize) -> Vec<usize> {
    let mut came_from: BTreeMap<usize, usize> = BTreeMap::new();
    let mut next = VecDeque::from([from]);
    while let Some(at) = next.pop_front() {
        for ((_, beyond), _) in links.links.range((at, 0)..=(at, usize::MAX)) {
            if circle.contains(beyond) && *beyond != from && !came_from.contains_key(beyond) {
                came_from.insert(*beyond, at);
                next.push_back(*beyond);
            }
        }
    }
    let mut back = vec![to];
    while let Some(before) = came_from.get(back.last().unwrap_or(&from)) {
        back.push(*before);
    }
    back.reverse();
    back
}

/// Short rounds that together go through every link of the circle, shortest first; each ends where it began.
pub(super) fn rounds(links: &Links, circle: &BTreeSet<usize>) -> Vec<Vec<usize>> {
    let inside = links.links.keys().filter(|(from, to)| circle.contains(from) && circle.contains(to));
    let mut all: Vec<Vec<usize>> = inside
        .map(|(from, to)| {
            let mut round = vec![*from];
            round.extend(way(links, circle, *to, *from));
            round
        })
        .collect();
    all.sort_by_key(Vec::len);
    let mut gone_through = BTreeSet::new();
    all.retain(|round| {
        let steps: Vec<(usize, usize)> = round.windows(2).map(|step| (step[0], step[1])).collect();
        let new = steps.iter().any(|step| !gone_through.contains(step));
        gone_through.extend(steps);
        new
    });
    all
}

/// A round as text: a line a step, with the place and the path of the import.
pub(super) fn round_text(folder: &str, links: &Links, round: &[usize]) -> String {
    let mut text = String::new();
    for step in round.windows(2) {
        let (from, to) = (&links.files[step[0]], &links.files[step[1]]);
        let link = &links.links[&(step[0], step[1])][0];
        let _ = write!(text, "\n    crates/{folder}/src/{from}:{} takes {} from {to}", link.line, link.path);
    }
    text
}

/// A fault for every circle, with its shortest round.
pub(super) fn circle_faults(checkout: &Checkout) -> Vec<Fault> {
    let mut faults = Vec::new();
    for folder in checkout.crates() {
        let links = links(&checkout.sources(folder));
        for circle in circles(&links) {
            let Some(round) = rounds(&links, &circle).into_iter().next() else { continue };
            let line = links.links[&(round[0], round[1])][0].line;
            let names: Vec<&str> = circle.iter().map(|file| links.files[*file].as_str()).collect();
            let text = format!(
                "found a circle of {} files ({}); none is allowed; move what they share below them. Shortest round:{}",
                circle.len(),
                names.join(" "),
                round_text(folder, &links, &round),
            );
            faults.push(Fault::new(&format!("crates/{folder}/src/{}", links.files[round[0]]), line, text));
        }
    }
    faults
}
