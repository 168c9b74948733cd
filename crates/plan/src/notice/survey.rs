//! What the surveys show, as findings. Nothing here depends on the recipe, and nothing here changes audio.

use std::collections::BTreeMap;

use loadin_audio::Decibels;
use loadin_record::finding::{Finding, Id, rounded};
use loadin_record::survey::{ClipFacts, FormatFacts, Measures, Survey};
use loadin_session::{copy_rank, several_songs};
use serde_json::json;

use crate::draft::{Draft, DraftStem};
use crate::stages::channel_fix::{dead_channel, is_dual_mono};
use crate::stages::dc_removal::{Verdict, judge};

/// L − R at most this far below every block's peak is called dual mono: common practice, no source.
const DUAL_MONO_RESIDUAL: f64 = 3.162_277_660_168_379e-5;

/// L + R at most this far below every block's peak is called inverted: common practice, no source.
const INVERTED_RESIDUAL: f64 = 0.01;

/// A side signal this far below the mid signal is called near-mono: common practice, no source.
const NEAR_MONO_SIDE: f64 = 0.01;

/// Offsets above −60 dBFS are worth a finding: common practice, no source.
const DC_AMPLITUDE: f64 = 0.001;

/// Flat tops below full scale are reported from this many runs and this ceiling on: common practice, no source.
const FLAT_TOP_RUNS: u64 = 10;
const FLAT_TOP_CEILING: f64 = 0.1;

/// A ceiling from here on is full scale: it is 3 steps below it at 16 bits.
const FULL_SCALE: f64 = 1.0 - 3.0 / 32768.0;

/// Adds the findings of every stem and of the delivery.
pub(crate) fn notice(draft: &mut Draft<'_>) {
    for stem in &mut draft.stems {
        let findings = of_stem(stem);
        stem.findings.extend(findings);
    }
    duplicates(draft);
    mixed(draft);
    songs(draft);
}

fn of_stem(stem: &DraftStem<'_>) -> Vec<Finding> {
    let survey = stem.sources[0];
    let mut findings = Vec::new();
    if let Some(format) = &survey.format {
        for repair in &format.repairs {
            findings.push(Finding::new(Id::HeaderRepaired, repair.clone()));
        }
        if format.lossy {
            let text = format!("stored as {}: what the codec took away does not come back", format.codec);
            findings.push(Finding::new(Id::Lossy, text).with("codec", format.codec.as_str()));
        }
        if format.frames.is_none() && survey.measures.is_ok() {
            findings.push(unstated(format));
        }
    }
    match &survey.measures {
        Err(failure) => findings.push((*failure.finding).clone()),
        Ok(measures) => {
            let rate_hz = survey.format.as_ref().map_or(1, |f| f.rate_hz);
            damage(measures, rate_hz, &mut findings);
            beyond(measures, &mut findings);
            if let Some(silence) = measures.silence() {
                findings.push(Finding::new(Id::Silent, silence).with("frames", measures.source_frames));
            } else {
                clips(measures, rate_hz, &mut findings);
                channels(measures, &mut findings);
                offset(measures, &mut findings);
            }
        }
    }
    findings
}

/// Frames that coder and decoder put before the sound of an MP3 file: 576 and 529 (common practice; trade documents of a
/// widely used encoder state them).
const USUAL_MP3_DELAY: u64 = 576 + 529;

/// Without a stated length nobody knows what is missing; and a lossy file that states it states the coder's delay with it.
fn unstated(format: &FormatFacts) -> Finding {
    let mut text =
        "it does not say how many frames it has, so what may be missing cannot be known".to_owned();
    if format.lossy {
        text += ", nor how much silence its coder has put before the sound: its place is in doubt";
    }
    let finding = Finding::new(Id::LengthUnstated, text);
    if format.is_mp3() { finding.with("usual_delay_frames", USUAL_MP3_DELAY) } else { finding }
}

fn seconds(frame: u64, rate_hz: u32) -> f64 {
    frame as f64 / f64::from(rate_hz.max(1))
}

fn db(amplitude: f64) -> serde_json::Value {
    rounded(Decibels::from_ratio(amplitude).0, 2)
}

fn damage(measures: &Measures, rate_hz: u32, findings: &mut Vec<Finding>) {
    for damage in &measures.damage {
        let at_end = damage.frames > 0 && damage.start_frame + damage.frames >= measures.source_frames;
        let (id, what) =
            if at_end { (Id::Truncated, "the file ends early") } else { (Id::Damaged, "audio is missing") };
        let text = if damage.frames == 0 {
            // How much of it nobody knows.
            format!(
                "its sound is in doubt from {:.3} s on: {}",
                seconds(damage.start_frame, rate_hz),
                damage.cause
            )
        } else {
            format!(
                "{what}: {:.3} s from {:.3} s on: {}",
                seconds(damage.frames, rate_hz),
                seconds(damage.start_frame, rate_hz),
                damage.cause
            )
        };
        findings.push(
            Finding::new(id, text).with("start_frame", damage.start_frame).with("frames", damage.frames),
        );
    }
}

/// A single flipped bit of a float is louder than all stems together.
fn beyond(measures: &Measures, findings: &mut Vec<Finding>) {
    let Some(beyond) = measures.beyond else { return };
    let finding = Finding::new(Id::Damaged, beyond.sentence())
        .with("start_frame", beyond.first_frame)
        .with("frames", 1)
        .with("channel", beyond.channel + 1)
        .with("value", beyond.value);
    findings.push(finding.with("samples", beyond.samples));
}

fn clips(measures: &Measures, rate_hz: u32, findings: &mut Vec<Finding>) {
    let (full, below): (Vec<&ClipFacts>, Vec<&ClipFacts>) =
        measures.clips.iter().partition(|clip| clip.ceiling.abs() >= FULL_SCALE);
    let mut report = |id: Id, what: &str, clips: &[&ClipFacts]| {
        let runs: u64 = clips.iter().map(|clip| clip.runs).sum();
        let first = clips.iter().map(|clip| clip.first_frame).min().unwrap_or(0);
        let text =
            format!("{runs} runs of equal samples {what}, the first at {:.3} s", seconds(first, rate_hz));
        findings.push(
            Finding::new(id, text)
                .with("runs", runs)
                .with("samples", clips.iter().map(|clip| clip.samples).sum::<u64>())
                .with("longest_frames", clips.iter().map(|clip| clip.longest).max())
                .with("first_frame", first)
                .with("ceiling_dbfs", db(clips.iter().map(|clip| clip.ceiling.abs()).fold(0.0, f64::max))),
        );
    };
    if !full.is_empty() {
        report(Id::ClippedRuns, "at full scale", &full);
    }
    let flat: Vec<&ClipFacts> = below
        .into_iter()
        .filter(|c| c.runs >= FLAT_TOP_RUNS && c.ceiling.abs() >= FLAT_TOP_CEILING)
        .collect();
    if !flat.is_empty() {
        report(
            Id::FlatTops,
            "at the file's own ceiling below full scale, as if clipped and then turned down",
            &flat,
        );
    }
    if measures.over_full_scale > 0 {
        let peak = measures.source_peak;
        let text = format!(
            "{} above full scale (peak {:.2} dBFS); as floats they can be recovered",
            match measures.over_full_scale {
                1 => "1 sample is".to_owned(),
                many => format!("{many} samples are"),
            },
            Decibels::from_ratio(peak).0
        );
        findings.push(
            Finding::new(Id::FloatOver, text)
                .with("samples", measures.over_full_scale)
                .with("peak_dbfs", db(peak)),
        );
    }
}

fn channels(measures: &Measures, findings: &mut Vec<Finding>) {
    let Some(relation) = &measures.relation else { return };
    if let Some(dead) = dead_channel(measures) {
        let side = ["left", "right"][dead];
        let text = format!("the {side} channel is silent, the other one is not");
        findings.push(Finding::new(Id::DeadChannel, text).with("silent_channel", dead + 1));
    } else if is_dual_mono(measures, DUAL_MONO_RESIDUAL) {
        findings.push(
            Finding::new(Id::DualMono, "both channels carry the same signal")
                .with("residual_dbfs", db(relation.max_difference)),
        );
    } else if relation.worst_sum_ratio <= INVERTED_RESIDUAL {
        findings.push(
            Finding::new(Id::InvertedChannel, "the channels cancel when summed: one of them is inverted")
                .with("sum_dbfs", db(relation.max_sum))
                .with("correlation", relation.correlation.map_or(serde_json::Value::Null, |c| rounded(c, 4))),
        );
    } else if relation.side_to_mid.is_some_and(|ratio| ratio < NEAR_MONO_SIDE) {
        let ratio = relation.side_to_mid.unwrap_or(0.0);
        let text = format!(
            "nearly mono: the side is {:.1} dB below the mid; it stays stereo",
            -Decibels::from_ratio(ratio).0
        );
        findings.push(Finding::new(Id::NearMono, text).with("side_to_mid_db", db(ratio)));
    }
}

fn offset(measures: &Measures, findings: &mut Vec<Finding>) {
    let offsets = measures.channels.iter().map(|channel| &channel.offset);
    let Some(offset) = offsets.max_by(|a, b| a.level.abs().total_cmp(&b.level.abs())) else { return };
    if offset.level.abs() <= DC_AMPLITUDE {
        return;
    }
    let level = Decibels::from_ratio(offset.level).0;
    let (id, text) = match judge(offset) {
        Verdict::Steady | Verdict::Faded => (Id::DcOffset, format!("a steady offset of {level:.1} dBFS")),
        Verdict::Drifting => {
            (Id::DcDrift, format!("an offset around {level:.1} dBFS that changes along the file"))
        }
        Verdict::Unproven => (
            Id::DcDoubt,
            format!(
                "a mean of {level:.1} dBFS, and no rest shows whether it is an offset or an asymmetric sound"
            ),
        ),
        // Asymmetric sounds have a mean without having an offset, and short ones too.
        Verdict::OfTheSound | Verdict::Unknown => return,
    };
    findings.push(
        Finding::new(id, text)
            .with("offset", rounded(offset.level, 6))
            .with("offset_dbfs", db(offset.level))
            .with("spread", rounded(offset.spread, 6)),
    );
}

fn duplicates(draft: &mut Draft<'_>) {
    let mut first_of: BTreeMap<String, String> = BTreeMap::new();
    // The one that is named as a copy is the second, whatever their order.
    let mut order: Vec<usize> = (0..draft.stems.len()).collect();
    order.sort_by_cached_key(|&index| copy_rank(draft.stems[index].path()));
    for index in order {
        let stem = &mut draft.stems[index];
        let Ok(measures) = &stem.sources[0].measures else { continue };
        if measures.active_frames == 0 {
            continue;
        }
        match first_of.get(&measures.content) {
            Some(first) => {
                let text = format!("the same audio, sample for sample, as \"{first}\"");
                stem.findings.push(Finding::new(Id::Duplicate, text).with("same_as", first.as_str()));
            }
            None => {
                first_of.insert(measures.content.clone(), stem.sources[0].path.clone());
            }
        }
    }
}

/// Songs that came in one delivery would get one gain and one length.
fn songs(draft: &mut Draft<'_>) {
    let sources = draft.stems.iter().filter(|stem| !stem.reference).flat_map(|stem| &stem.sources);
    let timed = |survey: &'_ Survey| {
        let rate_hz = survey.format.as_ref()?.rate_hz;
        Some(seconds(survey.measures.as_ref().ok()?.source_frames, rate_hz))
    };
    let stems: Vec<_> = sources.filter_map(|survey| Some((survey.path.as_str(), timed(survey)?))).collect();
    let songs = several_songs(&stems);
    if songs.is_empty() {
        return;
    }
    let songs: Vec<&str> = songs.iter().map(|song| song.name.as_str()).collect();
    let text = format!(
        "several songs in one delivery? {} differ in length, and one gain and one length for all of them would be wrong; \
         `prep --split` prepares each as a delivery of its own",
        songs.iter().map(|song| format!("\"{song}\"")).collect::<Vec<_>>().join(", "),
    );
    let finding = Finding::new(Id::SeveralSongs, text).with("songs", json!(songs));
    draft.findings.push(finding);
}

fn mixed(draft: &mut Draft<'_>) {
    let mut rates: BTreeMap<u32, usize> = BTreeMap::new();
    let mut lengths: Vec<f64> = Vec::new();
    for stem in draft.stems.iter().filter(|stem| !stem.reference) {
        if let (Some(format), Ok(measures)) = (&stem.sources[0].format, &stem.sources[0].measures) {
            *rates.entry(format.rate_hz).or_default() += 1;
            lengths.push(seconds(measures.source_frames, format.rate_hz));
        }
    }
    if rates.len() > 1 {
        let list: Vec<String> = rates.iter().map(|(rate, count)| format!("{count} at {rate} Hz")).collect();
        let mut finding =
            Finding::new(Id::MixedRates, format!("several sampling rates: {}", list.join(", ")));
        for (rate, count) in &rates {
            finding = finding.with(&rate.to_string(), *count);
        }
        draft.findings.push(finding);
    }
    let shortest = lengths.iter().copied().fold(f64::INFINITY, f64::min);
    let longest = lengths.iter().copied().fold(0.0, f64::max);
    if longest - shortest > 0.001 {
        draft.findings.push(
            Finding::new(Id::MixedLengths, format!("the stems are {shortest:.3} s to {longest:.3} s long"))
                .with("shortest_seconds", rounded(shortest, 6))
                .with("longest_seconds", rounded(longest, 6)),
        );
    }
}

#[cfg(test)]
mod tests;
