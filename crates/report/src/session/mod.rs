//! The session of a manifest: one value from which `session.mid` and the session file are written. It writes neither.

mod bars;
mod music;
mod tracks;

pub(crate) use bars::bar_lines;
use loadin_record::manifest::{Manifest, OutputRecord};
use loadin_record::session::Session;

/// The session of the prepared stems; `None` where there are none. Its zero is their first frame; where a client's MIDI file
/// gives times, its start is taken for the common start of the delivery.
pub(crate) fn session(manifest: &Manifest) -> Option<Session> {
    let rate_hz = main_rate(manifest)?;
    let cut = manifest.link.trim_head_frames as f64 / f64::from(rate_hz);
    let mut notes = Vec::new();
    if cut > 0.0 {
        notes.push(format!(
            "Zero is the first frame of the prepared stems: {cut:.6} s of the delivered start were cut."
        ));
    }
    let music = music::music(manifest, cut, &mut notes);
    let tracks = tracks::tracks(manifest, (rate_hz, cut));
    let name = manifest.facts.get("session_name").and_then(|fact| fact.value.as_str());
    Some(Session {
        title: name.unwrap_or(&manifest.delivery.name).to_owned(),
        notes,
        rate_hz,
        first_timestamp_frames: tracks.first_timestamp_frames,
        seconds: manifest.outputs().map(seconds).fold(0.0, f64::max),
        groups: tracks.groups,
        references: tracks.references,
        tempi: music.tempi,
        meters: music.meters,
        key: music.key,
        markers: music.markers,
        sections: music.sections,
        left_out: tracks.left_out,
    })
}

fn seconds(output: &OutputRecord) -> f64 {
    output.frames as f64 / f64::from(output.rate_hz.max(1))
}

/// The rate that most outputs have; the higher of equals.
fn main_rate(manifest: &Manifest) -> Option<u32> {
    let mut counts = std::collections::BTreeMap::new();
    for output in manifest.outputs() {
        *counts.entry(output.rate_hz.max(1)).or_insert(0usize) += 1;
    }
    counts.into_iter().max_by_key(|&(_, count)| count).map(|(rate_hz, _)| rate_hz)
}
