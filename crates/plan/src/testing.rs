//! Surveys and drafts for the tests of decisions, built by hand: no audio, no file.

mod processors;

use std::collections::BTreeMap;

use loadin_record::evidence::Evidence;
use loadin_record::finding::{Finding, Id};
use loadin_record::late::Pin;
use loadin_record::link::Link;
use loadin_record::music::Facts;
use loadin_record::survey::{
    ChannelMeasures, DamageFacts, EnvelopeChannel, EnvelopeFacts, Failure, FileFacts, FormatFacts, Inventory,
    Measures, OffsetFacts, Range, RelationFacts, Survey, Unusable,
};
use loadin_record::written::Measured;
use serde::de::DeserializeOwned;

use crate::draft::{Draft, DraftChannel, DraftStem};
use crate::drafting;
use crate::music::Music;
use crate::placement::StemStarts;
use crate::planning::{self, Given, Planned};
use crate::recipe::Recipe;
use crate::shape::{OutputPlan, Shape};

pub(crate) use self::processors::{processed, through};

/// Frames of a window of an envelope: 10 ms at 48 kHz.
pub(crate) const WINDOW: u64 = 480;

/// The head of a recipe.
pub(crate) const HEAD: &str = "recipe = 1\nname = \"test\"\nrevision = 1\n";

/// A recipe of the stages that are needed, with `middle` between `decode` and `label`.
pub(crate) fn recipe(middle: &str) -> Recipe {
    let text = format!(
        "{HEAD}[[stage]]\nstage = \"decode\"\n{middle}\n[[stage]]\nstage = \"label\"\n[[stage]]\nstage = \"re-encode\"\n"
    );
    Recipe::parse(&text).unwrap()
}

/// A surveyed file that is built by hand.
#[derive(Debug, Clone)]
pub(crate) struct Stem(Survey);

/// A mono file of 4 s at 48 kHz and 24 bits that sounds from start to end between −0.5 and 0.5.
pub(crate) fn stem(path: &str) -> Stem {
    let format = FormatFacts {
        container: "WAV".to_owned(),
        codec: "PCM".to_owned(),
        rate_hz: 48_000,
        channels: 1,
        bits: 24,
        float: false,
        lossy: false,
        channel_mask: None,
        frames: Some(192_000),
        timestamp_frames: None,
        markers: Vec::new(),
        repairs: Vec::new(),
    };
    let measures = Measures {
        source_frames: 192_000,
        source_peak: 0.5,
        target_hz: 48_000,
        target_frames: 192_000,
        subtracted: Vec::new(),
        phase: 0,
        channels: Vec::new(),
        relation: None,
        clips: Vec::new(),
        over_full_scale: 0,
        beyond: None,
        active_frames: 192_000,
        loudness_lufs: None,
        content: format!("content of {path}"),
        damage: Vec::new(),
        envelope: EnvelopeFacts {
            rate_hz: 48_000,
            window_frames: WINDOW,
            frames: 192_000,
            channels: Vec::new(),
        },
    };
    let survey = Survey {
        path: path.to_owned(),
        bytes: 576_044,
        sha256: format!("{:0>64}", path.len()),
        format: Some(format),
        measures: Ok(measures),
    };
    Stem(survey).channels(&[0.5])
}

impl Stem {
    fn format(&mut self) -> &mut FormatFacts {
        self.0.format.as_mut().unwrap()
    }

    fn measures(&mut self) -> &mut Measures {
        self.0.measures.as_mut().unwrap()
    }

    /// Changes the format.
    pub(crate) fn with_format(mut self, change: impl FnOnce(&mut FormatFacts)) -> Self {
        change(self.format());
        self
    }

    /// Changes what was measured.
    pub(crate) fn with(mut self, change: impl FnOnce(&mut Measures)) -> Self {
        change(self.measures());
        self
    }

    /// Another rate in Hz, which stays; so do the number of frames and the frames of a window.
    pub(crate) fn rate(mut self, rate_hz: u32) -> Self {
        self.format().rate_hz = rate_hz;
        self.measures().target_hz = rate_hz;
        self.measures().envelope.rate_hz = rate_hz;
        self
    }

    /// The rate in Hz that it is measured for, with as many frames as it has there.
    pub(crate) fn measured_at(mut self, target_hz: u32) -> Self {
        let frames =
            loadin_audio::rescale_frames(self.measures().source_frames, self.format().rate_hz, target_hz);
        self.measures().target_hz = target_hz;
        self.measures().target_frames = frames;
        self
    }

    /// Another number of frames.
    pub(crate) fn frames(mut self, frames: u64) -> Self {
        self.format().frames = Some(frames);
        let measures = self.measures();
        (measures.source_frames, measures.target_frames, measures.active_frames) = (frames, frames, frames);
        self.redraw(frames)
    }

    /// Draws the envelope anew: so many frames of sound between the extremes of every channel.
    fn redraw(mut self, frames: u64) -> Self {
        let windows = frames.div_ceil(WINDOW) as usize;
        let measures = self.measures();
        measures.envelope.frames = frames;
        let channel = |measured: &ChannelMeasures| {
            let (min, max) = (measured.sample.min as f32, measured.sample.max as f32);
            let power = (measured.sample.max * measured.sample.max / 2.0) as f32;
            EnvelopeChannel {
                min: vec![min; windows],
                max: vec![max; windows],
                sum: vec![0.0; windows],
                sum_sq: vec![power * WINDOW as f32; windows],
            }
        };
        measures.envelope.channels = measures.channels.iter().map(channel).collect();
        self
    }

    /// These channels, each between minus and plus its peak (an amplitude; 0 is digital silence).
    pub(crate) fn channels(mut self, peaks: &[f64]) -> Self {
        self.format().channels = peaks.len() as u16;
        let channel = |&peak: &f64| ChannelMeasures {
            sample: Range { min: -peak, max: peak },
            true_peak: Range { min: -peak, max: peak },
            offset: OffsetFacts { certain: true, ..OffsetFacts::default() },
        };
        let loudest = peaks.iter().copied().fold(0.0, f64::max);
        let measures = self.measures();
        measures.channels = peaks.iter().map(channel).collect();
        measures.source_peak = loudest;
        if loudest == 0.0 {
            measures.active_frames = 0;
        }
        let relation = RelationFacts {
            max_difference: 1.0,
            worst_difference_ratio: 1.0,
            max_sum: 1.0,
            worst_sum_ratio: 1.0,
            correlation: Some(0.0),
            side_to_mid: Some(1.0),
        };
        measures.relation = (peaks.len() == 2).then_some(relation);
        let frames = measures.source_frames;
        self.redraw(frames)
    }

    /// Sounds in these frames (whole windows) alone; before and after there is digital silence.
    pub(crate) fn sounding(mut self, frames: std::ops::Range<u64>) -> Self {
        let windows = (frames.start / WINDOW) as usize..frames.end.div_ceil(WINDOW) as usize;
        let measures = self.measures();
        measures.active_frames = frames.end - frames.start;
        for channel in &mut measures.envelope.channels {
            for list in [&mut channel.min, &mut channel.max, &mut channel.sum, &mut channel.sum_sq] {
                let silent = list.iter_mut().enumerate().filter(|(window, _)| !windows.contains(window));
                silent.for_each(|(_, value)| *value = 0.0);
            }
        }
        self
    }

    /// Digital silence from start to end.
    pub(crate) fn silent(self) -> Self {
        let channels = usize::from(self.0.format.as_ref().unwrap().channels);
        self.channels(&vec![0.0; channels])
    }

    /// A time stamp in frames since midnight.
    pub(crate) fn stamp(self, frames: u64) -> Self {
        self.with_format(|format| format.timestamp_frames = Some(frames))
    }

    /// Audio that is missing.
    pub(crate) fn damaged(self, start_frame: u64, frames: u64) -> Self {
        let cause = "a torn packet".to_owned();
        self.with(|measures| measures.damage.push(DamageFacts { start_frame, frames, cause }))
    }

    /// A file that could not be measured.
    pub(crate) fn unreadable(mut self, text: &str) -> Self {
        let finding = Box::new(Finding::new(Id::Unreadable, text));
        self.0.measures = Err(Failure { text: text.to_owned(), finding });
        self
    }

    /// The survey.
    pub(crate) fn survey(self) -> Survey {
        self.0
    }
}

/// What a channel shows that rests at an offset, and begins and ends at it.
pub(crate) fn resting_at(level: f64) -> OffsetFacts {
    let edges = Range { min: level, max: level };
    OffsetFacts {
        mean: level,
        level,
        certain: true,
        edges,
        least_edge: level.abs(),
        ..OffsetFacts::default()
    }
}

/// The stem with steady offsets, one a channel.
pub(crate) fn offset(stem: Stem, levels: &[f64]) -> Stem {
    stem.with(|measures| {
        for (channel, &level) in measures.channels.iter_mut().zip(levels) {
            channel.offset = resting_at(level);
        }
    })
}

/// The files of these surveys, as they are listed.
pub(crate) fn files_of(surveys: &[Survey]) -> Vec<FileFacts> {
    let file = |survey: &Survey| {
        let format = survey.format.clone().ok_or_else(|| Unusable("no audio".to_owned()));
        FileFacts { path: survey.path.clone(), bytes: survey.bytes, format, unread: false }
    };
    surveys.iter().map(file).collect()
}

/// The surveys of several stems.
pub(crate) fn surveys(stems: impl IntoIterator<Item = Stem>) -> Vec<Survey> {
    stems.into_iter().map(Stem::survey).collect()
}

/// Makes the second stem of a draft the right side of the first.
pub(crate) fn join_first_two(draft: &mut Draft<'_>) {
    let right = draft.stems.remove(1);
    let left = &mut draft.stems[0];
    left.sources.extend(right.sources);
    left.channels.extend(right.channels.into_iter().map(|channel| DraftChannel { source: 1, ..channel }));
}

/// A draft of these stems, as it is before the first stage decides; the recipe says who is a reference.
pub(crate) fn with_draft<R>(
    recipe: &Recipe,
    stems: impl IntoIterator<Item = Stem>,
    test: impl FnOnce(&mut Draft<'_>) -> R,
) -> R {
    with_given(recipe, stems, &Evidence::default(), None, test)
}

/// Ids of the findings of a stem.
pub(crate) fn ids(findings: &[Finding]) -> Vec<&'static str> {
    findings.iter().map(|finding| finding.id.as_str()).collect()
}

/// The same with what comparing the stems has shown, and what a finished preparation has fixed.
pub(crate) fn with_given<R>(
    recipe: &Recipe,
    stems: impl IntoIterator<Item = Stem>,
    evidence: &Evidence,
    pin: Option<&Pin>,
    test: impl FnOnce(&mut Draft<'_>) -> R,
) -> R {
    let surveys = surveys(stems);
    let starts: StemStarts = planning::starts(recipe, &surveys, pin);
    let mut draft = drafting::draft(recipe, &surveys, evidence, pin);
    draft.starts = Some(&starts);
    test(&mut draft)
}

/// What a finished preparation has fixed for all stems together, and nothing of a single one.
pub(crate) fn pin(link: Link) -> Pin {
    Pin {
        link: Link { majority_hz: 48_000, ..link },
        stems: BTreeMap::new(),
        origin_frames: None,
        facts: Facts::default(),
        taken: Vec::new(),
    }
}

/// What was measured of an output of so many frames.
pub(crate) fn written(frames: u64) -> Measured {
    Measured { frames, ..Measured::default() }
}

/// An output of which nothing is said, for decisions that need to know nothing of it.
pub(crate) fn no_shape<R>(test: impl FnOnce(Shape<'_>) -> R) -> R {
    test(Shape { sources: &[], output: &OutputPlan::default() })
}

/// What a plan rests on beside its recipe and its stems.
#[derive(Default)]
pub(crate) struct Beside<'a> {
    pub(crate) evidence: Evidence,
    pub(crate) pin: Option<&'a Pin>,
    pub(crate) earlier: Option<&'a Facts>,
    /// Text notes: path and text.
    pub(crate) notes: &'a [(&'a str, &'a str)],
}

/// The plan of a delivery named "Delivery", whose audio files are these stems.
pub(crate) fn planned(
    recipe: &Recipe,
    stems: impl IntoIterator<Item = Stem>,
    beside: &Beside<'_>,
) -> Planned {
    let surveys = surveys(stems);
    let files = files_of(&surveys);
    let inventory = Inventory { name: "Delivery".to_owned(), files, ignored: Vec::new(), song: None };
    let texts: Vec<(String, String)> =
        beside.notes.iter().map(|&(path, text)| (path.to_owned(), text.to_owned())).collect();
    let given = Given {
        delivery: &inventory.name,
        recipe,
        surveys: &surveys,
        starts: &planning::starts(recipe, &surveys, beside.pin),
        evidence: &beside.evidence,
        pin: beside.pin,
        earlier: beside.earlier,
    };
    planning::plan(&given, Music::of(&inventory, &texts, Vec::new(), Vec::new()))
}

/// What a stage decides by these settings, one text for all stems or one a stem, and the stems as they were before.
pub(crate) fn decide_by<'a, S: DeserializeOwned, D>(
    texts: &[&str],
    draft: &mut Draft<'a>,
    decide: impl Fn(&[S], &mut Draft<'a>) -> Vec<D>,
) -> (Vec<DraftStem<'a>>, Vec<D>) {
    let texts = texts.iter().cycle().take(draft.stems.len());
    let settings: Vec<S> = texts.map(|text| toml::from_str(text).unwrap()).collect();
    let before = draft.stems.clone();
    let decisions = decide(&settings, draft);
    assert_eq!(decisions.len(), before.len());
    (before, decisions)
}
