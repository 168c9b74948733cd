//! Two mono files named left and right: reported, and joined to one stereo stem where the recipe says so.

use loadin_record::finding::{Finding, Id};
use loadin_session::{PairInput, side_pairs};

use crate::draft::{Draft, DraftStem};
use crate::recipe::Recipe;
use crate::stages::channel_fix::{self, Pairs};

/// Reports the pairs of the draft, and joins those that the recipe wants joined.
pub(crate) fn join(recipe: &Recipe, draft: &mut Draft<'_>) {
    let inputs: Vec<PairInput> = draft.stems.iter().map(input).collect();
    let mut gone = Vec::new();
    for pair in side_pairs(&inputs) {
        let (left, right) = (pair.left, pair.right);
        let partner = draft.stems[right].path().to_owned();
        if let Some(why) = &pair.refused {
            let text = format!(
                "named like the left half of a pair with \"{partner}\", but {why}; they stay two stems"
            );
            draft.stems[left].note(Finding::new(Id::PairRefused, text).with("right", partner));
        } else {
            let text = format!("looks like the left half of a stereo pair with \"{partner}\"");
            draft.stems[left].note(Finding::new(Id::SidePair, text).with("right", partner));
            if wants_join(recipe, draft.stems[left].path()) {
                absorb(draft, left, right);
                gone.push(right);
            }
        }
    }
    gone.sort_unstable();
    for index in gone.into_iter().rev() {
        draft.stems.remove(index);
    }
}

fn wants_join(recipe: &Recipe, path: &str) -> bool {
    recipe.settings::<channel_fix::Settings>(path).is_some_and(|settings| settings.pairs == Pairs::Join)
}

fn input(stem: &DraftStem<'_>) -> PairInput {
    let survey = stem.sources[0];
    let format = survey.format.as_ref();
    PairInput {
        name: survey.path.clone(),
        rate_hz: format.map_or(0, |f| f.rate_hz),
        frames: survey.measures.as_ref().map_or(0, |m| m.source_frames),
        channels: format.map_or(0, |f| f.channels),
        lossy: format.is_some_and(|f| f.lossy),
    }
}

/// Makes `right` the second source of `left`.
fn absorb(draft: &mut Draft<'_>, left: usize, right: usize) {
    let other = draft.stems[right].clone();
    let stem = &mut draft.stems[left];
    stem.sources.push(other.sources[0]);
    stem.grid_bits = stem.grid_bits.zip(other.grid_bits).map(|(a, b)| a.max(b));
    stem.findings.extend(other.findings);
    stem.channels.extend(other.channels.into_iter().map(|mut channel| {
        channel.source = 1;
        channel
    }));
}
