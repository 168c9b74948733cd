//! Compares the stems of a delivery with each other: the one entrance of this crate.

use loadin_record::evidence::Evidence;

use crate::delivery::Delivery;
use crate::estimates;
use crate::instrument;
use crate::key::{self, StemPitches};
use crate::mix::RoughMixSignal;
use crate::related;
use crate::rough_mix;

/// What comparing the stems shows. Runs on the current rayon pool; its size changes nothing in the result.
pub fn compare(delivery: &Delivery<'_>) -> Evidence {
    let in_time = || {
        let mix = RoughMixSignal::find(delivery);
        let (places, rough_mix) = mix.map_or_else(Default::default, |mix| {
            let (places, rough_mix) = rough_mix::judge(&mix, delivery);
            (places, Some(rough_mix))
        });
        let music = estimates::estimate(delivery, &places);
        (places, rough_mix, music)
    };
    // Relatives and pitches need nothing of places, rough mix and tempo, so all three are found at once.
    let (siblings, ((places, rough_mix, mut music), pitches)) = rayon::join(
        || related::siblings(delivery),
        || rayon::join(in_time, || StemPitches::measure(delivery)),
    );
    let rough_mix = rough_mix.map(|rough| rough_mix::with_versions(rough, &siblings));
    key::estimate(&pitches, &mut music);
    key::compare(&mut music, delivery.stated);
    let proposals = instrument::proposals(delivery, &pitches);
    Evidence { siblings, places, rough_mix, music, proposals }
}
