//! What comparing the stems with each other has shown: evidence for findings and for the manifest, never a change.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

use crate::estimates::Estimates;
use crate::facts::Survey;
use crate::hint::{self, Proposal};
use crate::key::{self, Notes};
use crate::music::Facts;
use crate::places::{self, Place};
use crate::recipe::Recipe;
use crate::rough::{self, Mix, RoughMix};
use crate::siblings::{self, Sibling};
use crate::sketch::Sketches;

/// Everything that was found out by comparing sketches.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct Heard {
    /// Related stems, and how they stand to each other; sorted by their paths.
    pub siblings: Vec<Sibling>,
    /// Stems that start at their own entry, and where the rough mix has them; sorted by their paths.
    pub places: Vec<Place>,
    /// What the rough mix shows, where there is one.
    pub rough_mix: Option<RoughMix>,
    /// What is estimated of the music.
    pub music: Estimates,
    /// What stems sound like whose names say nothing, by path.
    pub proposals: BTreeMap<String, Proposal>,
}

impl Heard {
    /// Compares the stems of a delivery, of whose music `stated` is known. Runs on the current rayon pool; its size changes nothing in the result.
    pub(crate) fn of(recipe: &Recipe, surveys: &[Survey], sketches: &Sketches<'_>, stated: &Facts) -> Self {
        let in_time = || {
            let by_stamps = places::tells_by_stamps(surveys);
            let mix = Mix::find(recipe, surveys, sketches);
            let places = mix
                .as_ref()
                .filter(|_| !by_stamps)
                .map_or_else(Vec::new, |mix| places::places(mix, sketches));
            let rough_mix = mix.map(|mix| rough::judge(&mix, &places, by_stamps, sketches));
            let music = Estimates::of(recipe, surveys, &places, sketches, stated);
            (places, rough_mix, music)
        };
        // What needs nothing of the others goes on beside them.
        let (siblings, ((places, rough_mix, mut music), notes)) = rayon::join(
            || siblings::siblings(surveys, sketches),
            || rayon::join(in_time, || Notes::of(recipe, surveys, sketches)),
        );
        key::estimate(&notes, &mut music);
        key::compare(&mut music, stated);
        let proposals = hint::proposals(surveys, sketches, &notes);
        Self { siblings, places, rough_mix, music, proposals }
    }
}
