//! What answers say of one stem.

use std::collections::BTreeMap;

use crate::detail::{Side, Treatment};
use crate::family::{Family, Group};
use crate::role::{Confidence, Role, role_of};

/// Where a stem starts, on the time line of the delivery.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Start {
    /// Seconds after its start.
    Seconds(f64),
    /// Frames after its start, at the rate of the stem's file.
    Frames(u64),
}

/// What answers say of one stem; what they do not say is empty.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct StemAnswer {
    /// What it is.
    pub role: Option<Family>,
    /// Section of the song, place or number.
    pub part: Option<String>,
    /// Its side.
    pub side: Option<Side>,
    /// Its take.
    pub take: Option<u16>,
    /// How it was recorded or printed.
    pub treatments: Option<Vec<Treatment>>,
    /// The name of its output, without number and extension.
    pub label: Option<String>,
    /// The group that it is sorted in.
    pub group: Option<Group>,
    /// Whether it is left out.
    pub leave_out: Option<bool>,
    /// Whether it is the rough mix or another reference.
    pub reference: Option<bool>,
    /// Where it starts.
    pub start: Option<Start>,
    /// Path of the stem that it is the newer one of; that one is left out.
    pub newer_of: Option<String>,
    /// Path of the stem that it is a stereo pair with.
    pub pair_with: Option<String>,
}

impl Start {
    /// In words, as in the file.
    pub fn words(self) -> String {
        match self {
            Self::Seconds(seconds) => format!("{seconds} s"),
            Self::Frames(frames) => format!("{frames} frames"),
        }
    }
}

impl StemAnswer {
    /// Lays what another answer says over this one.
    pub fn lay_over(&mut self, other: &Self) {
        fn take<T: Clone>(own: &mut Option<T>, other: Option<&T>) {
            if let Some(other) = other {
                *own = Some(other.clone());
            }
        }
        take(&mut self.role, other.role.as_ref());
        take(&mut self.part, other.part.as_ref());
        take(&mut self.side, other.side.as_ref());
        take(&mut self.take, other.take.as_ref());
        take(&mut self.treatments, other.treatments.as_ref());
        take(&mut self.label, other.label.as_ref());
        take(&mut self.group, other.group.as_ref());
        take(&mut self.leave_out, other.leave_out.as_ref());
        take(&mut self.reference, other.reference.as_ref());
        take(&mut self.start, other.start.as_ref());
        take(&mut self.newer_of, other.newer_of.as_ref());
        take(&mut self.pair_with, other.pair_with.as_ref());
    }

    /// Whether it speaks of the stem at `path` as another one.
    pub fn names(&self, path: &str) -> bool {
        [&self.newer_of, &self.pair_with].into_iter().any(|other| other.as_deref() == Some(path))
    }

    /// What is corrected, by the keys of the file, in words.
    pub fn words(&self) -> BTreeMap<String, String> {
        let treatments = self.treatments.as_ref().map(|all| {
            let words: Vec<&str> = all.iter().map(|one| one.as_str()).collect();
            if words.is_empty() { "none".to_owned() } else { words.join(" ") }
        });
        let yes = |value: Option<bool>| value.map(|value| if value { "yes" } else { "no" }.to_owned());
        let all = [
            ("role", self.role.map(|role| role.as_str().to_owned())),
            ("part", self.part.clone()),
            ("side", self.side.map(|side| side.as_str().to_owned())),
            ("take", self.take.map(|take| take.to_string())),
            ("treatment", treatments),
            ("label", self.label.clone()),
            ("group", self.group.map(|group| group.as_str().to_owned())),
            ("leave-out", yes(self.leave_out)),
            ("reference", yes(self.reference)),
            ("start", self.start.map(Start::words)),
            ("newer-of", self.newer_of.clone()),
            ("pair-with", self.pair_with.clone()),
        ];
        all.into_iter().filter_map(|(key, words)| Some((key.to_owned(), words?))).collect()
    }

    /// The role of a stem whose name says `named`, with what the answers say of it.
    pub fn role(&self, mut named: Role) -> Role {
        if let Some(family) = self.role {
            (named.family, named.confidence) = (family, Confidence::Clear);
            family.as_str().clone_into(&mut named.matched);
        }
        if let Some(part) = &self.part {
            let said = role_of(part).details;
            (named.details.section, named.details.place) = (said.section, said.place);
            named.details.number = said.number;
        }
        named.details.side = self.side.or(named.details.side);
        named.details.take = self.take.or(named.details.take);
        if let Some(treatments) = &self.treatments {
            named.details.treatments.clone_from(treatments);
        }
        named
    }

    /// The group that it says, or that follows from the role that it says.
    pub fn group(&self) -> Option<Group> {
        self.group.or(self.role.map(Family::group))
    }
}
