//! What comparing the stems with each other has shown: evidence for findings and for the manifest, never a change.

use std::collections::BTreeMap;

use loadin_record::evidence::{Estimates, Evidence, Proposal, RoughMix, Sibling, StemPlace};
use loadin_record::music::Facts;
use loadin_record::survey::Survey;
use serde::{Deserialize, Serialize};

use crate::estimates;
use crate::hint;
use crate::key::{self, Notes};
use crate::places;
use crate::recipe::Recipe;
use crate::rough::{self, Mix};
use crate::siblings;
use crate::sketch::Sketches;

/// Compares the stems of a delivery, of whose music `stated` is known. Runs on the current rayon pool; its size changes nothing in the result.
pub(crate) fn compare(
    recipe: &Recipe,
    surveys: &[Survey],
    sketches: &Sketches<'_>,
    stated: &Facts,
) -> Evidence {
    let in_time = || {
        let by_stamps = places::tells_by_stamps(surveys);
        let mix = Mix::find(recipe, surveys, sketches);
        let places =
            mix.as_ref().filter(|_| !by_stamps).map_or_else(Vec::new, |mix| places::places(mix, sketches));
        let rough_mix = mix.map(|mix| rough::judge(&mix, &places, by_stamps, sketches));
        let music = estimates::estimate(recipe, surveys, &places, sketches, stated);
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
    Evidence { siblings, places, rough_mix, music, proposals }
}
