//! The tracks of a session: groups inside of each other, the order of the outputs, and where every file stands in time.

use std::collections::BTreeSet;

use loadin_record::late::{ChangeKind, Late};
use loadin_record::manifest::{Manifest, OutputRecord, StemRecord};
use loadin_record::role::StemRole;
use loadin_record::session::{SessionGroup, SessionTrack, is_linkable};
use loadin_session::{Group, GroupPlace, Placement, PlacementOptions, StemTiming, group_place, place};

use crate::page::colour;
use crate::words::label_of;

/// The tracks of a session.
pub(super) struct Tracks {
    pub(super) groups: Vec<SessionGroup>,
    pub(super) references: Vec<SessionTrack>,
    pub(super) left_out: Vec<(String, String)>,
    /// Time stamp of the session's zero, in frames at its rate.
    pub(super) first_timestamp_frames: u64,
}

/// The tracks of a manifest, whose session has this rate and begins `cut` seconds after the delivered start.
pub(super) fn tracks(manifest: &Manifest, (rate_hz, cut): (u32, f64)) -> Tracks {
    let stems = with_outputs(manifest);
    let clock = Clock::of(manifest, &stems, cut);
    let mut sorted: Vec<(GroupPlace, SessionTrack)> = Vec::new();
    let (mut references, mut left_out) = (Vec::new(), Vec::new());
    let order = order(manifest);
    for (index, (stem, output)) in stems.iter().enumerate() {
        if !is_linkable(&output.path) {
            left_out.push((output.path.to_string(), "only WAV and AIFF files can be linked".to_owned()));
            continue;
        }
        let track = track(manifest, stem, output, clock.start(index));
        match group(&stem.group).filter(|_| stem.role != StemRole::Reference) {
            Some(group) => sorted.push((group_place(group, stem.identity.section.as_deref(), &order), track)),
            None => references.push(track),
        }
    }
    // Stable: within a group the outputs keep their order.
    sorted.sort_by(|a, b| a.0.cmp(&b.0));
    let mut groups = Vec::new();
    for (place, track) in sorted {
        put(&mut groups, &place, track);
    }
    Tracks { groups, references, left_out, first_timestamp_frames: clock.zero(rate_hz) }
}

/// Every output once, with the first stem that it is made of.
fn with_outputs(manifest: &Manifest) -> Vec<(&StemRecord, &OutputRecord)> {
    let mut seen = BTreeSet::new();
    let stems = manifest.stems.iter().filter_map(|stem| Some((stem, stem.output.as_ref()?)));
    stems.filter(|(_, output)| seen.insert(output.path.as_str())).collect()
}

/// The recipe's order of the groups.
fn order(manifest: &Manifest) -> Vec<Group> {
    let named = manifest.session_file.iter().flat_map(|file| &file.groups);
    named.filter_map(|name| group(name)).collect()
}

/// The group of that name; references are no group of a session, and what nobody knows is unsorted.
fn group(name: &str) -> Option<Group> {
    let known = Group::ALL.iter().copied().find(|group| group.as_str() == name);
    Some(known.unwrap_or(Group::Unsorted)).filter(|group| *group != Group::Reference)
}

/// Puts a track into the group at a place; groups are made as they are met.
fn put(groups: &mut Vec<SessionGroup>, place: &[(usize, String)], track: SessionTrack) {
    let [(_, name), inner @ ..] = place else { return };
    let name = capital(name);
    if groups.last().is_none_or(|last| last.name != name) {
        groups.push(SessionGroup { name, colour: track.colour.clone(), ..SessionGroup::default() });
    }
    if let Some(group) = groups.last_mut() {
        if inner.is_empty() { group.tracks.push(track) } else { put(&mut group.groups, inner, track) }
    }
}

fn capital(name: &str) -> String {
    let mut chars = name.chars();
    chars.next().map(|first| first.to_uppercase().collect::<String>() + chars.as_str()).unwrap_or_default()
}

fn track(manifest: &Manifest, stem: &StemRecord, output: &OutputRecord, start_seconds: f64) -> SessionTrack {
    let sources: Vec<&str> = manifest.made_into(&output.path).map(|stem| stem.source.path.as_str()).collect();
    let late = manifest.late.as_ref().and_then(|late| came_late(late, &sources));
    let from = sources.join(" + ");
    SessionTrack {
        name: label_of(&output.path).to_owned(),
        comment: late.map_or(from.clone(), |what| format!("late ({what}): {from}")),
        colour: colour(&stem.group).map(str::to_owned),
        path: output.path.to_string(),
        rate_hz: output.rate_hz.max(1),
        channels: output.channels,
        frames: output.frames,
        start_seconds,
    }
}

/// Whether a file of these came or was replaced at the last visit that changed something.
fn came_late(late: &Late, sources: &[&str]) -> Option<&'static str> {
    let came = |what| matches!(what, ChangeKind::Added | ChangeKind::Replaced);
    let file = late.files.iter().find(|file| came(file.what) && sources.contains(&file.path.as_str()));
    file.map(|file| file.what.as_str())
}

/// Where every output begins.
struct Clock {
    starts: Vec<f64>,
    /// Time stamp of zero, in seconds since midnight.
    zero_seconds: f64,
    /// The same in frames, where all outputs share one start.
    common: Option<u64>,
}

impl Clock {
    /// All at zero where there is one start. Else by time stamp where all stamps are plausible together, and by what was cut
    /// of each where they are not: files without stamps start together.
    fn of(manifest: &Manifest, stems: &[(&StemRecord, &OutputRecord)], cut: f64) -> Self {
        if let Some(common) = manifest.link.timestamp_frames {
            return Self { starts: vec![0.0; stems.len()], zero_seconds: 0.0, common: Some(common) };
        }
        let placement = place(&stems.iter().map(timing).collect::<Vec<_>>(), &PlacementOptions::default());
        let origin =
            placement.origin().map_or(0.0, |(frames, rate_hz)| frames as f64 / f64::from(rate_hz.max(1)));
        let starts = (0..stems.len()).map(|index| (start(&placement, index, stems[index]) - cut).max(0.0));
        Self { starts: starts.collect(), zero_seconds: origin + cut, common: None }
    }

    fn start(&self, index: usize) -> f64 {
        self.starts[index]
    }

    fn zero(&self, rate_hz: u32) -> u64 {
        self.common.unwrap_or_else(|| (self.zero_seconds * f64::from(rate_hz)).round() as u64)
    }
}

/// The stem as it was delivered, at the rate of its output: where its first frame stood.
fn timing((stem, output): &(&StemRecord, &OutputRecord)) -> StemTiming {
    let stamped = stem.source.timestamp_frames.is_some();
    let delivered = output.timestamp_frames.saturating_add_signed(shift(stem).saturating_neg());
    StemTiming {
        timestamp_frames: Some(delivered).filter(|_| stamped),
        rate_hz: output.rate_hz.max(1),
        frames: output.frames,
        reference: stem.role == StemRole::Reference,
    }
}

fn shift(stem: &StemRecord) -> i64 {
    stem.time_map.as_ref().map_or(0, |map| map.shift_frames)
}

/// Seconds from the first delivered frame of all to the first frame of an output.
fn start(placement: &Placement, index: usize, (stem, output): (&StemRecord, &OutputRecord)) -> f64 {
    let rate_hz = output.rate_hz.max(1);
    let frames = placement.start_in(index, rate_hz).saturating_add(shift(stem));
    frames as f64 / f64::from(rate_hz)
}
