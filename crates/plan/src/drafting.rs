//! The first draft of a delivery: what its surveys say, before anything is decided. It knows no decision.

use loadin_record::evidence::Evidence;
use loadin_record::late::Pin;
use loadin_record::link::Link;
use loadin_record::role::StemRole;
use loadin_record::survey::Survey;
use loadin_session::{Group, role_of_file, without_title};

use crate::draft::{Draft, DraftChannel, DraftStem, PlacedBy};
use crate::recipe::Recipe;
use crate::shape::Fate;
use crate::stages::resample;

/// A file that may have a say in the rate of the delivery.
pub(crate) struct Voter<'a> {
    pub(crate) path: &'a str,
    pub(crate) rate_hz: u32,
    /// Whether there is sound in it, as far as is known.
    pub(crate) sounds: bool,
}

impl<'a> Voter<'a> {
    /// A surveyed file; `None` for one without a format.
    pub(crate) fn of(survey: &'a Survey) -> Option<Self> {
        let sounds = survey.measures.as_ref().is_ok_and(|measures| measures.active_frames > 0);
        Some(Self { path: &survey.path, rate_hz: survey.format.as_ref()?.rate_hz, sounds })
    }
}

/// The rate in Hz that most stems have that sound. References have no say unless there is nothing else, and what is silent or
/// cannot be read has none unless nothing sounds. A pin has it already.
pub(crate) fn majority_hz(recipe: &Recipe, voters: &[Voter<'_>], pin: Option<&Pin>) -> u32 {
    if let Some(pin) = pin {
        return pin.link.majority_hz;
    }
    let of = |wanted: &dyn Fn(&Voter<'_>) -> bool| {
        resample::majority(voters.iter().filter(|voter| wanted(voter)).map(|voter| voter.rate_hz))
    };
    of(&|voter| voter.sounds && !recipe.is_reference(voter.path))
        .or_else(|| of(&|voter| voter.sounds))
        .or_else(|| of(&|_| true))
        .unwrap_or(48_000)
}

/// Every surveyed file as a stem of its own, sorted by path.
pub(crate) fn draft<'a>(
    recipe: &Recipe,
    surveys: &'a [Survey],
    evidence: &'a Evidence,
    pin: Option<&'a Pin>,
) -> Draft<'a> {
    let voters: Vec<Voter<'_>> = surveys.iter().filter_map(Voter::of).collect();
    let paths: Vec<&str> = surveys.iter().map(|survey| survey.path.as_str()).collect();
    let spoken = without_title(&paths);
    let majority_hz = majority_hz(recipe, &voters, pin);
    let mut stems: Vec<DraftStem<'a>> =
        surveys.iter().zip(&spoken).map(|(survey, name)| draft_stem(recipe, survey, name, pin)).collect();
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
fn draft_stem<'a>(recipe: &Recipe, survey: &'a Survey, name: &str, pin: Option<&Pin>) -> DraftStem<'a> {
    let said = recipe.said_of(&survey.path);
    let role = said.role(role_of_file(name, survey.format.as_ref().map(|format| format.rate_hz)));
    // A promised stem is what it was, whatever the names around it say now.
    let promised = pin.and_then(|pin| pin.stem(&survey.path)).filter(|stem| !stem.renewed);
    let reference = promised
        .and_then(|stem| stem.role)
        .map_or_else(|| recipe.is_reference(&survey.path), |role| role == StemRole::Reference);
    let sorted = promised.and_then(|stem| Group::ALL.iter().find(|group| group.as_str() == stem.group));
    let channels = survey.measures.as_ref().map_or(0, |measures| measures.channels.len());
    let format = survey.format.as_ref();
    DraftStem {
        sources: vec![survey],
        group: match sorted {
            Some(group) => *group,
            None if reference => Group::Reference,
            None => said.group().unwrap_or_else(|| role.group()),
        },
        role,
        reference,
        fate: Fate::Render,
        rate_hz: format.map_or(0, |f| f.rate_hz),
        frames: survey.measures.as_ref().map_or(0, |measures| measures.source_frames),
        channels: (0..channels).map(|channel| whole_channel(survey, channel)).collect(),
        position: 0,
        placed_by: PlacedBy::File,
        shift_frames: 0,
        grid_bits: format.filter(|f| !f.float && !f.lossy).map(|f| u32::from(f.bits)),
        untouched: true,
        findings: Vec::new(),
        label: None,
        folder: String::new(),
        proposal: None,
        left_out: recipe.leaves_out(&survey.path),
        said,
    }
}

/// A channel as the file has it: what was taken away before it was measured is there again.
fn whole_channel(survey: &Survey, channel: usize) -> DraftChannel {
    let subtracted = survey.measures.as_ref().ok().and_then(|measures| measures.subtracted.get(channel));
    DraftChannel { source: 0, channel, scale: 1.0, shift: subtracted.copied().unwrap_or(0.0) }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::testing::{recipe, stem, with_draft};

    #[test]
    fn most_stems_say_the_rate_and_references_only_among_themselves() {
        let rate = |files: &[(&'static str, u32)], pin: Option<&Pin>| {
            let voter =
                |&(path, rate_hz): &(&'static str, u32)| Voter { path, rate_hz, sounds: path != "mute.wav" };
            let voters: Vec<Voter<'_>> = files.iter().map(voter).collect();
            majority_hz(&recipe("references = [\"*amp*\"]"), &voters, pin)
        };
        let files = [("Bass.wav", 44_100), ("Bass Amp.wav", 96_000), ("Rough Mix.wav", 96_000)];
        assert_eq!(rate(&files, None), 44_100);
        assert_eq!(rate(&files[1..], None), 96_000);
        assert_eq!(rate(&[("a.wav", 44_100), ("b.wav", 48_000)], None), 48_000, "of equals, the higher");
        assert_eq!(rate(&[], None), 48_000);
        let silent = ("mute.wav", 192_000);
        assert_eq!(rate(&[("a.wav", 44_100), silent, silent], None), 44_100);
        assert_eq!(rate(&[("Rough Mix.wav", 96_000), silent, silent], None), 96_000);
        assert_eq!(rate(&[silent], None), 192_000);
        let link = Link { majority_hz: 88_200, ..Link::default() };
        let pin = Pin { link, ..crate::testing::pin(Link::default()) };
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
            assert!(
                stem.untouched && stem.is_active() && !stem.reference && stem.placed_by == PlacedBy::File
            );
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
