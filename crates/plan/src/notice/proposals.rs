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

#[cfg(test)]
mod tests {
    use loadin_record::evidence::Evidence;
    use loadin_session::Group;

    use super::*;
    use crate::testing::{recipe, stem, with_given};

    #[test]
    fn a_proposal_is_said_and_kept_and_moves_no_stem() {
        let proposal = Proposal {
            sounds_like: "a bass".to_owned(),
            confidence: 0.8,
            by: "its sound lies below 200 Hz".to_owned(),
        };
        let proposals = [("Audio 2.wav".to_owned(), proposal.clone())].into();
        let evidence = Evidence { proposals, ..Evidence::default() };
        with_given(&recipe(""), ["Audio 1.wav", "Audio 2.wav"].map(stem), &evidence, None, |draft| {
            notice(draft);
            let text =
                "its name does not say what it is; it sounds like a bass (its sound lies below 200 Hz)";
            let wanted =
                Finding::new(Id::SoundsLike, text).with("sounds_like", "a bass").with("confidence", 0.8);
            assert_eq!((&draft.stems[0].proposal, &draft.stems[0].findings[..]), (&None, &[][..]));
            assert_eq!(
                (&draft.stems[1].proposal, &draft.stems[1].findings[..]),
                (&Some(proposal), &[wanted][..])
            );
            assert_eq!(draft.stems[1].group, Group::Unsorted);
        });
    }
}
