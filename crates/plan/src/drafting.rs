//! The first draft of a delivery: what its surveys say, before anything is decided. It knows no decision.

use loadin_record::evidence::Evidence;
use loadin_record::late::Pin;
use loadin_record::link::Link;
use loadin_record::survey::Survey;
use loadin_session::{Group, role_of_file, without_title};

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
    let role = role_of_file(name, survey.format.as_ref().map(|format| format.rate_hz));
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

#[cfg(test)]
mod tests {
    use std::collections::BTreeMap;

    use super::*;
    use crate::testing::{recipe, stem, with_draft};

    #[test]
    fn most_stems_say_the_rate_and_references_only_among_themselves() {
        let rate = |files: &[(&str, u32)], pin: Option<&Pin>| {
            majority_hz(&recipe("references = [\"*amp*\"]"), files, pin)
        };
        let files = [("Bass.wav", 44_100), ("Bass Amp.wav", 96_000), ("Rough Mix.wav", 96_000)];
        assert_eq!(rate(&files, None), 44_100);
        assert_eq!(rate(&files[1..], None), 96_000);
        assert_eq!(rate(&[("a.wav", 44_100), ("b.wav", 48_000)], None), 48_000, "of equals, the higher");
        assert_eq!(rate(&[], None), 48_000);
        let link = Link { majority_hz: 88_200, ..Link::default() };
        let pin = Pin { link, stems: BTreeMap::new() };
        assert_eq!(rate(&files, Some(&pin)), 88_200);
    }

    /// Integers lie on the grid of their bits; what a float or a lossy codec gives lies on none.
    #[test]
    fn a_stem_begins_as_its_survey_says_and_changed_by_nothing() {
        let stems = [
            stem("a.wav").with_format(|format| format.lossy = true),
            stem("b.wav").with_format(|format| (format.float, format.bits) = (true, 32)),
            stem("c.wav").rate(44_100).channels(&[0.5, 0.25]),
            stem("d.wav").unreadable("it is torn"),
        ];
        with_draft(&recipe(""), stems.into_iter().rev(), |draft| {
            let grids: Vec<Option<u32>> = draft.stems.iter().map(|stem| stem.grid_bits).collect();
            assert_eq!(grids, [None, None, Some(24), Some(24)], "in the order of the paths");
            let stem = &draft.stems[2];
            assert_eq!((stem.path(), stem.rate_hz, stem.frames), ("c.wav", 44_100, 192_000));
            let of = |channel: usize| DraftChannel { source: 0, channel, scale: 1.0, shift: 0.0 };
            assert_eq!(stem.channels, [of(0), of(1)]);
            assert!(stem.untouched && stem.is_active() && !stem.reference && !stem.by_rough_mix);
            assert_eq!((stem.position, stem.shift_frames), (0, 0));
            assert_eq!((draft.stems[3].frames, draft.stems[3].channels.len()), (0, 0));
        });
    }

    /// "Bass" is a title where every name begins with it and says something else behind it.
    #[test]
    fn a_title_that_sounds_like_a_role_says_nothing_of_a_stem() {
        let names =
            ["BassStreet_Gtr.wav", "BassStreet_Kick.wav", "BassStreet_Snare.wav", "BassStreet_Vox.wav"];
        with_draft(&recipe(""), names.map(stem), |draft| {
            let groups: Vec<&str> = draft.stems.iter().map(|stem| stem.group.as_str()).collect();
            assert_eq!(groups, ["guitars", "kick and bass", "drums", "lead vocals"]);
        });
    }
}
