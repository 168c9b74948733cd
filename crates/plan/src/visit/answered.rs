//! What other answers would change of a prepared delivery, by its record alone; and what a stem that is made anew is free of.

use loadin_record::late::Pin;
use loadin_record::manifest::{Manifest, StemRecord};
use loadin_record::role::StemRole;
use loadin_session::{is_reference, role_of};

use super::standing::{Standing, Visit};
use super::wanted::WouldChange;
use crate::answers::{Answers, StemAnswer};

/// Answers then and now.
pub(super) type ThenNow<'a> = (Option<&'a Answers>, Option<&'a Answers>);

/// The prepared stems that the answers of now would make otherwise than those of then. What a `visit` leaves out, and what it
/// makes anew, is not among them; without one, what would be left out is.
pub fn answers_would_change(
    manifest: &Manifest,
    answers: ThenNow<'_>,
    visit: Option<&Visit>,
) -> Vec<WouldChange> {
    let mut rows: Vec<WouldChange> = Vec::new();
    for stem in &manifest.stems {
        let Some(output) = &stem.output else { continue };
        let promised = visit.and_then(|visit| visit.stems.iter().find(|one| one.output == output.path));
        let free = |standing: &Standing| matches!(standing, Standing::LeftOut | Standing::Renewed);
        if promised.is_some_and(|promised| free(&promised.standing)) {
            continue;
        }
        let source = promised.and_then(|one| one.sources.iter().find(|one| one.before == stem.source.path));
        let now = source.and_then(|source| source.now.as_deref()).unwrap_or(&stem.source.path);
        let mut texts = differences(stem, answers, now);
        if visit.is_none() && !is_out(answers.0, &stem.source.path) && is_out(answers.1, now) {
            texts.push("it would be left out".to_owned());
        }
        if texts.is_empty() {
            continue;
        }
        match rows.iter_mut().find(|row| row.output == output.path) {
            Some(row) => {
                row.sources.push(stem.source.path.clone());
                texts.retain(|text| !row.texts.contains(text));
                row.texts.extend(texts);
            }
            None => rows.push(WouldChange {
                output: output.path.clone(),
                sources: vec![stem.source.path.clone()],
                texts,
            }),
        }
    }
    rows
}

fn of(answers: Option<&Answers>, path: &str) -> StemAnswer {
    answers.map(|answers| answers.of(path)).unwrap_or_default()
}

fn is_out(answers: Option<&Answers>, path: &str) -> bool {
    use crate::answers::Left;
    matches!(answers.and_then(|answers| answers.leaves_out(path)), Some(Left::Out(_)))
}

/// What a stem is and what it would be, a text each.
fn differences(stem: &StemRecord, (then, now): ThenNow<'_>, path: &str) -> Vec<String> {
    let (was, is) = (of(then, &stem.source.path), of(now, path));
    if was == is {
        return Vec::new();
    }
    let mut texts = Vec::new();
    let reference = stem.role == StemRole::Reference;
    let by_name = is_reference(path).is_some();
    let wanted = is.reference.unwrap_or(if was.reference.is_some() { by_name } else { reference });
    let wanted = wanted && !(is.reference.is_none() && is.group().is_some());
    if wanted != reference {
        let word = |reference: bool| if reference { StemRole::Reference } else { StemRole::Stem }.as_str();
        texts.push(format!("{}, it would be a {}", word(reference), word(wanted)));
    }
    if !wanted {
        let named = was.group().map(|_| role_of(path).group());
        let group = is.group().or(named).map_or(stem.group.as_str(), |group| group.as_str());
        if group != stem.group {
            texts.push(format!("group {} → {group}", stem.group));
        }
    }
    let words = |text: &Option<String>| text.clone().unwrap_or_else(|| "as the file's name says".to_owned());
    if was.label != is.label {
        texts.push(format!("label {} → {}", words(&was.label), words(&is.label)));
    }
    if was.start != is.start {
        let word =
            |said: &StemAnswer| said.words().remove("start").unwrap_or_else(|| "as delivered".to_owned());
        texts.push(format!("start {} → {}", word(&was), word(&is)));
    }
    if was.pair_with != is.pair_with {
        match &is.pair_with {
            Some(other) => texts.push(format!("it would be one stem with \"{other}\", which --relink makes")),
            None => texts.push("it would be a stem of its own, which --relink makes".to_owned()),
        }
    }
    texts
}

/// Stems that are made anew and of which something else is said now are what is said, and not what they were.
pub fn free_renewed(pin: &mut Pin, visit: &Visit, (then, now): ThenNow<'_>) {
    let renewed = visit.stems.iter().filter(|stem| stem.standing == Standing::Renewed);
    for source in renewed.flat_map(|stem| &stem.sources) {
        let path = source.now.as_ref().unwrap_or(&source.before);
        let (was, is) = (of(then, &source.before), of(now, path));
        if let Some(pinned) = pin.stems.get_mut(path).filter(|_| was != is) {
            (pinned.renewed, pinned.renamed) = (true, was.label != is.label);
        }
    }
}
