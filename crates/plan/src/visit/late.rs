//! Late files: what changed in a delivery after it was prepared, said in time, level, length and content.
//!
//! The replaced file itself is often gone. What is left of it is the record of its survey, so old and new are compared
//! by their envelopes: windows of 10 ms, which is enough to say where somebody has to listen.

use loadin_record::finding::{Id, round_to};
use loadin_record::late::{ChangeKind, Comparison, FileSummary, LateFile};
use loadin_record::manifest::{Manifest, StemRecord};
use loadin_record::source::source_record;
use loadin_record::survey::{Measures, Survey};

use super::standing::{PromisedStem, Standing, Visit, is_about};
use crate::plan::{Plan, StemPlan};

/// What changed from an earlier manifest to the files that are there now; none where nothing did. `old` gives the survey
/// of a replaced file, where its record is left.
pub fn differences(
    earlier: &Manifest,
    (visit, plan): (&Visit, &Plan),
    surveys: &[Survey],
    old: impl Fn(&StemRecord) -> Option<Survey>,
) -> Vec<LateFile> {
    let before = |path: &str| earlier.stems.iter().find(|stem| stem.source.path == path);
    let moved = |path: &str| visit.stem_of(path).is_some_and(PromisedStem::has_moved);
    let mut files: Vec<LateFile> = surveys
        .iter()
        .filter(|survey| before(&survey.path).is_some() || !moved(&survey.path))
        .filter_map(|survey| match before(&survey.path) {
            Some(stem) if stem.source.sha256.as_deref().unwrap_or("") == survey.sha256 => {
                (stem.output.is_none() && made_of(plan, &survey.path).is_some()).then(|| added(survey, plan))
            }
            // What had no output comes now; what cannot be used either is no news.
            Some(stem) if stem.output.is_none() => survey.measures.is_ok().then(|| added(survey, plan)),
            Some(stem) if is_known(stem, visit, survey) => None,
            Some(stem) => Some(replaced(stem, survey, old(stem).as_ref())),
            None => Some(added(survey, plan)),
        })
        .collect();
    let there = |path: &str| surveys.iter().any(|survey| survey.path == path) || moved_from(visit, path);
    // What was gone before is no news.
    let known = |stem: &StemRecord| stem.findings.iter().any(|finding| finding.id == Id::SourceGone);
    let gone = |stem: &&StemRecord| !there(&stem.source.path) && !known(stem);
    files.extend(earlier.stems.iter().filter(gone).map(removed));
    files.sort_by(|a, b| a.path.cmp(&b.path));
    files
}

/// The planned stem whose output is made of a file.
fn made_of<'p>(plan: &'p Plan, path: &str) -> Option<&'p StemPlan> {
    plan.rendered().find(|stem| stem.sources.iter().any(|source| source.path == path))
}

/// Whether the last visit has said already that this new file cannot be used.
fn is_known(stem: &StemRecord, visit: &Visit, survey: &Survey) -> bool {
    let standing = visit.stem_of(&survey.path).map(|stem| &stem.standing);
    let Some(Standing::Unusable { found, .. }) = standing else { return false };
    stem.findings.iter().any(|finding| is_about(finding, found))
}

/// Whether the file that stood at this path stands at another one now.
fn moved_from(visit: &Visit, path: &str) -> bool {
    let mut sources = visit.stems.iter().flat_map(|stem| &stem.sources);
    sources.any(|source| source.before == path && source.now.is_some())
}

/// A file that was not there before, or could not be used.
fn added(survey: &Survey, plan: &Plan) -> LateFile {
    let becomes = made_of(plan, &survey.path).map_or_else(
        || "no output is made of it".to_owned(),
        |made| format!("its output is {}", made.output_path()),
    );
    LateFile {
        path: survey.path.clone(),
        what: ChangeKind::Added,
        before: None,
        after: Some(FileSummary::of(&source_record(survey))),
        comparison: None,
        text: format!("it was not there before; {becomes}"),
    }
}

fn removed(stem: &StemRecord) -> LateFile {
    let output = stem.output.as_ref().map_or_else(
        || "it had no output".to_owned(),
        |output| format!("its output {} stays as it is", output.path),
    );
    LateFile {
        path: stem.source.path.clone(),
        what: ChangeKind::Removed,
        before: Some(FileSummary::of(&stem.source)),
        after: None,
        comparison: None,
        text: format!("it is not in the delivery any more; {output}"),
    }
}

fn replaced(stem: &StemRecord, survey: &Survey, old: Option<&Survey>) -> LateFile {
    let (before, after) = (FileSummary::of(&stem.source), FileSummary::of(&source_record(survey)));
    let old = old.and_then(|old| old.measures.as_ref().ok());
    let comparison = old.zip(survey.measures.as_ref().ok()).map(|(old, new)| compare(old, new));
    let text = sentence(&before, &after, comparison.as_ref());
    LateFile {
        path: survey.path.clone(),
        what: ChangeKind::Replaced,
        before: Some(before),
        after: Some(after),
        comparison,
        text,
    }
}

fn sentence(before: &FileSummary, after: &FileSummary, comparison: Option<&Comparison>) -> String {
    let mut parts: Vec<String> = after.length_against(before).into_iter().collect();
    if before.rate_hz != after.rate_hz
        && let (Some(old), Some(new)) = (before.rate_hz, after.rate_hz)
    {
        parts.push(format!("{new} Hz instead of {old} Hz"));
    }
    if before.channels != after.channels
        && let (Some(old), Some(new)) = (before.channels, after.channels)
    {
        let channels = if new == 1 { "channel" } else { "channels" };
        parts.push(format!("{new} {channels} instead of {old}"));
    }
    match comparison {
        None => parts.push("the sound of the two cannot be compared".to_owned()),
        Some(comparison) => parts.push(comparison.sentence()),
    }
    format!("another file has its name; {}", parts.join("; "))
}

/// Sound is looked for so far from where it was, in windows: 10 s.
const MOST_LAG: usize = 1000;
/// Courses of level that are less alike than this are of two different recordings.
const SAME_RECORDING: f64 = 0.6;
/// Windows differ when their levels are further apart than this, against the louder of them: 1 dB.
const DIFFERS: f64 = 0.11;
/// What is this far below the loudest window counts as silence: -60 dB.
const FLOOR: f64 = 1e-3;
/// Differences nearer than this, in windows, are one.
const ONE_SPAN: usize = 50;

fn compare(old: &Measures, new: &Measures) -> Comparison {
    let seconds = new.envelope.window_seconds();
    let (from, to) = (level_curve(old), level_curve(new));
    let (lag, likeness) = best_lag(&from, &to);
    let alike = (old.envelope.window_seconds() - seconds).abs() < 1e-4 && likeness >= SAME_RECORDING;
    let pairs = || aligned(&from, &to, lag);
    let loudest = |course: &[f64]| course.iter().fold(0.0f64, |most, level| most.max(*level));
    let (floor_old, floor) = (loudest(&from) * FLOOR, loudest(&to) * FLOOR);
    let ratios = pairs().filter(|&(_, x, y)| x > floor_old && y > floor).map(|(_, x, y)| y / x);
    let factor = median(ratios.collect());
    let differs = |&(_, x, y): &(usize, f64, f64)| {
        let x = x * factor;
        (x - y).abs() > DIFFERS * x.max(y) && x.max(y) > floor
    };
    let spans = if alike { spans(pairs().filter(differs).map(|(window, ..)| window)) } else { Vec::new() };
    let time = |windows: usize| round_to(windows as f64 * seconds, 2).unwrap_or(0.0);
    Comparison {
        same_samples: old.content == new.content,
        later_seconds: if alike { round_to(lag as f64 * seconds, 2).unwrap_or(0.0) } else { 0.0 },
        level_db: if alike { round_to(20.0 * libm::log10(factor), 1) } else { None },
        likeness: round_to(likeness, 3).unwrap_or(0.0),
        differs: spans.into_iter().map(|(from, to)| (time(from), time(to))).collect(),
    }
}

/// The middle of a list, which a part that is quite different does not move; 0 for none.
fn median(mut values: Vec<f64>) -> f64 {
    let middle = values.len() / 2;
    if values.is_empty() { 0.0 } else { *values.select_nth_unstable_by(middle, f64::total_cmp).1 }
}

/// The level of every window, all channels together, as an amplitude.
fn level_curve(measures: &Measures) -> Vec<f64> {
    let channels = &measures.envelope.channels;
    let windows = channels.first().map_or(0, |channel| channel.sum_sq.len());
    let scale = measures.envelope.window_frames as f64 * channels.len().max(1) as f64;
    let energy = |window: usize| channels.iter().map(|c| f64::from(c.sum_sq[window])).sum::<f64>();
    (0..windows).map(|window| (energy(window) / scale).sqrt()).collect()
}

/// Windows of the new course with the old level at that place and the new one; what lies outside is silence.
fn aligned<'a>(old: &'a [f64], new: &'a [f64], lag: i64) -> impl Iterator<Item = (usize, f64, f64)> + 'a {
    let end = new.len().max((old.len() as i64 + lag).max(0) as usize);
    let at = |course: &[f64], index: i64| {
        usize::try_from(index).ok().and_then(|index| course.get(index)).copied().unwrap_or(0.0)
    };
    (0..end).map(move |window| (window, at(old, window as i64 - lag), at(new, window as i64)))
}

/// How many windows later the new course is most like the old one, and how alike they are then: the cosine of the two.
fn best_lag(old: &[f64], new: &[f64]) -> (i64, f64) {
    let norm = |course: &[f64]| course.iter().map(|x| x * x).sum::<f64>().sqrt();
    let scale = norm(old) * norm(new);
    if scale == 0.0 {
        return (0, 0.0);
    }
    let product = |lag: i64| {
        let (skip_old, skip_new) = ((-lag).max(0) as usize, lag.max(0) as usize);
        old.iter().skip(skip_old).zip(new.iter().skip(skip_new)).map(|(x, y)| x * y).sum::<f64>()
    };
    let lags = (0..=MOST_LAG as i64).flat_map(|lag| [lag, -lag]);
    // The nearest of equals, so that a steady tone has not moved.
    let (best, most) = lags.fold((0, product(0)), |(best, most), lag| {
        let found = product(lag);
        if found > most * (1.0 + 1e-9) { (lag, found) } else { (best, most) }
    });
    (best, most / scale)
}

/// Runs of windows, first and end; short gaps are bridged.
fn spans(windows: impl Iterator<Item = usize>) -> Vec<(usize, usize)> {
    let mut spans: Vec<(usize, usize)> = Vec::new();
    for window in windows {
        match spans.last_mut() {
            Some((_, end)) if window < *end + ONE_SPAN => *end = window + 1,
            _ => spans.push((window, window + 1)),
        }
    }
    spans
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A course of level with syllables, so that it is like itself at one place only.
    fn words(windows: usize) -> Vec<f64> {
        (0..windows)
            .map(|w| if (w * w / 97) % 3 == 0 { 0.0 } else { 0.1 + 0.05 * ((w % 7) as f64) })
            .collect()
    }

    #[test]
    fn a_shift_is_found_to_the_window() {
        let old = words(900);
        for lag in [0i64, 1, 37, 420, -64] {
            let mut new = vec![0.0; lag.max(0) as usize];
            new.extend(&old[(-lag).max(0) as usize..]);
            let (found, likeness) = best_lag(&old, &new);
            assert_eq!(found, lag);
            assert!(likeness > 0.9, "{likeness}");
        }
        assert_eq!(best_lag(&[0.3; 500], &[0.3; 500]).0, 0, "a steady tone has not moved");
        assert_eq!(best_lag(&[0.0; 500], &[0.3; 500]), (0, 0.0));
    }

    #[test]
    fn a_replaced_file_is_told_by_what_is_different() {
        let facts = |frames, rate_hz, channels| FileSummary {
            sha256: None,
            rate_hz: Some(rate_hz),
            channels: Some(channels),
            frames: Some(frames),
            peak_dbfs: None,
        };
        let old = facts(288_000, 48_000, 2);
        let parts = |new: &FileSummary| {
            let text = sentence(&old, new, None);
            let parts = text.strip_prefix("another file has its name; ").unwrap();
            parts.strip_suffix("the sound of the two cannot be compared").unwrap().to_owned()
        };
        assert_eq!(parts(&facts(307_200, 48_000, 2)), "0.4 s longer; ");
        assert_eq!(parts(&facts(288_003, 48_000, 2)), "3 frames longer; ");
        assert_eq!(
            parts(&facts(264_600, 44_100, 1)),
            "44100 Hz instead of 48000 Hz; 1 channel instead of 2; "
        );
        assert_eq!(parts(&old), "");
    }

    #[test]
    fn near_differences_are_one_span() {
        assert_eq!(spans([3, 4, 5, 40, 200, 201].into_iter()), [(3, 41), (200, 202)]);
        assert_eq!(spans(std::iter::empty()), []);
    }
}
