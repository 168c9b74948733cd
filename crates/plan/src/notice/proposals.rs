//! What stems sound like whose names say nothing, as findings. Their group stays as it is.

use loadin_record::evidence::Proposal;
use loadin_record::finding::{Finding, Id};

use crate::draft::Draft;

/// Adds a finding to every stem that has a proposal, and the proposal itself.
pub(super) fn notice(draft: &mut Draft<'_>) {
    let evidence = draft.evidence;
    for stem in &mut draft.stems {
        let Some(proposal) = evidence.proposals.get(stem.path()) else { continue };
        let Proposal { sounds_like, confidence, by } = proposal;
        let text = format!("its name does not say what it is; it sounds like {sounds_like} ({by})");
        let finding = Finding::new(Id::SoundsLike, text).with("sounds_like", sounds_like.as_str());
        stem.note(finding.with("confidence", *confidence));
        stem.proposal = Some(proposal.clone());
    }
}
