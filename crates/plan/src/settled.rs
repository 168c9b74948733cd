//! Questions that are answered: by the answers, or by a setting of the recipe that says what shall be done. The finding stays,
//! with its answer. It knows no survey.

use loadin_record::finding::{Answer, Finding, Id};
use serde_json::Value;

use crate::plan::Plan;
use crate::recipe::Recipe;
use crate::stages::channel_fix;

/// Puts the answers into the findings of a plan.
pub(crate) fn settle(recipe: &Recipe, plan: &mut Plan) {
    settle_delivery(recipe, &mut plan.findings);
    for stem in &mut plan.stems {
        let paths: Vec<String> = stem.sources.iter().map(|source| source.path.clone()).collect();
        settle_stem(recipe, &paths, &mut stem.findings);
    }
}

/// Puts the answers into the findings about a delivery as a whole; what was answered before is forgotten.
pub(crate) fn settle_delivery(recipe: &Recipe, findings: &mut [Finding]) {
    for finding in findings {
        finding.answer = of_delivery(recipe, finding);
    }
}

/// The same of a stem, which is made of the files at these paths.
pub(crate) fn settle_stem(recipe: &Recipe, paths: &[String], findings: &mut [Finding]) {
    for finding in findings {
        finding.answer = paths.iter().find_map(|path| of_stem(recipe, path, finding));
    }
}

fn of_delivery(recipe: &Recipe, finding: &Finding) -> Option<Answer> {
    let said = recipe.answers.as_ref().and_then(|answers| answers.to_finding(finding, None));
    said.cloned().or_else(|| by_song(recipe, finding)).or_else(|| without_rough_mix(recipe, finding))
}

fn of_stem(recipe: &Recipe, path: &str, finding: &Finding) -> Option<Answer> {
    let said = recipe.answers.as_ref().and_then(|answers| answers.to_finding(finding, Some(path)));
    let said = said.cloned().or_else(|| by_stem(recipe, path, finding));
    said.or_else(|| left_out(recipe, path))
        .or_else(|| other_left_out(recipe, finding))
        .or_else(|| without_rough_mix(recipe, finding).or_else(|| dead_channel_kept(recipe, path, finding)))
}

/// A fact of the song that the answers state is no question.
fn by_song(recipe: &Recipe, finding: &Finding) -> Option<Answer> {
    let said = recipe.answers.as_ref()?.song.said();
    let key = match finding.id {
        Id::TempoDoubt => "tempo",
        Id::KeyDoubt => "key",
        Id::FactsDisagree => match finding.evidence.get("what")?.as_str()? {
            "place of markers" => "section",
            what => what,
        },
        _ => return None,
    };
    said.contains(&key).then(|| answer("answers", format!("the answers state the {key}")))
}

/// A correction of a stem answers what was asked about it.
fn by_stem(recipe: &Recipe, path: &str, finding: &Finding) -> Option<Answer> {
    let said = recipe.answers.as_ref()?.of(path);
    let text = match finding.id {
        Id::SoundsLike => said.role.map(|role| format!("it is \"{}\"", role.as_str())),
        Id::StampDoubt | Id::PlaceFound => said.start.map(|_| "the answers say where it starts".to_owned()),
        Id::SidePair | Id::PairRefused => {
            said.pair_with.map(|other| format!("it is a pair with \"{other}\""))
        }
        _ => None,
    };
    text.map(|text| answer("answers", text))
}

fn left_out(recipe: &Recipe, path: &str) -> Option<Answer> {
    let (source, why) = recipe.leaves_out(path)?;
    // What a recipe leaves out of many deliveries is missed until somebody says it of this one.
    Some(Answer { accepts: source == "answers", ..answer(source, why) })
}

/// Of two that are too much alike one is left out: the question is over.
fn other_left_out(recipe: &Recipe, finding: &Finding) -> Option<Answer> {
    let is_of_two = matches!(
        finding.id,
        Id::Duplicate | Id::NearDuplicate | Id::SiblingOffset | Id::SiblingPolarity | Id::PairRefused
    );
    let other = ["same_as", "beside", "right"].iter().find_map(|key| finding.evidence.get(*key)?.as_str())?;
    let (source, _) = recipe.leaves_out(other).filter(|_| is_of_two)?;
    Some(answer(source, format!("\"{other}\" is left out")))
}

/// What a rough mix shows that is left out is no question.
fn without_rough_mix(recipe: &Recipe, finding: &Finding) -> Option<Answer> {
    let rough_mix = finding.evidence.get("rough_mix").and_then(Value::as_str)?;
    let (source, _) = recipe.leaves_out(rough_mix)?;
    Some(answer(source, format!("\"{rough_mix}\" is left out")))
}

fn dead_channel_kept(recipe: &Recipe, path: &str, finding: &Finding) -> Option<Answer> {
    let settings = recipe.settings::<channel_fix::Settings>(path)?;
    let kept = finding.id == Id::DeadChannel && settings.dead_channel == channel_fix::Fold::Keep;
    kept.then(|| answer("recipe", "the recipe keeps the silent channel".to_owned()))
}

fn answer(source: &str, text: String) -> Answer {
    Answer { text, by: None, date: None, accepts: false, source: source.to_owned() }
}
