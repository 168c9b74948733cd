//! A preparation is a promise: whatever is done to a delivery and to its output folder, every later visit keeps it.
//!
//! Random histories of visits, each judged by an oracle that knows what was done and what was promised (`oracle`,
//! `promise`, `folder`), and fixed cases. `LOADIN_VISITS=2000 cargo test -p loadin-tests random_histories` plays so many;
//! `LOADIN_VISITS_SEED=17` with the same command plays one.

#![expect(
    clippy::unnecessary_debug_formatting,
    reason = "names with line breaks and odd bytes shall be seen as they are"
)]

mod cases;
mod desk;
mod folder;
mod given;
mod history;
mod names;
mod oracle;
mod planted;
mod play;
mod promise;
mod recipe;
mod said;
mod world;

use std::panic::{AssertUnwindSafe, catch_unwind};

use rayon::prelude::*;

use history::History;
use oracle::Fault;
use play::Play;

/// Histories that are played without a wish for more.
const HISTORIES: u64 = 60;

/// Histories that have found a fault, beyond those: what moves while it is left out, what an interrupted new link has taken
/// away, a recipe that an interrupted visit has put in the place of the folder's own.
const FOUND: [u64; 18] =
    [76, 154, 207, 226, 393, 567, 635, 736, 755, 857, 869, 1220, 1379, 1423, 1559, 1584, 1590, 1750];

/// The same, with words of the engineer's in them: paths that differ in case alone, and files that move after they were
/// spoken of, are torn while they are left out, or words that a killed visit has left.
const FOUND_WITH_WORDS: [u64; 13] = [265, 367, 455, 506, 650, 880, 1170, 1442, 1444, 1769, 1772, 1865, 1958];

/// Shorter histories that are tried, so that a fault is shown with little around it.
const TRIES: usize = 60;

/// Faults that are shown in full.
const SHOWN: usize = 5;

#[expect(clippy::disallowed_methods, reason = "how thorough the test is changes no output")]
fn wanted(name: &str) -> Option<u64> {
    std::env::var(name).ok().and_then(|text| text.parse().ok())
}

/// What went wrong in a history, and what had happened until then.
fn fault_of(history: &History) -> Option<(Fault, Vec<String>)> {
    let mut play = Play::new(history);
    let played = catch_unwind(AssertUnwindSafe(|| play.play(history)));
    let fault = match played {
        Ok(Ok(())) => return None,
        Ok(Err(fault)) => fault,
        Err(_) => Fault("the test itself stopped; see above".to_owned()),
    };
    Some((fault, play.0.log))
}

/// The fault with as little around it as was found.
fn shrunk(mut history: History, mut found: (Fault, Vec<String>)) -> (Fault, Vec<String>) {
    let mut tries = TRIES;
    'shorter: loop {
        for shorter in history.shorter() {
            if tries == 0 {
                break 'shorter;
            }
            tries -= 1;
            if let Some(less) = fault_of(&shorter) {
                (history, found) = (shorter, less);
                continue 'shorter;
            }
        }
        break;
    }
    found
}

#[test]
fn random_histories_keep_the_promise() {
    let seeds: Vec<u64> = if let Some(seed) = wanted("LOADIN_VISITS_SEED") {
        vec![seed]
    } else {
        let most = wanted("LOADIN_VISITS").unwrap_or(HISTORIES);
        let found = FOUND.into_iter().chain(FOUND_WITH_WORDS);
        (0..most).chain(found.filter(|seed| *seed >= most)).collect()
    };
    let faults: Vec<(u64, (Fault, Vec<String>))> =
        seeds.par_iter().filter_map(|&seed| Some((seed, fault_of(&History::draw(seed))?))).collect();
    let shown = faults.iter().take(SHOWN).map(|(seed, found)| {
        let (fault, log) = shrunk(History::draw(*seed), found.clone());
        format!(
            "\n\nLOADIN_VISITS_SEED={seed}, with as little as was found:\n{}\n!! {}",
            log.join("\n"),
            fault.0
        )
    });
    let shown: String = shown.collect();
    let others = faults
        .iter()
        .skip(SHOWN)
        .map(|(seed, (fault, _))| format!("\n{seed}: {}", fault.0.lines().next().unwrap_or_default()));
    assert!(
        faults.is_empty(),
        "{} of {} histories break the promise{shown}\n{}",
        faults.len(),
        seeds.len(),
        others.collect::<String>()
    );
}
