//! The plan: a pure function of recipe and surveys. All judgement is made here, so none of it needs audio to be tested.

mod draft;
mod markers;
mod notice;
mod pairs;
mod relatives;
mod rough;

use loadin_record::late::Pin;
use loadin_record::link::Link;
use loadin_record::written::Measured;
use loadin_session::{Group, is_reference, role_of, without_title};
use serde::{Deserialize, Serialize};

pub use draft::{Draft, DraftChannel, DraftStem, Standing};
pub use markers::PlannedMarker;

use loadin_record::evidence::{Evidence, Proposal};
use loadin_record::finding::{Finding, Id};
use loadin_record::identity::Identity;
use loadin_record::survey::Survey;

use crate::recipe::Recipe;
use crate::stages::{self, Decision, Settings, align_starts, re_encode, resample};

/// All decisions of a delivery: pure data, printable, replayable.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Plan {
    /// The delivery's name.
    pub delivery: String,
    /// What the linked stems share.
    pub link: Link,
    /// Every stem, in the order of the outputs; stems without an output come last, by path.
    pub stems: Vec<StemPlan>,
    /// What was noticed about the delivery as a whole.
    pub findings: Vec<Finding>,
}

/// What will become of one stem.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct StemPlan {
    /// Paths of the sources inside the delivery: one, or left and right.
    pub sources: Vec<SourcePlan>,
    /// `stem` or `reference`.
    pub role: String,
    /// The group's name.
    pub group: String,
    /// Who it is, as its name says it.
    #[serde(default)]
    pub identity: Identity,
    /// What it sounds like, where its name says nothing.
    #[serde(default)]
    pub proposal: Option<Proposal>,
    /// What happens to the stem.
    pub fate: Fate,
    /// The decisions, in recipe order.
    pub decisions: Vec<Decision>,
    /// What was noticed.
    pub findings: Vec<Finding>,
    /// What the output will be; meaningful for rendered stems.
    pub output: OutputPlan,
}

/// One source of a stem, with what the render must find again.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct SourcePlan {
    /// Path inside the delivery.
    pub path: String,
    /// SHA-256 of the file; a render of other bytes fails.
    pub sha256: String,
    /// Channel count.
    pub channels: u16,
    /// Frames.
    pub frames: u64,
    /// Rate in Hz.
    pub rate_hz: u32,
}

/// Whether a stem is rendered.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(tag = "do", rename_all = "kebab-case")]
pub enum Fate {
    /// It is prepared.
    Render,
    /// It is left out.
    SetAside {
        /// Why.
        why: String,
    },
    /// It cannot be prepared.
    Fail {
        /// What is wrong.
        why: String,
    },
}

/// The output of one stem as promised.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct OutputPlan {
    /// Name without extension.
    pub label: String,
    /// Folder of its group below `audio/`; empty where there is none.
    #[serde(default)]
    pub folder: String,
    /// Rate in Hz.
    pub rate_hz: u32,
    /// Channel count.
    pub channels: u16,
    /// Frames.
    pub frames: u64,
    /// Expected sample peak, as an amplitude.
    pub peak: f64,
    /// Expected true peak, as an amplitude.
    pub true_peak: f64,
    /// Output frame 0 is this frame of the source's time line at the output rate; negative where silence was added.
    pub shift_frames: i64,
    /// Time stamp of output frame 0, in frames since midnight.
    pub timestamp_frames: u64,
    /// Speaker mask of the output, where the source's still holds.
    pub channel_mask: Option<u32>,
}

impl Plan {
    /// The stems that are rendered, in the order of the outputs.
    pub fn rendered(&self) -> impl Iterator<Item = &StemPlan> {
        self.stems.iter().filter(|stem| stem.is_rendered())
    }
}

impl OutputPlan {
    /// Folder and label: `02_Drums/03_Snare`.
    pub fn name(&self) -> String {
        if self.folder.is_empty() { self.label.clone() } else { format!("{}/{}", self.folder, self.label) }
    }
}

impl StemPlan {
    /// Path of the first source.
    pub fn path(&self) -> &str {
        &self.sources[0].path
    }

    /// Channels of all sources together.
    pub fn source_channels(&self) -> usize {
        self.sources.iter().map(|source| usize::from(source.channels)).sum()
    }

    /// Whether the stem is rendered.
    pub fn is_rendered(&self) -> bool {
        self.fate == Fate::Render
    }

    /// Bytes that the output's samples take.
    pub fn output_bytes(&self) -> u64 {
        let sample = self.write().map_or(0, |(_, storage, _)| storage.kind().bytes() as u64);
        self.output.frames.saturating_mul(u64::from(self.output.channels) * sample)
    }

    /// What is expected to be measured when it is written, for showing changes before they are made.
    pub fn expected(&self) -> Measured {
        Measured { frames: self.output.frames, peak: self.output.peak, ..Measured::default() }
    }

    /// Whether the output has the source's own depth.
    pub fn keeps_depth(&self) -> bool {
        self.decisions.iter().any(|decision| {
            matches!(decision, Decision::ReEncode(re_encode::Decision::Write { exact: true, storage, from, .. })
                if storage.as_str() == from)
        })
    }

    /// The container of the output.
    pub fn container(&self) -> re_encode::ContainerSetting {
        self.write().map_or(re_encode::ContainerSetting::Bwf, |(container, ..)| container)
    }

    /// The stated markers that its output gets.
    pub fn markers(&self) -> &[PlannedMarker] {
        let written = self.decisions.iter().find_map(|decision| match decision {
            Decision::ReEncode(re_encode::Decision::Write { markers, .. }) => Some(&markers[..]),
            _ => None,
        });
        written.unwrap_or_default()
    }

    /// How the output is stored: container, samples, and whether dither is added.
    pub fn write(&self) -> Option<(re_encode::ContainerSetting, re_encode::Storage, bool)> {
        self.decisions.iter().find_map(|decision| match decision {
            Decision::ReEncode(re_encode::Decision::Write { container, storage, dither, .. }) => {
                Some((*container, *storage, *dither))
            }
            _ => None,
        })
    }
}

/// The rate that the survey measures a source at: where the recipe's resample stage brings it.
pub fn target_hz(recipe: &Recipe, path: &str, source_hz: u32, majority_hz: u32) -> u32 {
    match recipe.stage("resample").map(|stage| stage.for_stem(path)) {
        Some(Settings::Resample(settings)) => settings.target_hz(source_hz, majority_hz),
        _ => source_hz,
    }
}

/// Whether the recipe takes the file at `path` for a reference: by its name, or by a glob of the decode stage.
pub fn takes_for_reference(recipe: &Recipe, path: &str) -> bool {
    let by_glob = match recipe.stage("decode").map(|stage| stage.for_stem(path)) {
        Some(Settings::Decode(settings)) => settings.is_reference(path),
        _ => false,
    };
    by_glob || is_reference(path).is_some()
}

/// The rate that most stems have; references have no say unless there is nothing else. A pin has it already.
pub fn majority_hz(recipe: &Recipe, files: &[(&str, u32)], pin: Option<&Pin>) -> u32 {
    if let Some(pin) = pin {
        return pin.link.majority_hz;
    }
    let stems = files.iter().filter(|(path, _)| !takes_for_reference(recipe, path)).map(|&(_, rate)| rate);
    resample::majority(stems)
        .or_else(|| resample::majority(files.iter().map(|&(_, rate)| rate)))
        .unwrap_or(48_000)
}

/// Makes the plan. `heard` is what comparing the stems has shown; `bar_seconds` is the length of a bar where tempo and
/// meter are known; a pin holds what linked stems shared before some of the files came.
pub fn plan(
    delivery: &str,
    recipe: &Recipe,
    surveys: &[Survey],
    heard: &Evidence,
    bar_seconds: Option<f64>,
    pin: Option<&Pin>,
) -> Plan {
    let rates: Vec<(&str, u32)> =
        surveys.iter().filter_map(|s| s.format.as_ref().map(|f| (s.path.as_str(), f.rate_hz))).collect();
    let paths: Vec<&str> = surveys.iter().map(|survey| survey.path.as_str()).collect();
    let spoken = without_title(&paths);
    let mut draft = Draft {
        stems: surveys.iter().zip(&spoken).map(|(survey, name)| draft_stem(recipe, survey, name)).collect(),
        majority_hz: majority_hz(recipe, &rates, pin),
        bar_seconds,
        placement: None,
        heard,
        findings: Vec::new(),
        link: Link::default(),
        pin,
    };
    draft.link.majority_hz = draft.majority_hz;
    draft.stems.sort_by(|a, b| a.path().cmp(b.path()));
    notice::notice(&mut draft);
    propose(&mut draft);
    relatives::notice(&heard.siblings, &mut draft);
    if let Some(mix) = &heard.rough_mix {
        rough::notice(mix, &mut draft);
    }
    pairs::join(recipe, &mut draft);
    for (index, stage) in recipe.stages.iter().enumerate() {
        let settings: Vec<Settings> =
            draft.stems.iter().map(|stem| stage.for_stem(stem.path()).clone()).collect();
        stages::decide(&settings, &mut draft);
        // Placement needs to know which stems go on, and trimming needs the placement.
        if index == 0 {
            place(recipe, &mut draft);
        }
    }
    finish(delivery, draft)
}

/// Says what stems sound like whose names say nothing. Their group stays as it is.
fn propose(draft: &mut Draft<'_>) {
    let heard = draft.heard;
    for stem in &mut draft.stems {
        let Some(proposal) = heard.proposals.get(stem.path()) else { continue };
        let Proposal { sounds_like, confidence, by } = proposal;
        let text = format!("its name does not say what it is; it sounds like {sounds_like} ({by})");
        let finding = Finding::new(Id::SoundsLike, text).with("sounds_like", sounds_like.as_str());
        stem.note(finding.with("confidence", *confidence));
        stem.proposal = Some(proposal.clone());
    }
}

fn place(recipe: &Recipe, draft: &mut Draft<'_>) {
    if let Some(Settings::AlignStarts(settings)) =
        recipe.stage("align-starts").map(crate::recipe::RecipeStage::base)
    {
        let first = draft.stems.first().map_or("", DraftStem::path);
        let hz = target_hz(recipe, first, draft.majority_hz, draft.majority_hz);
        align_starts::prepare(settings, draft, hz);
    }
}

/// `name` is the path without a title that sounds like a role.
fn draft_stem<'a>(recipe: &Recipe, survey: &'a Survey, name: &str) -> DraftStem<'a> {
    let role = role_of(name);
    let reference = takes_for_reference(recipe, &survey.path);
    let channels = survey.measures.as_ref().map_or(0, |measures| measures.channels.len());
    let format = survey.format.as_ref();
    DraftStem {
        sources: vec![survey],
        group: if reference { Group::Reference } else { role.group() },
        role,
        reference,
        standing: Standing::Active,
        rate_hz: format.map_or(0, |f| f.rate_hz),
        frames: survey.measures.as_ref().map_or(0, |measures| measures.source_frames),
        channels: (0..channels)
            .map(|channel| DraftChannel { source: 0, channel, scale: 1.0, shift: 0.0 })
            .collect(),
        position: 0,
        by_rough_mix: false,
        shift_frames: 0,
        grid_bits: format.filter(|f| !f.float && !f.lossy).map(|f| u32::from(f.bits)),
        decisions: Vec::new(),
        findings: Vec::new(),
        label: None,
        folder: String::new(),
        proposal: None,
    }
}

fn finish(delivery: &str, draft: Draft<'_>) -> Plan {
    let mut link = draft.link;
    // A recipe that gives no common start leaves every stem its own.
    link.timestamp_frames = link.timestamp_frames.filter(|_| draft.placement.is_some());
    let mut stems: Vec<StemPlan> =
        draft.stems.into_iter().map(|stem| stem_plan(stem, link.timestamp_frames)).collect();
    stems.sort_by_cached_key(|stem| (!stem.is_rendered(), stem.output.name(), stem.path().to_owned()));
    Plan { delivery: delivery.to_owned(), link, stems, findings: draft.findings }
}

fn stem_plan(stem: DraftStem<'_>, common_stamp: Option<u64>) -> StemPlan {
    use crate::recipe::PeakKind;
    let rendered = stem.is_active();
    let format = stem.sources[0].format.as_ref();
    let own_stamp = || {
        let frames = format.and_then(|f| f.timestamp_frames).unwrap_or(0);
        let rate_hz = format.map_or(stem.rate_hz, |f| f.rate_hz).max(1);
        loadin_audio::rescale_frames(frames, rate_hz, stem.rate_hz).saturating_add_signed(stem.shift_frames)
    };
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
        timestamp_frames: common_stamp.unwrap_or_else(own_stamp),
        channel_mask: format.and_then(|f| f.channel_mask).filter(|_| same_channels),
    };
    StemPlan {
        sources: stem.sources.iter().map(|survey| source_plan(survey)).collect(),
        role: if stem.reference { "reference" } else { "stem" }.to_owned(),
        group: stem.group.as_str().to_owned(),
        identity: Identity::from(&stem.role),
        proposal: stem.proposal,
        fate: match stem.standing {
            Standing::Active => Fate::Render,
            Standing::SetAside(why) => Fate::SetAside { why },
            Standing::Failed(why) => Fate::Fail { why },
        },
        decisions: stem.decisions,
        findings: stem.findings,
        output,
    }
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
