//! Makes the manifest from what was found, decided and written.

use std::collections::BTreeMap;

use loadin_audio::phase_frames;
use loadin_plan::answers::Answers;
use loadin_plan::music::{name_sections, session_title};
use loadin_plan::plan::StemPlan;
use loadin_plan::recipe::Recipe;
use loadin_plan::shape::{Fate, OutputPlan};
use loadin_plan::stages::label;
use loadin_record::digest::Stored;
use loadin_record::finding::{level_db, round_to};
use loadin_record::manifest::{
    DeliveryRecord, FORMAT_VERSION, Manifest, OutputRecord, Run, State, StemRecord, TimeMap, Tool,
};
use loadin_record::music::{Confidence, Fact, Facts};
use loadin_record::session::{SessionFile, is_linkable};
use loadin_record::source::source_record;
use loadin_record::written::Measured;

use super::kept::Kept;
use super::study::Study;
use crate::journal::StemOutcome;

/// The manifest of a delivery, with what stays of an earlier preparation; its `run` object is left empty.
pub(crate) fn manifest(
    recipe: &Recipe,
    study: &Study,
    rendered: &BTreeMap<String, StemOutcome>,
    kept: &Kept,
) -> Manifest {
    let plan = &study.plan;
    let recipe = &recipe.following(&study.plan.said_as);
    let mut facts = study.music.facts();
    facts.extend(study.evidence.music.facts.clone());
    if let Some(song) = recipe.song() {
        name_sections(&mut facts, song);
    }
    let rates: Vec<u32> = plan.rendered().map(|stem| stem.output.rate_hz).collect();
    if let Some(&rate_hz) = rates.first().filter(|first| rates.iter().all(|rate| rate == *first)) {
        facts.insert(
            "rate_hz".to_owned(),
            Fact {
                value: rate_hz.into(),
                source: "outputs".to_owned(),
                confidence: Confidence::Measured,
                statements: Vec::new(),
            },
        );
    }
    let (mut stems, known) = kept.records(study, rendered, recipe);
    let made = plan.stems.iter().flat_map(|stem| stem_records(stem, study, rendered.get(stem.path())));
    stems.extend(made.filter(|record| !known.contains(&record.source.path)));
    for stem in &mut stems {
        stem.said_as = recipe.said_as(&stem.source.path);
    }
    stems.sort_by_cached_key(place);
    let session_file = Some(session_file(recipe, &facts, &stems, kept));
    Manifest {
        manifest: FORMAT_VERSION,
        tool: Tool::this(),
        recipe: recipe.record(),
        answers: recipe.answers.as_ref().map(Answers::record),
        delivery: DeliveryRecord {
            name: study.inventory.name.clone(),
            files: study.inventory.files.len() + study.inventory.ignored.len(),
            song: study.inventory.song.clone(),
        },
        facts,
        link: plan.link.clone(),
        stems,
        siblings: study.evidence.siblings.clone(),
        rough_mix: study.evidence.rough_mix.clone(),
        findings: plan.findings.clone(),
        ignored: study.inventory.ignored.clone(),
        notes: study.music.notes().to_vec(),
        session_file,
        late: study.late.clone(),
        run: Run::default(),
        digest: String::new(),
    }
    .sealed()
}

/// The session file: its name, which is given once, and why there is none where there is none.
fn session_file(recipe: &Recipe, facts: &Facts, stems: &[StemRecord], kept: &Kept) -> SessionFile {
    let settings = recipe.base::<label::Settings>().cloned().unwrap_or_default();
    let outputs = || stems.iter().filter_map(|stem| stem.output.as_ref());
    let left_out = match () {
        () if !settings.session_file => Some("the recipe switches it off"),
        () if outputs().next().is_none() => Some("no stem was prepared"),
        () if !outputs().any(|output| is_linkable(&output.path)) => {
            Some("only WAV and AIFF files can be linked")
        }
        () => None,
    };
    SessionFile {
        name: kept.session_name().map_or_else(|| SessionFile::name_for(&session_title(facts)), str::to_owned),
        groups: settings.group_order().iter().map(|group| group.as_str().to_owned()).collect(),
        left_out: left_out.map(str::to_owned),
    }
}

/// In the order of the outputs, then those without by their paths; the halves of a joined pair stay as they are.
fn place(record: &StemRecord) -> (bool, String) {
    match &record.output {
        Some(output) => {
            (false, output.path.rsplit_once('.').map_or(&*output.path, |(name, _)| name).to_owned())
        }
        None => (true, record.source.path.clone()),
    }
}

/// One record a source; the halves of a joined pair share their output.
fn stem_records(stem: &StemPlan, study: &Study, rendered: Option<&StemOutcome>) -> Vec<StemRecord> {
    let surveys =
        stem.sources.iter().filter_map(|source| study.surveys.iter().find(|s| s.path == source.path));
    let done = rendered.and_then(|result| result.as_ref().ok());
    let (state, error) = match (&stem.fate, rendered) {
        (Fate::SetAside { why }, _) => (State::SetAside, Some(why.clone())),
        (Fate::Fail { why }, _) => (State::Failed, Some(why.clone())),
        (Fate::Render, Some(Err(error))) => (State::Failed, Some(error.0.clone())),
        (Fate::Render, _) => (if is_unchanged(stem) { State::Unchanged } else { State::Prepared }, None),
    };
    surveys
        .map(|survey| StemRecord {
            source: source_record(survey),
            role: stem.role,
            group: stem.group.clone(),
            identity: stem.identity.clone(),
            corrected: stem.corrected.clone(),
            said_as: None,
            proposal: stem.proposal.clone(),
            state,
            output: done.map(|(measured, stored)| output_record(stem, measured, stored)),
            time_map: done.map(|_| TimeMap {
                source_hz: stem.sources[0].rate_hz,
                output_hz: stem.output.rate_hz,
                shift_frames: stem.output.shift_frames,
                fraction_frames: fraction_frames(stem),
                place_error_frames: stem.output.place_error_frames,
            }),
            changes: done.map(|(measured, _)| stem.changes(measured)).unwrap_or_default(),
            left: stem
                .decisions
                .iter()
                .filter_map(|decision| decision.left().map(|why| (decision.stage().to_owned(), why.into())))
                .collect(),
            metadata: done.map(|(measured, _)| measured.metadata.clone()).unwrap_or_default(),
            findings: stem.findings.clone(),
            error: error.clone(),
            made_by: None,
        })
        .collect()
}

fn fraction_frames(stem: &StemPlan) -> Option<f64> {
    let OutputPlan { phase, rate_hz, .. } = stem.output;
    (phase != 0).then(|| round_to(phase_frames(phase, stem.sources[0].rate_hz, rate_hz), 6)).flatten()
}

/// Whether the samples are the source's, bit for bit: every stage that touches sound has left it alone, and the
/// storage holds the source's grid.
fn is_unchanged(stem: &StemPlan) -> bool {
    const SOUND: &[&str] =
        &["resample", "channel-fix", "dc-removal", "gain-stage", "trim-silence", "align-starts"];
    let left = stem.decisions.iter().filter(|d| SOUND.contains(&d.stage())).all(|d| d.left().is_some());
    left && stem.keeps_depth()
}

fn output_record(stem: &StemPlan, measured: &Measured, stored: &Stored) -> OutputRecord {
    let output = &stem.output;
    let kind = stem.write().map(|(_, storage, _)| storage.kind());
    OutputRecord {
        path: stem.output_path(),
        bytes: stored.bytes,
        sha256: stored.sha256.clone(),
        audio_sha256: measured.audio_sha256.clone(),
        rate_hz: output.rate_hz,
        channels: output.channels,
        bits: kind.map_or(0, |kind| kind.bits() as u16),
        float: kind.is_some_and(loadin_codec::SampleKind::is_float),
        frames: measured.frames,
        peak_dbfs: level_db(measured.peak),
        true_peak_dbtp: level_db(output.true_peak),
        timestamp_frames: output.timestamp_frames,
    }
}

/// The record that a run would write, with the measures that the plan expects; nothing is rendered, so the outputs have
/// no digests.
pub fn planned_manifest(recipe: &Recipe, study: &Study) -> Manifest {
    let planned = study.plan.rendered();
    let expected: BTreeMap<String, StemOutcome> = planned
        .map(|stem| {
            let stored = Stored { bytes: stem.output_bytes(), sha256: String::new() };
            (stem.path().to_owned(), Ok((stem.expected(), stored)))
        })
        .collect();
    manifest(recipe, study, &expected, &Kept::default())
}
