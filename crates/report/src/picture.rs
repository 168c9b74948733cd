//! The pictures of one stem: the waveform as delivered and as prepared, with the evidence of the findings in it.

use std::fmt::Write;

use loadin_record::finding::{Finding, Id};
use loadin_record::manifest::{Manifest, StemRecord};
use loadin_record::survey::Measures;
use serde_json::Value;

use crate::text::{clock, html, number};
use crate::timeline::{Axis, COLUMNS, output_span, source_span, source_start};
use crate::wave::{Drawn, HEIGHT, Lane, Trace, strokes, zoom};

/// Both pictures of a stem.
#[derive(Default)]
pub(crate) struct Pictures {
    /// As delivered; `None` where no envelope is there.
    pub(crate) before: Option<String>,
    /// As prepared; `None` where there is no output or no envelope.
    pub(crate) after: Option<String>,
    /// How much both are magnified: "×8"; empty where they are not.
    pub(crate) scale: String,
}

/// Where the evidence of a finding lies.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Mark {
    /// Its first moment on the axis, in seconds.
    pub(crate) at: f64,
    /// Where the client's own file has it, in seconds from its start.
    pub(crate) in_file: f64,
    /// What is drawn.
    pub(crate) shape: Shape,
}

/// How evidence is drawn.
#[derive(Debug, Clone, PartialEq)]
pub(crate) enum Shape {
    /// Runs of columns whose peak reaches a level.
    Reaching(f64),
    /// A stretch of the axis, in seconds.
    Stretch(f64, f64),
    /// A line at an amplitude.
    Level(f64),
    /// Only the place.
    Place,
}

fn evidence(finding: &Finding, key: &str) -> Option<f64> {
    finding.evidence.get(key).and_then(Value::as_f64)
}

/// Where a finding's evidence lies; `None` for what holds for a whole stem, such as a format.
pub(crate) fn mark(finding: &Finding, stem: &StemRecord, manifest: &Manifest) -> Option<Mark> {
    let start = source_start(stem, manifest);
    let rate_hz = f64::from(stem.source.rate_hz.unwrap_or(48_000).max(1));
    let source_end = start + stem.source.frames.unwrap_or(0) as f64 / rate_hz;
    let place = |in_file: f64, shape| Some(Mark { at: start + in_file, in_file, shape });
    match finding.id {
        Id::ClippedRuns | Id::FlatTops => {
            let ceiling = evidence(finding, "ceiling_dbfs").map_or(1.0, |db| libm::pow(10.0, db / 20.0));
            let first = evidence(finding, "first_frame")? / rate_hz;
            // The evidence is rounded to 0.01 dB, and a resampled flat top ripples.
            place(first, Shape::Reaching(ceiling * if finding.id == Id::FlatTops { 0.99 } else { 0.995 }))
        }
        Id::FloatOver => place(0.0, Shape::Reaching(1.0 + 1e-9)),
        Id::Truncated | Id::Damaged => {
            let first = evidence(finding, "start_frame")? / rate_hz;
            let seconds = evidence(finding, "frames")? / rate_hz;
            place(first, Shape::Stretch(start + first, start + first + seconds))
        }
        Id::DcOffset | Id::DcDrift | Id::DcDoubt => place(0.0, Shape::Level(evidence(finding, "offset")?)),
        Id::Silent | Id::Moved | Id::StampDoubt => place(0.0, Shape::Place),
        Id::ReferenceCut => {
            let (_, end) = output_span(stem)?;
            place(end - start, Shape::Stretch(end, source_end))
        }
        _ => None,
    }
}

/// What is drawn of these channels of a stem as it was delivered.
pub(crate) fn delivered<'a>(
    stem: &StemRecord,
    manifest: &Manifest,
    measures: &'a Measures,
    channels: std::ops::Range<usize>,
) -> Drawn<'a> {
    let keep = source_span(stem, manifest, None);
    // What was taken away before it was measured is in the source.
    let channels = channels.map(|channel| (channel, -subtracted(measures, channel), 1.0)).collect();
    Drawn { envelope: &measures.envelope, start: keep.0, keep, channels }
}

/// What is drawn of a stem as it was prepared; `None` where it was not.
pub(crate) fn prepared<'a>(
    stem: &StemRecord,
    manifest: &Manifest,
    measures: &'a Measures,
) -> Option<Drawn<'a>> {
    Some(Drawn {
        envelope: &measures.envelope,
        start: source_span(stem, manifest, None).0,
        keep: output_span(stem)?,
        channels: after_channels(stem, measures),
    })
}

/// Draws a stem.
pub(crate) fn pictures(
    stem: &StemRecord,
    manifest: &Manifest,
    measures: Option<&Measures>,
    axis: &Axis,
) -> Pictures {
    let Some(measures) = measures else { return Pictures::default() };
    let count = measures.envelope.channels.len();
    let before = delivered(stem, manifest, measures, 0..count);
    let after = prepared(stem, manifest, measures);
    let traces = (before.trace(axis), after.as_ref().map(|after| after.trace(axis)));
    let peak = traces.1.as_ref().map_or(0.0, Trace::peak).max(traces.0.peak());
    let zoom = zoom(peak);
    let frame = Frame { stem, manifest, axis, zoom };
    let two = count == 2 && stem.findings.iter().any(|finding| is_about_channels(finding.id));
    let lanes: Vec<(Trace, Lane)> = if two {
        let one = |channel: usize| delivered(stem, manifest, measures, channel..channel + 1).trace(axis);
        vec![(one(0), Lane::UPPER), (one(1), Lane::LOWER)]
    } else {
        vec![(traces.0, Lane::WHOLE)]
    };
    Pictures {
        before: Some(frame.before(&before, &lanes)),
        after: traces.1.map(|trace| frame.after(&trace)),
        scale: if zoom == 1.0 { String::new() } else { scale_words(zoom) },
    }
}

/// Findings that only a picture of both channels shows.
fn is_about_channels(id: Id) -> bool {
    matches!(id, Id::DeadChannel | Id::InvertedChannel)
}

/// What the changes make of every channel: the one that is kept or all, what is subtracted, and the gain.
pub(crate) fn after_channels(stem: &StemRecord, measures: &Measures) -> Vec<(usize, f64, f64)> {
    let change = |stage: &str| stem.changes.iter().find(|change| change.stage == stage);
    let gain_db = change("gain-stage").and_then(|change| change.to.as_f64()).unwrap_or(0.0);
    let gain = libm::pow(10.0, gain_db / 20.0);
    let kept = change("channel-fix").and_then(|change| change.more.get("kept")?.as_u64());
    let constants = change("dc-removal").and_then(|change| change.more.get("constants")?.as_array());
    // The right one of two joined files is the second channel of what was changed.
    let right = change("channel-fix").and_then(|change| change.more.get("right")?.as_str());
    let first = usize::from(right == Some(stem.source.path.as_str()));
    let constant = |index: usize| constants.and_then(|all| all.get(first + index)?.as_f64()).unwrap_or(0.0);
    let channels = (0..measures.channels.len()).filter(|index| kept.is_none_or(|kept| kept == *index as u64));
    channels
        .enumerate()
        .map(|(index, channel)| (channel, constant(index) - subtracted(measures, channel), gain))
        .collect()
}

fn subtracted(measures: &Measures, channel: usize) -> f64 {
    measures.subtracted.get(channel).copied().unwrap_or(0.0)
}

/// What both pictures of a stem share.
struct Frame<'a> {
    stem: &'a StemRecord,
    manifest: &'a Manifest,
    axis: &'a Axis,
    zoom: f64,
}

impl Frame<'_> {
    fn before(&self, drawn: &Drawn<'_>, lanes: &[(Trace, Lane)]) -> String {
        let words = format!("As delivered: {}", words(&lanes[0].0, drawn.keep, self.stem.source.peak_dbfs));
        let mut body = self.extent(drawn.keep);
        for (trace, lane) in lanes {
            body.push_str(&wave(trace, *lane, self.zoom));
        }
        for finding in &self.stem.findings {
            if let Some(mark) = mark(finding, self.stem, self.manifest) {
                body.push_str(&self.shape(&mark, drawn));
            }
        }
        self.svg("was", &words, &body)
    }

    fn after(&self, trace: &Trace) -> String {
        let output = self.stem.output.as_ref();
        let span = output_span(self.stem).unwrap_or((0.0, 0.0));
        let words = format!("As prepared: {}", words(trace, span, output.and_then(|o| o.peak_dbfs)));
        let body = self.extent(span) + &wave(trace, Lane::WHOLE, self.zoom);
        self.svg("now", &words, &body)
    }

    /// The paper that a file covers, with its edges.
    fn extent(&self, span: (f64, f64)) -> String {
        let (from, to) = (self.axis.column(span.0) - 0.5, self.axis.column(span.1) - 0.5);
        format!("<path class=extent d=\"M{from:.2} 0h{:.2}v{HEIGHT}H{from:.2}z\"/>", to - from)
    }

    fn shape(&self, mark: &Mark, drawn: &Drawn<'_>) -> String {
        match mark.shape {
            Shape::Reaching(level) => {
                let runs = drawn.reaching(self.axis, level);
                let (top, bottom) = (strokes(&runs, 14), strokes(&runs, HEIGHT - 14));
                format!("<path class=reach d=\"{top}{bottom}\"/>")
            }
            Shape::Stretch(from, to) => {
                let (from, to) = (self.axis.column(from) - 0.5, self.axis.column(to) - 0.5);
                let width = (to - from).max(0.5);
                format!(
                    "<path class=gap fill=\"url(#gap)\" d=\"M{from:.2} 0h{width:.2}v{HEIGHT}H{from:.2}z\"/>"
                )
            }
            Shape::Level(amplitude) => {
                let y = Lane::WHOLE.y(amplitude * self.zoom);
                let from = self.axis.column(drawn.keep.0) - 0.5;
                format!(
                    "<path class=level d=\"M{from:.2} {y}H{:.2}\"/>",
                    self.axis.column(drawn.keep.1) - 0.5
                )
            }
            Shape::Place => String::new(),
        }
    }

    /// The scale's lines behind, the flags of the findings above.
    fn svg(&self, class: &str, words: &str, body: &str) -> String {
        let mut ticks = String::new();
        for tick in self.axis.ticks() {
            let _ = write!(ticks, "M{:.2} 0v{HEIGHT}", self.axis.column(tick) - 0.5);
        }
        let words = if self.zoom == 1.0 {
            words.to_owned()
        } else {
            format!("{words}; drawn {}", scale_words(self.zoom))
        };
        format!(
            "<svg class=\"wave {class}\" viewBox=\"-0.5 0 {COLUMNS} {HEIGHT}\" preserveAspectRatio=\"none\" \
             role=\"img\" aria-label=\"{}\"><path class=tick d=\"{ticks}\"/>{body}</svg>",
            html(&words)
        )
    }
}

/// "×8", or "÷2" where floats pass full scale.
fn scale_words(zoom: f64) -> String {
    if zoom < 1.0 { format!("÷{}", 1.0 / zoom) } else { format!("×{zoom}") }
}

fn wave(trace: &Trace, lane: Lane, zoom: f64) -> String {
    let silent = strokes(&trace.silences(), lane.middle);
    let sound = trace.path(lane, zoom);
    let mut text = String::new();
    if !silent.is_empty() {
        let _ = write!(text, "<path class=silent d=\"{silent}\"/>");
    }
    if !sound.is_empty() {
        let _ = write!(text, "<path class=sound d=\"{sound}\"/>");
    }
    text
}

/// The picture in words, for those who do not see it.
fn words(trace: &Trace, span: (f64, f64), peak_dbfs: Option<f64>) -> String {
    let level = peak_dbfs.map_or("silent".to_owned(), |db| format!("peak {} dBFS", number(db, 2, false)));
    let silent: usize = trace.silences().iter().map(|(from, to)| to - from).sum();
    let all = trace.0.iter().flatten().count().max(1);
    format!(
        "from {} to {}, {level}, {} % of it silent",
        clock(span.0, 2),
        clock(span.1, 2),
        (silent * 100 + all / 2) / all
    )
}
