//! A large delivery: 100 stems of an hour. Its surveys are made up, for nobody wants to wait for 100 hours of audio.

use std::collections::BTreeMap;
use std::time::Instant;

use loadin_pipeline::run::{Study, planned_manifest};
use loadin_plan::music::Music;
use loadin_plan::recipe::{Recipe, find_shipped};
use loadin_plan::{Given, Planned, plan, starts};
use loadin_record::evidence::Evidence;
use loadin_record::late::{ChangeKind, FileSummary, Late, LateFile, Pin};
use loadin_record::manifest::Manifest;
use loadin_record::music::Facts;
use loadin_record::survey::{
    ChannelMeasures, ClipFacts, DamageFacts, EnvelopeChannel, EnvelopeFacts, FormatFacts, Ignored, Inventory,
    Measures, OffsetFacts, Range, RelationFacts, Survey,
};

use super::leave_for_browser;

const STEMS: usize = 100;
const RATE_HZ: u32 = 48_000;
/// An hour.
const FRAMES: u64 = 3600 * RATE_HZ as u64;
/// The window of an hour: the envelope keeps at most 65 536 of them.
const WINDOW: u64 = 3840;

const ROLES: &[&str] = &[
    "Kick In",
    "Kick Out",
    "Snare Top",
    "Snare Bot",
    "Hat",
    "Tom 1",
    "Tom 2",
    "OH",
    "Room",
    "Shaker",
    "Bass DI",
    "Bass Amp",
    "Gtr Rhythm",
    "Gtr Lead",
    "Piano",
    "Synth Pad",
    "Strings",
    "Lead Vox",
    "BV",
    "FX Riser",
];

/// A number between 0 and 1 that belongs to these two: a hash of integers, no clock and no chance.
fn mixed(a: usize, b: usize) -> f64 {
    let mut x =
        (a as u64).wrapping_mul(0x9e37_79b9_7f4a_7c15) ^ (b as u64).wrapping_mul(0xd1b5_4a32_d192_ed03);
    x ^= x >> 31;
    x = x.wrapping_mul(0x94d0_49bb_1331_11eb);
    ((x ^ (x >> 29)) >> 11) as f64 / (1u64 << 53) as f64
}

/// An envelope with sections that are there or not, and beats inside.
fn envelope(stem: usize, channels: usize, loud: f64) -> EnvelopeFacts {
    let windows = FRAMES.div_ceil(WINDOW) as usize;
    let mut channel = EnvelopeChannel::default();
    for window in 0..windows {
        let there = mixed(stem, window / 900) > 0.35;
        let level = if there { loud * (0.25 + 0.75 * mixed(stem + 7, window)) } else { 0.0 };
        channel.min.push(-(level * (0.6 + 0.4 * mixed(stem, window + 3))) as f32);
        channel.max.push(level as f32);
        channel.sum.push(0.0);
        channel.sum_sq.push((level * level * WINDOW as f64 / 6.0) as f32);
    }
    EnvelopeFacts {
        rate_hz: RATE_HZ,
        window_frames: WINDOW,
        frames: FRAMES,
        channels: vec![channel; channels],
    }
}

fn survey(stem: usize) -> Survey {
    let channels = 1 + stem % 2;
    let loud = 0.02 + 0.6 * mixed(stem, 1).powi(2);
    let loud = if stem % 17 == 5 { 1.0 } else { loud };
    let silent = stem % 41 == 40;
    let loud = if silent { 0.0 } else { loud };
    let range = Range { min: -loud, max: loud };
    let mean = if stem % 13 == 4 { 0.004 } else { 0.0 };
    let measure = ChannelMeasures {
        sample: range,
        true_peak: range,
        offset: OffsetFacts {
            mean,
            level: mean,
            certain: true,
            edges: Range { min: mean, max: mean },
            least_edge: mean,
            ..OffsetFacts::default()
        },
    };
    let clips = (stem % 17 == 5).then_some(ClipFacts {
        channel: 0,
        ceiling: 1.0,
        runs: 212,
        samples: 1404,
        longest: 19,
        first_frame: 48_000 * 321 + 11,
    });
    let damage = (stem % 29 == 8).then(|| DamageFacts {
        start_frame: FRAMES / 3,
        frames: FRAMES / 40,
        cause: "a frame could not be decoded".to_owned(),
    });
    let relation = (channels == 2).then_some(RelationFacts {
        max_difference: if stem % 11 == 3 { 0.0 } else { 0.2 },
        worst_difference_ratio: if stem % 11 == 3 { 0.0 } else { 1.0 },
        max_sum: 1.0,
        worst_sum_ratio: 1.5,
        correlation: Some(0.6),
        side_to_mid: Some(0.3),
    });
    Survey {
        path: format!(
            "Long Song_{:03}_{} {}.wav",
            stem + 1,
            ROLES[stem % ROLES.len()],
            1 + stem / ROLES.len()
        ),
        bytes: FRAMES * 3 * channels as u64,
        sha256: format!("{stem:064x}"),
        format: Some(FormatFacts {
            container: "WAV".to_owned(),
            codec: "PCM".to_owned(),
            rate_hz: RATE_HZ,
            channels: channels as u16,
            bits: 24,
            float: false,
            lossy: false,
            channel_mask: None,
            frames: Some(FRAMES),
            timestamp_frames: None,
            markers: Vec::new(),
            repairs: Vec::new(),
        }),
        measures: Ok(Measures {
            source_frames: FRAMES,
            source_peak: loud,
            target_hz: RATE_HZ,
            target_frames: FRAMES,
            subtracted: Vec::new(),
            phase: 0,
            channels: vec![measure; channels],
            relation,
            clips: clips.into_iter().collect(),
            over_full_scale: 0,
            beyond: None,
            active_frames: if silent { 0 } else { FRAMES },
            loudness_lufs: (!silent).then(|| -18.0 - 12.0 * mixed(stem, 2)),
            content: format!("content {stem}"),
            damage: damage.into_iter().collect(),
            envelope: envelope(stem, channels, loud),
        }),
    }
}

fn study(recipe: &Recipe, surveys: Vec<Survey>) -> Study {
    let (starts, evidence) = (starts(recipe, &surveys, None), Evidence::default());
    let given = Given {
        delivery: "Long Song",
        recipe,
        surveys: &surveys,
        starts: &starts,
        evidence: &evidence,
        pin: None,
        earlier: None,
    };
    let Planned { plan, music } = plan(&given, Music::default());
    let ignored = vec![Ignored { path: "notes.txt".to_owned(), why: "a text note".to_owned() }];
    let inventory = Inventory { name: "Long Song".to_owned(), files: Vec::new(), ignored, song: None };
    Study { inventory, surveys, music, evidence: Evidence::default(), plan, late: None, visit: None }
}

/// What the issue of this page asked for: less than 3 MB for 100 stems. The time is printed, never asserted.
#[test]
fn the_page_of_a_hundred_stems_of_an_hour_can_be_mailed() {
    let recipe = Recipe::parse(find_shipped("mix-prep").unwrap().text).unwrap();
    let study = study(&recipe, (0..STEMS).map(survey).collect());
    let mut manifest = planned_manifest(&recipe, &study);
    manifest.late = Some(late(&manifest));
    let begun = Instant::now();
    let papers = loadin_report::papers(&manifest, &study.surveys);
    let seconds = begun.elapsed().as_secs_f64();
    let page = papers.iter().find(|(name, _)| name == "report.html").unwrap();
    let page = std::str::from_utf8(&page.1).unwrap();
    #[expect(clippy::print_stdout, reason = "a figure to look at")]
    {
        println!("the papers of {STEMS} stems: {seconds:.3} s, the page has {} bytes", page.len());
    }
    assert!(page.len() < 3_000_000, "{} bytes", page.len());
    assert_eq!(page.matches("<tbody id=s").count(), STEMS);
    // At most 1200 points a stem: two pictures, two points a column.
    let points = page.split("<path class=sound d=\"").skip(1).map(|path| path.split('"').next().unwrap());
    let most = points.map(|path| path.matches([' ', '-']).count()).max().unwrap();
    assert!(most <= 2 * 600, "{most} numbers in one path");
    assert!(loadin_report::papers(&manifest, &study.surveys) == papers, "made twice, it differs");
    leave_for_browser("hundred.html", page);
}

/// As if one of them had come late.
fn late(manifest: &Manifest) -> Late {
    let source = &manifest.stems[3].source;
    let file = LateFile {
        path: source.path.clone(),
        what: ChangeKind::Added,
        before: None,
        after: Some(FileSummary::of(source)),
        comparison: None,
        text: "came after the others".to_owned(),
    };
    let pin = Pin {
        link: manifest.link.clone(),
        stems: BTreeMap::new(),
        origin_frames: None,
        facts: Facts::new(),
        taken: Vec::new(),
    };
    Late { pin, files: vec![file] }
}

/// Forty stems, of which the first sounds all along at half of full scale, and the second 40 dB below it, a hundredth.
#[test]
fn a_page_of_forty_stems_for_the_browser() {
    let recipe = Recipe::parse(find_shipped("mix-prep").unwrap().text).unwrap();
    let mut surveys: Vec<Survey> = (0..40).map(survey).collect();
    for (survey, loud) in surveys.iter_mut().zip([0.5, 0.005]) {
        let measures = survey.measures.as_mut().unwrap();
        measures.source_peak = loud;
        for channel in &mut measures.channels {
            channel.sample = Range { min: -loud, max: loud };
            channel.true_peak = channel.sample;
        }
        for channel in &mut measures.envelope.channels {
            channel.min.fill(-loud as f32);
            channel.max.fill(loud as f32);
        }
    }
    let study = study(&recipe, surveys);
    let manifest = planned_manifest(&recipe, &study);
    let papers = loadin_report::papers(&manifest, &study.surveys);
    let page = papers.iter().find(|(name, _)| name == "report.html").unwrap();
    leave_for_browser("forty.html", std::str::from_utf8(&page.1).unwrap());
}
