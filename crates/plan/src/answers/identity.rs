//! Who a stem is for the record, with what the engineer says of it.

use loadin_record::identity::Identity;
use loadin_session::said::StemAnswer;
use loadin_session::{Confidence, Role};

/// The identity of a stem whose name and answers together say this role: a part is written down as it was said.
pub(crate) fn identity(said: &StemAnswer, role: &Role) -> Identity {
    let identity = Identity::from(role);
    Identity { part: said.part.clone().or(identity.part), ..identity }
}

/// Corrects what the record says of a prepared stem, where no output follows from it.
pub(crate) fn correct(said: &StemAnswer, identity: &mut Identity) {
    if let Some(role) = said.role {
        role.as_str().clone_into(&mut identity.role);
        Confidence::Clear.as_str().clone_into(&mut identity.confidence);
    }
    identity.part = said.part.clone().or(identity.part.take());
    identity.side = said.side.map(|side| side.as_str().to_owned()).or(identity.side.take());
    identity.take = said.take.or(identity.take);
    if let Some(treatments) = &said.treatments {
        identity.treatments = treatments.iter().map(|one| one.as_str().to_owned()).collect();
    }
}
