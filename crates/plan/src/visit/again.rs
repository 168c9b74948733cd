//! A prepared delivery of which the engineer says something else now, where no output follows from it: its record with the
//! new answers. It needs neither delivery nor surveys.

use loadin_record::manifest::{Manifest, StemRecord};
use loadin_session::role_of_file;

use super::answered::{ThenNow, answers_would_change};
use super::wanted::WouldChange;
use crate::answers::{Answers, Song, StemAnswer, correct as correct_identity};
use crate::music::{answer_facts, name_sections};
use crate::recipe::Recipe;
use crate::settled::{settle_delivery, settle_stem};

/// Why answers need more than papers.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum AnswerAgainError {
    /// Outputs would be others.
    WouldChange(Vec<WouldChange>),
    /// Facts were stated that are not any more: what stands there without them is in the delivery.
    Withdrawn(Vec<&'static str>),
}

/// The record with the answers of `recipe`, which was made with those of `then`.
///
/// # Errors
/// Where an output would change, or where something was taken back that only the delivery knows.
pub fn answered_again(
    manifest: &Manifest,
    recipe: &Recipe,
    then: Option<&Answers>,
) -> Result<Manifest, AnswerAgainError> {
    let said_as = manifest.said_as();
    let (recipe, then) = (&recipe.following(&said_as), then.map(|then| then.following(&said_as)));
    let then = then.as_ref();
    let answers: ThenNow<'_> = (then, recipe.answers.as_ref());
    let rows = answers_would_change(manifest, answers, None);
    if !rows.is_empty() {
        return Err(AnswerAgainError::WouldChange(rows));
    }
    let said = recipe.song().map(Song::said).unwrap_or_default();
    let before = then.map(|then| then.song.said()).unwrap_or_default();
    let withdrawn: Vec<&str> =
        before.into_iter().filter(|key| *key != "section-names" && !said.contains(key)).collect();
    if !withdrawn.is_empty() {
        return Err(AnswerAgainError::Withdrawn(withdrawn));
    }
    let mut manifest = manifest.clone();
    let none = Song::default();
    let song = recipe.song().unwrap_or(&none);
    if !said.is_empty() {
        answer_facts(&mut manifest.facts, song);
    }
    name_sections(&mut manifest.facts, song);
    settle_delivery(recipe, &mut manifest.findings);
    for stem in &mut manifest.stems {
        let was = then.map(|then| then.of(&stem.source.path)).unwrap_or_default();
        correct(stem, &was, &recipe.said_of(&stem.source.path));
        settle_stem(recipe, std::slice::from_ref(&stem.source.path), &mut stem.findings);
        stem.said_as = recipe.said_as(&stem.source.path);
    }
    manifest.answers = recipe.answers.as_ref().map(Answers::record);
    Ok(manifest.sealed())
}

/// What is said of a stem now; where something was said before, its name is asked again for the rest.
fn correct(stem: &mut StemRecord, was: &StemAnswer, is: &StemAnswer) {
    if was == is {
        return;
    }
    if *was != StemAnswer::default() {
        let named = role_of_file(&stem.source.path, stem.source.rate_hz);
        stem.identity = (&named).into();
    }
    correct_identity(is, &mut stem.identity);
    let out = stem.corrected.remove("leave-out");
    stem.corrected = is.words();
    stem.corrected.extend(out.map(|why| ("leave-out".to_owned(), why)));
}
