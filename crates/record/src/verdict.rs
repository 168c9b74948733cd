//! The verdict in three numbers: how many stems are ready, how many are usable but in question, how many are not usable.
//!
//! Which finding puts a stem where is a column of the one list of findings in `finding.rs`; here it is counted and said.
//! References such as the rough mix are no stems and are not counted. It decides nothing.

use crate::finding::{Finding, Readiness};
use crate::manifest::{Manifest, State, StemRecord};
use crate::role::StemRole;

impl StemRecord {
    /// How far the stem can be worked with; `None` for a reference, and for a stem that somebody has left out on purpose.
    ///
    /// A finding that is answered stands against no stem that was prepared. A stem of which nothing was prepared, and nobody
    /// has said that this is meant so, is never ready.
    pub fn readiness(&self) -> Option<Readiness> {
        if self.role == StemRole::Reference {
            return None;
        }
        let worst = |counts: fn(&&Finding) -> bool| {
            let places = self.findings.iter().filter(counts).map(|finding| finding.id.readiness());
            places.max().unwrap_or(Readiness::Ready)
        };
        match self.state {
            State::Failed => Some(Readiness::NotUsable),
            State::SetAside if self.is_missed() => Some(worst(|_| true).max(Readiness::InQuestion)),
            State::SetAside => None,
            State::Prepared | State::Unchanged => Some(worst(|finding| finding.answer.is_none())),
        }
    }
}

/// The three numbers of a delivery, and how many stems stand outside them.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Verdict {
    /// Stems against which nothing stands.
    pub ready: usize,
    /// Stems that can be used, and of which somebody must say whether they are right.
    pub in_question: usize,
    /// Stems of which nothing can be used.
    pub not_usable: usize,
    /// Stems that somebody has left out on purpose.
    pub left_out: usize,
}

impl Verdict {
    /// The verdict on a delivery.
    pub fn of(manifest: &Manifest) -> Self {
        let mut verdict = Self::default();
        for stem in manifest.stems.iter().filter(|stem| stem.role != StemRole::Reference) {
            match stem.readiness() {
                Some(Readiness::Ready) => verdict.ready += 1,
                Some(Readiness::InQuestion) => verdict.in_question += 1,
                Some(Readiness::NotUsable) => verdict.not_usable += 1,
                None => verdict.left_out += 1,
            }
        }
        verdict
    }

    /// How many stems have this readiness.
    pub fn number_of(&self, readiness: Readiness) -> usize {
        match readiness {
            Readiness::Ready => self.ready,
            Readiness::InQuestion => self.in_question,
            Readiness::NotUsable => self.not_usable,
        }
    }

    /// Whether every stem that somebody wants is ready.
    pub fn is_all_ready(&self) -> bool {
        self.in_question == 0 && self.not_usable == 0
    }
}

impl std::fmt::Display for Verdict {
    /// "9 stems ready, 3 usable but in question, 2 not usable"; all three numbers are always said.
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let stems = if self.ready == 1 { "stem" } else { "stems" };
        write!(
            f,
            "{} {stems} ready, {} usable but in question, {} not usable",
            self.ready, self.in_question, self.not_usable
        )?;
        if self.left_out > 0 { write!(f, "; {} left out on purpose", self.left_out) } else { Ok(()) }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::finding::{Id, Severity};

    /// A kind that is a problem or that a person should hear either stands against the stem, or is named here with its
    /// reason. Mere notes stand against none.
    #[test]
    fn what_matters_stands_against_a_stem_or_is_about_something_else() {
        let of_the_delivery = [
            Id::SeveralSongs,
            Id::StampsRefused,
            Id::MissingStem,
            Id::FactsDisagree,
            Id::KeyDoubt,
            Id::TempoDoubt,
            Id::NoteSays,
        ];
        // A fader puts it right: the sound is whole.
        let of_level = [Id::GainLimited, Id::LateOverTarget];
        for &id in Id::ALL {
            let elsewhere = of_the_delivery.contains(&id) || of_level.contains(&id);
            let stands_against = id.severity() > Severity::Note && !elsewhere;
            assert_eq!(id.readiness() != Readiness::Ready, stands_against, "{}", id.as_str());
        }
    }

    #[test]
    fn all_three_numbers_are_said() {
        let verdict = Verdict { ready: 1, in_question: 0, not_usable: 2, left_out: 0 };
        assert_eq!(verdict.to_string(), "1 stem ready, 0 usable but in question, 2 not usable");
        let verdict = Verdict { left_out: 1, ready: 3, ..Verdict::default() };
        assert!(verdict.is_all_ready());
        assert_eq!(
            verdict.to_string(),
            "3 stems ready, 0 usable but in question, 0 not usable; 1 left out on purpose"
        );
    }
}
