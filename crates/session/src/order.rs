//! Orders of the groups. Knows neither stems nor names.

use crate::family::Group;

/// Kick and bass, drums, percussion, instruments, vocals, effects, the rest, references.
pub const KICK_AND_BASS_FIRST: &[Group] = Group::ALL;

/// Drums and percussion, bass, instruments, effects, vocals, the rest, references.
pub const DRUMS_FIRST: &[Group] = &[
    Group::Drums,
    Group::Percussion,
    Group::KickAndBass,
    Group::Guitars,
    Group::Keys,
    Group::Synths,
    Group::Orchestra,
    Group::Effects,
    Group::LeadVocals,
    Group::VocalDoubles,
    Group::BackingVocals,
    Group::Unsorted,
    Group::Reference,
];

/// Vocals first, then drums and the rest.
pub const VOCALS_FIRST: &[Group] = &[
    Group::LeadVocals,
    Group::VocalDoubles,
    Group::BackingVocals,
    Group::KickAndBass,
    Group::Drums,
    Group::Percussion,
    Group::Guitars,
    Group::Keys,
    Group::Synths,
    Group::Orchestra,
    Group::Effects,
    Group::Unsorted,
    Group::Reference,
];

/// Every group: those that the recipe orders, then the others in their usual order.
pub(crate) fn in_order(order: &[Group]) -> Vec<Group> {
    let missing = Group::ALL.iter().filter(|group| !order.contains(group));
    order.iter().chain(missing).copied().collect()
}
