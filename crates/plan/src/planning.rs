//! Makes the plan: a pure function of recipe, surveys and evidence. All judgement is made here and in the stages, so none of
//! it needs audio to be tested.

use std::collections::BTreeMap;

use loadin_record::evidence::Evidence;
use loadin_record::finding::{Finding, Id, round_to};
use loadin_record::late::Pin;
use loadin_record::link::Link;
use loadin_record::music::{Facts, bar_seconds};
use loadin_record::role::StemRole;
use loadin_record::survey::{FileFacts, Survey};
use loadin_session::StemTiming;

use crate::answers::{Start, identity};
use crate::draft::{Draft, DraftStem, PlacedBy};
use crate::drafting::draft;
use crate::markers::write_markers;
use crate::music::{Music, markers_in};
use crate::notice;
use crate::placement::{Candidate, StemStarts};
use crate::plan::{Plan, StemPlan};
use crate::recipe::{Recipe, RecipeStage};
use crate::settled::settle;
use crate::shape::{OutputPlan, SourcePlan};
use crate::stages::{self, Decision, Settings, align_starts, resample};
use crate::values::PeakKind;

/// All that a plan rests on.
#[derive(Clone, Copy)]
pub struct Given<'a> {
    /// The delivery's name.
    pub delivery: &'a str,
    /// The recipe.
    pub recipe: &'a Recipe,
    /// What was measured.
    pub surveys: &'a [Survey],
    /// Where every stem starts: what [`starts`] has said.
    pub starts: &'a StemStarts,
    /// What comparing the stems has shown.
    pub evidence: &'a Evidence,
    /// What linked stems shared before some of the files came.
    pub pin: Option<&'a Pin>,
    /// The facts that a finished preparation was made by: a note that comes later must not move what is prepared.
    pub earlier: Option<&'a Facts>,
}

/// A plan, and what is stated of the music once every stem has its place.
pub struct Planned {
    /// The plan.
    pub plan: Plan,
    /// What is stated, with markers on the time line of the delivery.
    pub music: Music,
}

/// Where every surveyed stem starts: by the recipe's `align-starts`, or by its defaults where the recipe aligns nothing.
/// Stems that do not go on have no say.
pub fn starts(recipe: &Recipe, surveys: &[Survey], pin: Option<&Pin>) -> StemStarts {
    let evidence = Evidence::default();
    let mut draft = draft(recipe, surveys, &evidence, pin);
    notice::pairs::join(recipe, &mut draft);
    if let Some(decode) = recipe.stages.first() {
        decide(decode, &mut draft);
    }
    let candidate = |stem: &DraftStem<'_>| {
        let format = stem.sources[0].format.as_ref();
        Candidate {
            paths: stem.sources.iter().map(|survey| survey.path.clone()).collect(),
            timing: StemTiming {
                timestamp_frames: format.and_then(|f| f.timestamp_frames),
                rate_hz: format.map_or(1, |f| f.rate_hz.max(1)),
                frames: stem.sources[0].measures.as_ref().map_or(0, |m| m.source_frames),
                reference: stem.reference || !stem.is_active(),
            },
        }
    };
    let starts = place(recipe, &draft.stems.iter().map(candidate).collect::<Vec<_>>(), pin);
    let said =
        draft.stems.iter().flat_map(|stem| &stem.sources).filter_map(|survey| said_start(recipe, survey));
    starts.answered(said.collect())
}

/// Where the answers let a file start: frames, and their rate.
fn said_start(recipe: &Recipe, survey: &Survey) -> Option<(String, (u64, u32))> {
    let rate_hz = survey.format.as_ref()?.rate_hz;
    let start = match recipe.said_of(&survey.path).start? {
        Start::Frames(frames) => (frames, rate_hz),
        Start::Seconds(seconds) => ((seconds * 1e6).round() as u64, 1_000_000),
    };
    Some((survey.path.clone(), start))
}

/// The same by what the files' headers say, for whoever measures nothing.
pub fn stated_starts(recipe: &Recipe, files: &[FileFacts]) -> StemStarts {
    stated_starts_with(recipe, files, None)
}

pub(crate) fn stated_starts_with(recipe: &Recipe, files: &[FileFacts], pin: Option<&Pin>) -> StemStarts {
    let candidate = |file: &FileFacts| {
        let format = file.format.as_ref().ok()?;
        let timing = StemTiming {
            timestamp_frames: format.timestamp_frames,
            rate_hz: format.rate_hz.max(1),
            frames: format.frames.unwrap_or(0),
            reference: recipe.is_reference(&file.path),
        };
        Some(Candidate { paths: vec![file.path.clone()], timing })
    };
    place(recipe, &files.iter().filter_map(candidate).collect::<Vec<_>>(), pin)
}

fn place(recipe: &Recipe, candidates: &[Candidate], pin: Option<&Pin>) -> StemStarts {
    let settings = recipe.base::<align_starts::Settings>().cloned().unwrap_or_default();
    StemStarts::new(&align_starts::placement_options(&settings, pin), candidates)
}

/// Makes the plan: every decision, every finding and every marker. `music` is what is stated of the music; a length in bars
/// holds where it knows tempo and meter.
pub fn plan(given: &Given<'_>, music: Music) -> Planned {
    let Given { recipe, evidence, .. } = *given;
    let aligned = recipe.base::<align_starts::Settings>();
    let mut draft = draft(recipe, given.surveys, evidence, given.pin);
    draft.bar_seconds = given.earlier.map_or_else(|| bar_seconds(&music.facts()), bar_seconds);
    draft.starts = aligned.map(|_| given.starts);
    notice::notice(&mut draft);
    notice::pairs::join(recipe, &mut draft);
    let decisions = decide_all(recipe, aligned, &mut draft);
    let mut plan = finish(given.delivery, draft, decisions);
    let music = placed(music, given.starts, &plan);
    // A finished preparation keeps the markers that it has.
    let facts = given.earlier.map_or_else(|| music.facts(), Clone::clone);
    write_markers(&mut plan, recipe, &facts.get("markers").map_or_else(Vec::new, markers_in));
    plan.findings.extend(music.findings());
    plan.findings.extend(evidence.music.findings.iter().cloned());
    settle(recipe, &mut plan);
    Planned { plan, music }
}

/// What is stated of the music, with the markers of every file where the plan has put it, and of one that is not rendered
/// where it would start.
pub fn placed(music: Music, starts: &StemStarts, plan: &Plan) -> Music {
    let mut seconds = starts.seconds();
    for stem in plan.rendered() {
        let start = plan.start_seconds(stem);
        seconds.extend(stem.sources.iter().map(|source| (source.path.clone(), start)));
    }
    music.placed(seconds)
}

/// The decisions of all stages, in recipe order, for every stem of the draft.
fn decide_all(
    recipe: &Recipe,
    aligned: Option<&align_starts::Settings>,
    draft: &mut Draft<'_>,
) -> Vec<Vec<Decision>> {
    let mut decisions = vec![Vec::with_capacity(recipe.stages.len()); draft.stems.len()];
    let mut add = |stage: &RecipeStage, draft: &mut Draft<'_>| {
        let of_stage = decide(stage, draft);
        decisions.iter_mut().zip(of_stage).for_each(|(of_stem, decision)| of_stem.push(decision));
    };
    // `decode` comes first in every recipe, and says who goes on.
    let Some((decode, others)) = recipe.stages.split_first() else { return decisions };
    add(decode, draft);
    if let Some(settings) = aligned {
        let first = draft.stems.first().map_or("", DraftStem::path);
        let target_hz = recipe.target_hz(first, draft.majority_hz, draft.majority_hz);
        align_starts::take_places(settings, draft, target_hz);
    }
    for stage in others {
        add(stage, draft);
    }
    decisions
}

pub(crate) fn decide(stage: &RecipeStage, draft: &mut Draft<'_>) -> Vec<Decision> {
    let settings: Vec<Settings> =
        draft.stems.iter().map(|stem| stage.for_stem(stem.path()).clone()).collect();
    stages::decide(&settings, draft)
}

fn finish(delivery: &str, draft: Draft<'_>, decisions: Vec<Vec<Decision>>) -> Plan {
    let mut link = match draft.pin {
        Some(pin) => pin.link_with(draft.link.gains),
        None => draft.link,
    };
    // A recipe that gives no common start leaves every stem its own.
    link.timestamp_frames = link.timestamp_frames.filter(|_| draft.starts.is_some());
    let stems = draft.stems.into_iter().zip(decisions);
    let mut stems: Vec<StemPlan> = stems.map(|(stem, decisions)| stem_plan(stem, decisions, &link)).collect();
    stems.sort_by_cached_key(|stem| (!stem.is_rendered(), stem.output.name(), stem.path().to_owned()));
    let said_as = BTreeMap::new();
    Plan { delivery: delivery.to_owned(), link, stems, findings: draft.findings, said_as }
}

fn stem_plan(mut stem: DraftStem<'_>, decisions: Vec<Decision>, link: &Link) -> StemPlan {
    let rendered = stem.is_active();
    let format = stem.sources[0].format.as_ref();
    let own_stamp = || {
        let frames = format.and_then(|f| f.timestamp_frames).unwrap_or(0);
        let rate_hz = format.map_or(stem.rate_hz, |f| f.rate_hz).max(1);
        loadin_audio::rescale_frames(frames, rate_hz, stem.rate_hz).saturating_add_signed(stem.shift_frames)
    };
    let timestamp_frames = link.timestamp_frames.unwrap_or_else(own_stamp);
    let by_stamp = (link.by_stamps || link.timestamp_frames.is_none()) && stem.placed_by == PlacedBy::File;
    let placed = timestamp_frames as i64 - stem.shift_frames;
    let converted =
        decisions.iter().any(|d| matches!(d, Decision::Resample(resample::Decision::Convert { .. })));
    let phase = if rendered && by_stamp && converted { phase(&stem, placed) } else { None };
    let place_error_frames =
        if rendered && by_stamp && phase.is_none() { place_error(&stem, placed) } else { None };
    if let Some(error) = place_error_frames.filter(|error| error.abs() > AUDIBLE_FRACTION) {
        stem.note(place_fraction(error, stem.rate_hz));
    }
    let same_channels =
        stem.sources.len() == 1 && format.is_some_and(|f| usize::from(f.channels) == stem.channels.len());
    let output = OutputPlan {
        label: stem.label.clone().filter(|_| rendered).unwrap_or_default(),
        folder: if rendered { stem.folder.clone() } else { String::new() },
        rate_hz: stem.rate_hz,
        channels: stem.channels.len() as u16,
        frames: if rendered { stem.frames } else { 0 },
        peak: if rendered { stem.peak(PeakKind::Sample) } else { 0.0 },
        true_peak: if rendered { stem.peak(PeakKind::True) } else { 0.0 },
        shift_frames: stem.shift_frames,
        place_error_frames,
        phase: phase.unwrap_or(0),
        timestamp_frames,
        channel_mask: format.and_then(|f| f.channel_mask).filter(|_| same_channels),
    };
    StemPlan {
        sources: stem.sources.iter().map(|survey| source_plan(survey)).collect(),
        role: if stem.reference { StemRole::Reference } else { StemRole::Stem },
        group: stem.group.as_str().to_owned(),
        identity: identity(&stem.said, &stem.role),
        corrected: stem.corrected(),
        proposal: stem.proposal,
        fate: stem.fate,
        decisions,
        findings: stem.findings,
        output,
    }
}

/// A fraction of a frame from here on is worth a finding: beside a second microphone of the same source it moves the top of
/// the spectrum by degrees (common practice, no source).
const AUDIBLE_FRACTION: f64 = 0.1;

/// The fraction of a frame at which a converted stem begins to stand just where its stamp says, when its first frame is frame
/// `placed` of the clock; `None` where this change of rate begins on frames alone, and for what was not placed by its stamp.
fn phase(stem: &DraftStem<'_>, placed: i64) -> Option<i64> {
    let format = stem.sources[0].format.as_ref()?;
    loadin_audio::starting_phase(placed, format.timestamp_frames?, format.rate_hz, stem.rate_hz)
}

/// By how many frames of the output a stem stands later than its stamp says, where less than a frame is left of it: what is
/// further away was not placed by its stamp. `placed` is the frame of the clock that its first frame stands on.
fn place_error(stem: &DraftStem<'_>, placed: i64) -> Option<f64> {
    let format = stem.sources[0].format.as_ref()?;
    let (stamp, stamp_hz) = (i128::from(format.timestamp_frames?), i128::from(format.rate_hz.max(1)));
    // In integers up to the end, since a day has more frames than a float has digits for their fractions.
    let error = i128::from(placed) * stamp_hz - stamp * i128::from(stem.rate_hz);
    let error = (error != 0 && error.abs() < stamp_hz).then(|| error as f64 / stamp_hz as f64)?;
    round_to(error, 6)
}

fn place_fraction(error: f64, rate_hz: u32) -> Finding {
    let (frames, direction) = (error.abs(), if error > 0.0 { "later" } else { "earlier" });
    let text = format!(
        "its time stamp falls between two frames at {rate_hz} Hz: it stands {frames:.2} of a frame ({:.1} µs) {direction} than \
         it says, which matters only beside another microphone of the same source",
        1e6 * frames / f64::from(rate_hz.max(1))
    );
    Finding::new(Id::PlaceFraction, text).with("frames", error).with("rate_hz", rate_hz)
}

fn source_plan(survey: &Survey) -> SourcePlan {
    let format = survey.format.as_ref();
    SourcePlan {
        path: survey.path.clone(),
        sha256: survey.sha256.clone(),
        channels: format.map_or(0, |f| f.channels),
        frames: survey.measures.as_ref().map_or(0, |m| m.source_frames),
        rate_hz: format.map_or(0, |f| f.rate_hz),
    }
}

#[cfg(test)]
mod tests;
