//! What meters have found, in the words of the record. It measures nothing.

use loadin_audio::{Clipped, EnvelopeOf, RelationMeasures};
use loadin_codec::Damage;
use loadin_record::survey::{ClipFacts, DamageFacts, EnvelopeChannel, RelationFacts};

pub(super) fn damage_facts(found: &Damage) -> DamageFacts {
    DamageFacts { start_frame: found.start_frame, frames: found.frames, cause: found.cause.clone() }
}

pub(super) fn relation_facts(found: RelationMeasures) -> RelationFacts {
    RelationFacts {
        max_difference: found.max_difference,
        worst_difference_ratio: found.worst_difference_ratio,
        max_sum: found.max_sum,
        worst_sum_ratio: found.worst_sum_ratio,
        correlation: found.correlation,
        side_to_mid: found.side_to_mid,
    }
}

pub(super) fn clip_facts(found: Clipped) -> ClipFacts {
    ClipFacts {
        channel: found.channel,
        ceiling: found.ceiling,
        runs: found.runs,
        samples: found.samples,
        longest: found.longest,
        first_frame: found.first_frame,
    }
}

pub(super) fn envelope_facts(found: EnvelopeOf) -> EnvelopeChannel {
    EnvelopeChannel { min: found.min, max: found.max, sum: found.sum, sum_sq: found.sum_sq }
}
