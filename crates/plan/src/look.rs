//! What the survey of each file shall measure. A first look knows the headers alone; a second one knows who sounds, and
//! what goes before a rate is converted. It knows no survey at work.

use std::collections::BTreeMap;

use loadin_record::evidence::Evidence;
use loadin_record::late::Pin;
use loadin_record::survey::{FileFacts, Scope, Survey};

use crate::draft::Draft;
use crate::drafting::{Voter, draft, majority_hz};
use crate::notice;
use crate::placement::nearest_phase;
use crate::planning::{decide, starts, stated_starts_with};
use crate::recipe::Recipe;
use crate::stages::{Decision, Settings, align_starts, dc_removal, decode};

/// What the survey of each listed file shall measure, in the order of the files: by their headers where there are no
/// surveys, and else by what these say. Only a file for which that differs has to be surveyed again.
pub fn scopes(recipe: &Recipe, files: &[FileFacts], surveys: &[Survey], pin: Option<&Pin>) -> Vec<Scope> {
    let voter = |file: &FileFacts| Some((file.path.clone(), file.format.as_ref().ok()?.rate_hz));
    let listed: Vec<(String, u32)> = files.iter().filter_map(voter).collect();
    let voters: Vec<Voter<'_>> = if surveys.is_empty() {
        listed.iter().map(|(path, rate_hz)| Voter { path, rate_hz: *rate_hz, sounds: true }).collect()
    } else {
        surveys.iter().filter_map(Voter::of).collect()
    };
    let majority_hz = majority_hz(recipe, &voters, pin);
    let offsets = offsets(recipe, surveys, pin);
    let phase = phases(recipe, files, surveys, pin);
    let scope = |file: &FileFacts| {
        let source_hz = file.format.as_ref().map_or(majority_hz, |format| format.rate_hz);
        let target_hz = recipe.target_hz(&file.path, source_hz, majority_hz);
        let subtract = offsets.get(&file.path).filter(|_| target_hz != source_hz);
        Scope {
            target_hz,
            loudness: recipe.settings::<decode::Settings>(&file.path).is_some_and(|s| s.loudness),
            subtract: subtract.cloned().unwrap_or_default(),
            phase: if target_hz == source_hz { 0 } else { phase(file, target_hz) },
        }
    };
    files.iter().map(scope).collect()
}

/// The fraction of a frame at which a file begins at another rate: by the stamps that are used where all get one start, and
/// else by its own.
fn phases<'a>(
    recipe: &'a Recipe,
    files: &[FileFacts],
    surveys: &[Survey],
    pin: Option<&Pin>,
) -> impl Fn(&FileFacts, u32) -> i64 + use<'a> {
    let starts = recipe.base::<align_starts::Settings>().map(|_| match surveys {
        [] => stated_starts_with(recipe, files, pin),
        _ => starts(recipe, surveys, pin),
    });
    move |file, target_hz| match (&starts, &file.format) {
        (Some(starts), _) => starts.phase(&file.path, target_hz),
        (None, Ok(format)) => {
            format.timestamp_frames.map_or(0, |stamp| nearest_phase(stamp, format.rate_hz, target_hz))
        }
        (None, Err(_)) => 0,
    }
}

/// The constants that will be subtracted from the channels of each file that has an offset.
fn offsets(recipe: &Recipe, surveys: &[Survey], pin: Option<&Pin>) -> BTreeMap<String, Vec<f64>> {
    let evidence = Evidence::default();
    let mut draft = draft(recipe, surveys, &evidence, pin);
    notice::pairs::join(recipe, &mut draft);
    // Who goes on and with which channels: all that an offset depends on.
    let needed = |stage: &&crate::recipe::RecipeStage| {
        matches!(stage.base(), Settings::Decode(_) | Settings::ChannelFix(_) | Settings::DcRemoval(_))
    };
    let mut found = BTreeMap::new();
    for stage in recipe.stages.iter().filter(needed) {
        let decisions = decide(stage, &mut draft);
        take(&mut found, &draft, &decisions);
    }
    found
}

fn take(found: &mut BTreeMap<String, Vec<f64>>, draft: &Draft<'_>, decisions: &[Decision]) {
    for (stem, decision) in draft.stems.iter().zip(decisions) {
        let Decision::DcRemoval(dc_removal::Decision::Subtract { constants, .. }) = decision else {
            continue;
        };
        for (channel, constant) in stem.channels.iter().zip(constants) {
            let channels = stem.measures(channel.source).channels.len();
            let path = stem.sources[channel.source].path.clone();
            found.entry(path).or_insert_with(|| vec![0.0; channels])[channel.channel] = *constant;
        }
    }
    found.retain(|_, constants| constants.iter().any(|constant| *constant != 0.0));
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::testing::{Stem, files_of, offset, recipe, stem, surveys};

    const STAGES: &str = "[[stage]]\nstage = \"resample\"\n[[stage]]\nstage = \"channel-fix\"\n[[stage]]\nstage = \"dc-removal\"\n";

    /// Target rates by the headers, and those with what is subtracted by the surveys.
    fn looks(middle: &str, stems: impl IntoIterator<Item = Stem>) -> (Vec<u32>, Vec<(u32, Vec<f64>)>) {
        let (recipe, surveys) = (recipe(middle), surveys(stems));
        let files = files_of(&surveys);
        let first = scopes(&recipe, &files, &[], None);
        assert!(first.iter().all(|scope| scope.subtract.is_empty()));
        let second = scopes(&recipe, &files, &surveys, None);
        let rates = first.into_iter().map(|scope| scope.target_hz);
        (rates.collect(), second.into_iter().map(|scope| (scope.target_hz, scope.subtract)).collect())
    }

    /// Two silent stems and one without sound to read outvote nobody.
    #[test]
    fn only_what_sounds_has_a_say_in_the_rate() {
        let silent = |path: &str| stem(path).rate(96_000).silent();
        let stems = || {
            vec![
                stem("a.wav").rate(44_100),
                silent("b.wav"),
                silent("c.wav"),
                stem("d.wav").rate(96_000).unreadable("torn"),
            ]
        };
        let (first, second) = looks(STAGES, stems());
        assert_eq!(first, [96_000; 4], "the headers do not say who sounds");
        assert!(second.iter().all(|scope| *scope == (44_100, vec![])), "{second:?}");
        let all_silent = vec![silent("a.wav"), silent("b.wav")];
        assert_eq!(
            looks(STAGES, all_silent).1,
            vec![(96_000, vec![]); 2],
            "where nobody sounds, all are asked"
        );
    }

    #[test]
    fn an_offset_goes_before_a_change_of_rate_and_only_there() {
        let at = |rate_hz: u32| offset(stem("a.wav").channels(&[0.5, 0.5]), &[0.0, 0.01]).rate(rate_hz);
        let others = || ["b.wav", "c.wav"].map(stem);
        for (rate_hz, subtract) in [(44_100, vec![0.0, 0.01]), (48_000, vec![])] {
            let (_, second) = looks(STAGES, [at(rate_hz)].into_iter().chain(others()));
            assert_eq!(second, [(48_000, subtract), (48_000, vec![]), (48_000, vec![])], "{rate_hz}");
        }
        let without = "[[stage]]\nstage = \"resample\"\n";
        assert_eq!(looks(without, [at(44_100)].into_iter().chain(others())).1[0], (48_000, vec![]));
    }
}
