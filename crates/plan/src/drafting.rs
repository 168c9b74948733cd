//! The first draft of a delivery: what its surveys say, before anything is decided. It knows no decision.

use loadin_record::evidence::Evidence;
use loadin_record::late::Pin;
use loadin_record::link::Link;
use loadin_record::survey::Survey;
use loadin_session::{Group, role_of, without_title};

use crate::draft::{Draft, DraftChannel, DraftStem};
use crate::recipe::Recipe;
use crate::shape::Fate;
use crate::stages::resample;

/// The rate in Hz that most stems have; references have no say unless there is nothing else. A pin has it already.
pub fn majority_hz(recipe: &Recipe, files: &[(&str, u32)], pin: Option<&Pin>) -> u32 {
    if let Some(pin) = pin {
        return pin.link.majority_hz;
    }
    let stems = files.iter().filter(|(path, _)| !recipe.is_reference(path)).map(|&(_, rate)| rate);
    resample::majority(stems)
        .or_else(|| resample::majority(files.iter().map(|&(_, rate)| rate)))
        .unwrap_or(48_000)
}

/// Every surveyed file as a stem of its own, sorted by path.
pub(crate) fn draft<'a>(
    recipe: &Recipe,
    surveys: &'a [Survey],
    evidence: &'a Evidence,
    pin: Option<&'a Pin>,
) -> Draft<'a> {
    let rates: Vec<(&str, u32)> =
        surveys.iter().filter_map(|s| s.format.as_ref().map(|f| (s.path.as_str(), f.rate_hz))).collect();
    let paths: Vec<&str> = surveys.iter().map(|survey| survey.path.as_str()).collect();
    let spoken = without_title(&paths);
    let majority_hz = majority_hz(recipe, &rates, pin);
    let mut stems: Vec<DraftStem<'a>> =
        surveys.iter().zip(&spoken).map(|(survey, name)| draft_stem(recipe, survey, name)).collect();
    stems.sort_by(|a, b| a.path().cmp(b.path()));
    Draft {
        stems,
        majority_hz,
        bar_seconds: None,
        starts: None,
        evidence,
        findings: Vec::new(),
        link: Link { majority_hz, ..Link::default() },
        pin,
    }
}

/// `name` is the path without a title that sounds like a role.
fn draft_stem<'a>(recipe: &Recipe, survey: &'a Survey, name: &str) -> DraftStem<'a> {
    let role = role_of(name);
    let reference = recipe.is_reference(&survey.path);
    let channels = survey.measures.as_ref().map_or(0, |measures| measures.channels.len());
    let format = survey.format.as_ref();
    DraftStem {
        sources: vec![survey],
        group: if reference { Group::Reference } else { role.group() },
        role,
        reference,
        fate: Fate::Render,
        rate_hz: format.map_or(0, |f| f.rate_hz),
        frames: survey.measures.as_ref().map_or(0, |measures| measures.source_frames),
        channels: (0..channels)
            .map(|channel| DraftChannel { source: 0, channel, scale: 1.0, shift: 0.0 })
            .collect(),
        position: 0,
        by_rough_mix: false,
        shift_frames: 0,
        grid_bits: format.filter(|f| !f.float && !f.lossy).map(|f| u32::from(f.bits)),
        untouched: true,
        findings: Vec::new(),
        label: None,
        folder: String::new(),
        proposal: None,
    }
}
