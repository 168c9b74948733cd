//! All stems together along the song: the power sum of what was prepared, which shows its form and its loudest place.
//!
//! The envelope has no phase, so this is the level of stems that have nothing to do with each other: two equal ones give
//! 3 dB more than one, where the same stem twice would give 6. References take no part.

use std::fmt::Write;

use loadin_record::manifest::{Manifest, StemRecord};
use loadin_record::role::StemRole;
use loadin_record::survey::Measures;

use crate::picture::after_channels;
use crate::text::{clock, number};
use crate::timeline::{Axis, COLUMNS, Surveys, output_span, source_start};
use crate::wave::{HEIGHT, Lane, Trace, touched, zoom};

/// The level of every column, as an RMS amplitude.
#[derive(Debug, PartialEq)]
pub(crate) struct Together(Vec<f64>);

impl Together {
    /// Adds up a delivery; `None` where no measurements are there.
    pub(crate) fn of(manifest: &Manifest, surveys: &Surveys<'_>, axis: &Axis) -> Option<Self> {
        let mut power = vec![0.0; COLUMNS];
        let mut stems = 0;
        for stem in manifest.stems.iter().filter(|stem| stem.role != StemRole::Reference) {
            let (Some(measures), Some(output)) = (surveys.of(stem), &stem.output) else { continue };
            // The halves of a joined pair are one stem.
            let path = |other: &&StemRecord| other.output.as_ref().is_some_and(|o| o.path == output.path);
            let shares = manifest.stems.iter().filter(path).count().max(1) as f64;
            for (sum, one) in power.iter_mut().zip(mean_squares(stem, manifest, measures, axis)) {
                *sum += one / shares;
            }
            stems += 1;
        }
        (stems > 0).then(|| Self(power.into_iter().map(f64::sqrt).collect()))
    }

    /// The first of the loudest columns: where it begins on the axis in seconds, and its level in dB of full scale.
    fn loudest(&self, axis: &Axis) -> Option<(f64, f64)> {
        let (column, level) = self.0.iter().enumerate().rev().max_by(|a, b| a.1.total_cmp(b.1))?;
        let seconds = axis.start + column as f64 * (axis.end - axis.start) / COLUMNS as f64;
        (*level > 0.0).then(|| (seconds, 20.0 * libm::log10(*level)))
    }

    /// What it says in words; empty where all is silent.
    pub(crate) fn words(&self, axis: &Axis) -> String {
        self.loudest(axis).map_or(String::new(), |(seconds, db)| {
            format!("loudest at {}: {} dBFS RMS", clock(seconds, 0), number(db, 1, false))
        })
    }

    /// The picture.
    pub(crate) fn picture(&self, axis: &Axis) -> String {
        let trace = Trace(self.0.iter().map(|&level| Some((-level, level))).collect());
        let mut ticks = String::new();
        for tick in axis.ticks() {
            let _ = write!(ticks, "M{:.2} 0v{HEIGHT}", axis.column(tick) - 0.5);
        }
        format!(
            "<svg class=\"wave sum\" viewBox=\"-0.5 0 {COLUMNS} {HEIGHT}\" preserveAspectRatio=none role=img \
             aria-label=\"Level of all stems together along the time: {}\"><path class=tick d=\"{ticks}\"/>\
             <path class=sound d=\"{}\"/></svg>",
            self.words(axis),
            trace.path(Lane::WHOLE, zoom(trace.peak()))
        )
    }
}

/// Mean square of a prepared stem in every column, over its channels.
fn mean_squares(stem: &StemRecord, manifest: &Manifest, measures: &Measures, axis: &Axis) -> Vec<f64> {
    let mut sums = vec![(0.0, 0usize); COLUMNS];
    let envelope = &measures.envelope;
    let window = envelope.window_frames.max(1);
    let rate_hz = f64::from(envelope.rate_hz.max(1));
    let start = source_start(stem, manifest);
    let (from, to) = output_span(stem).unwrap_or((0.0, 0.0));
    let channels = after_channels(stem, measures);
    let windows = envelope.channels.iter().map(|c| c.sum_sq.len().min(c.sum.len())).min().unwrap_or(0);
    for index in 0..windows {
        let first = index as u64 * window;
        let frames = window.min(envelope.frames.saturating_sub(first)).max(1) as f64;
        let begins = start + first as f64 / rate_hz;
        let ends = begins + frames / rate_hz;
        if ends <= from || begins >= to {
            continue;
        }
        let square = channels.iter().filter_map(|&(channel, constant, gain)| {
            let channel = envelope.channels.get(channel)?;
            let (sum, square) = (f64::from(channel.sum[index]), f64::from(channel.sum_sq[index]));
            let constant = if square == 0.0 { 0.0 } else { constant };
            // The mean of (x − c)² is that of x² less 2 c times that of x, and c².
            Some(((square - 2.0 * constant * sum) / frames + constant * constant).max(0.0) * gain * gain)
        });
        let square = square.sum::<f64>() / channels.len().max(1) as f64;
        for column in touched(axis, begins.max(from), ends.min(to)) {
            sums[column].0 += square;
            sums[column].1 += 1;
        }
    }
    sums.into_iter().map(|(sum, count)| if count == 0 { 0.0 } else { sum / count as f64 }).collect()
}

#[cfg(test)]
mod tests {
    use loadin_record::manifest::Manifest;
    use loadin_record::survey::{
        ChannelMeasures, EnvelopeChannel, EnvelopeFacts, OffsetFacts, Range, Survey,
    };
    use serde_json::json;

    use super::*;

    /// A stem of two seconds: noise of this RMS in the first, twice that in the second, around an offset.
    fn survey(path: &str, rms: f64, offset: f64) -> Survey {
        let windows = |part: fn(f64, f64) -> f64| -> Vec<f32> {
            (0..200).map(|i| part(if i < 100 { rms } else { 2.0 * rms }, offset) as f32 * 480.0).collect()
        };
        let channel = EnvelopeChannel {
            min: vec![-1.0; 200],
            max: vec![1.0; 200],
            sum: windows(|_, offset| offset),
            sum_sq: windows(|rms, offset| rms * rms + offset * offset),
        };
        let range = Range { min: -1.0, max: 1.0 };
        let measured = ChannelMeasures { sample: range, true_peak: range, offset: OffsetFacts::default() };
        Survey {
            path: path.to_owned(),
            bytes: 1,
            sha256: "00".to_owned(),
            format: None,
            measures: Ok(Measures {
                source_frames: 96_000,
                source_peak: 1.0,
                target_hz: 48_000,
                target_frames: 96_000,
                subtracted: Vec::new(),
                phase: 0,
                channels: vec![measured],
                relation: None,
                clips: Vec::new(),
                over_full_scale: 0,
                beyond: None,
                active_frames: 96_000,
                loudness_lufs: None,
                content: String::new(),
                damage: Vec::new(),
                envelope: EnvelopeFacts {
                    rate_hz: 48_000,
                    window_frames: 480,
                    frames: 96_000,
                    channels: vec![channel],
                },
            }),
        }
    }

    fn manifest(stems: &[(&str, &str)]) -> Manifest {
        let stem = |(path, role): &(&str, &str)| {
            json!({
                "source": { "path": path, "bytes": 1, "sha256": "00", "rate_hz": 48_000, "frames": 96_000, "channels": 1 },
                "role": role, "group": "drums", "state": "prepared", "time_map": null,
                "output": { "path": format!("audio/{path}"), "bytes": 1, "sha256": "", "audio_sha256": "", "rate_hz": 48_000,
                    "channels": 1, "bits": 24, "float": false, "frames": 96_000, "timestamp_frames": 0 },
                "changes": [
                    { "stage": "gain-stage", "what": "gain", "from": 0, "to": 6.0206, "unit": "dB", "why": "" },
                    { "stage": "dc-removal", "what": "offset", "from": -40, "to": null, "unit": "dBFS", "why": "",
                      "constants": [0.01] },
                ],
                "left": {}, "metadata": [], "findings": [], "error": null,
            })
        };
        let text = json!({
            "manifest": 1, "tool": { "name": "loadin", "version": "0" }, "recipe": { "name": "r", "revision": 1, "sha256": "" },
            "delivery": { "name": "d", "files": 2 }, "facts": {},
            "link": loadin_record::link::Link::default(),
            "stems": stems.iter().map(stem).collect::<Vec<_>>(), "findings": [], "ignored": [], "late": null, "digest": "",
            "run": loadin_record::manifest::Run::default(),
        });
        Manifest::from_json(&text.to_string()).unwrap()
    }

    /// Powers add: stems of 0.03 and 0.04 give 0.05 (3² + 4² = 5²). The gain of 6.0206 dB doubles, the offset is gone, and
    /// the reference has no say.
    #[test]
    fn powers_of_unrelated_stems_add() {
        let manifest = manifest(&[("a", "stem"), ("b", "stem"), ("rough", "reference")]);
        let surveys = [survey("a", 0.03, 0.01), survey("b", 0.04, 0.01), survey("rough", 0.5, 0.0)];
        let surveys = Surveys::new(&surveys);
        let axis = Axis::of(&manifest, &surveys);
        let sum = Together::of(&manifest, &surveys, &axis).unwrap();
        // Single-precision sums in the envelope, and a gain of four decimals.
        assert!(
            (sum.0[10] - 0.1).abs() < 1e-5 && (sum.0[290] - 0.2).abs() < 1e-5,
            "{} {}",
            sum.0[10],
            sum.0[290]
        );
        assert_eq!(sum.words(&axis), "loudest at 0:01: −14.0 dBFS RMS");
    }
}
