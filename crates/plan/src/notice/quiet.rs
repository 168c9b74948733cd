//! Stems that are far quieter than all others: most were exported with a fader down. Nothing follows from it.

use loadin_audio::Decibels;
use loadin_record::finding::{Finding, Id, rounded};
use loadin_record::survey::Measures;

use crate::draft::Draft;

/// How far below the middle of all stems one is far below, in dB: common practice, no source. A mix's faders reach that
/// far, and no player is that quiet beside the others.
const FAR_DB: f64 = 30.0;

/// Stems that it takes for a middle to say something: common practice, no source.
const FEWEST: usize = 4;

/// What is this far below the loudest moment of a stem is a rest of it, in dB: common practice, no source.
const REST_DB: f64 = 30.0;

/// Adds a finding to every stem that is far below the others.
pub(super) fn notice(draft: &mut Draft<'_>) {
    let levels: Vec<Option<f64>> = draft
        .stems
        .iter()
        .map(|stem| stem.sources[0].measures.as_ref().ok().filter(|_| !stem.reference).and_then(level_db))
        .collect();
    let mut sorted: Vec<f64> = levels.iter().copied().flatten().collect();
    if sorted.len() < FEWEST {
        return;
    }
    sorted.sort_by(f64::total_cmp);
    let middle = sorted[sorted.len() / 2];
    for (stem, level) in draft.stems.iter_mut().zip(levels) {
        let Some(level) = level.filter(|level| middle - level >= FAR_DB) else { continue };
        let text = format!(
            "{:.0} dB below the middle of all stems where it sounds ({level:.0} dBFS RMS): listen whether it was exported \
             with its fader down",
            middle - level
        );
        let finding = Finding::new(Id::FarBelow, text);
        stem.note(finding.with("level_dbfs", rounded(level, 1)).with("middle_dbfs", rounded(middle, 1)));
    }
}

/// The RMS level of a stem where it sounds, in dBFS; `None` where it never does. Its offset has no say.
fn level_db(measures: &Measures) -> Option<f64> {
    let envelope = &measures.envelope;
    let mut squares: Vec<f64> = Vec::new();
    for (index, channel) in envelope.channels.iter().enumerate() {
        let offset = measures.channels.get(index).map_or(0.0, |channel| channel.offset.mean);
        let taken = measures.subtracted.get(index).copied().unwrap_or(0.0);
        let constant = offset - taken;
        squares.resize(channel.sum_sq.len(), 0.0);
        for (window, (sum, square)) in channel.sum.iter().zip(&channel.sum_sq).enumerate() {
            let (sum, square) = (f64::from(*sum), f64::from(*square));
            let frames = frames_in(window, envelope.window_frames, envelope.frames);
            // The mean of (x − c)² is that of x² less 2 c times that of x, and c². Digital silence stays silent.
            let centred = (square - 2.0 * constant * sum) / frames + constant * constant;
            let louder = if square == 0.0 { 0.0 } else { centred.max(0.0) };
            squares[window] = squares[window].max(louder);
        }
    }
    let loudest = squares.iter().copied().fold(0.0, f64::max);
    let least = loudest * libm::pow(10.0, -REST_DB / 10.0);
    let sounding: Vec<f64> = squares.into_iter().filter(|square| *square > 0.0 && *square >= least).collect();
    let mean = sounding.iter().sum::<f64>() / sounding.len().max(1) as f64;
    (mean > 0.0).then(|| Decibels::from_ratio(mean.sqrt()).0)
}

/// Frames of a window; the last one may be short.
fn frames_in(window: usize, window_frames: u64, frames: u64) -> f64 {
    window_frames.min(frames.saturating_sub(window as u64 * window_frames)).max(1) as f64
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::testing::{Stem, recipe, stem, with_draft};

    /// The findings of every stem.
    fn found(stems: Vec<Stem>) -> Vec<Vec<Finding>> {
        with_draft(&recipe(""), stems, |draft| {
            notice(draft);
            draft.stems.iter().map(|stem| stem.findings.clone()).collect()
        })
    }

    fn of_peak(path: &str, peak: f64) -> Stem {
        stem(path).channels(&[peak])
    }

    /// A sine of 0.5 has an RMS of 0.354, which is −9.0 dBFS; 0.01 of that is 40 dB below (arithmetic).
    #[test]
    fn a_stem_far_below_the_middle_is_named_with_its_level() {
        let all = ["Bass.wav", "Kick.wav", "Snare.wav", "Keys.wav"].map(|path| of_peak(path, 0.5));
        let mut stems = all.to_vec();
        stems.push(of_peak("Vox.wav", 0.005));
        let found = found(stems);
        assert_eq!(found.iter().map(Vec::len).collect::<Vec<_>>(), [0, 0, 0, 0, 1]);
        let finding = &found[4][0];
        assert!(
            finding.text.starts_with("40 dB below the middle of all stems where it sounds (-49 dBFS RMS)")
        );
        assert_eq!(finding.evidence["middle_dbfs"], -9.0);
    }

    /// 29 dB is the rest of a mix, a stem that sounds for a moment is as loud as it is then, and three stems have no middle.
    #[test]
    fn quiet_parts_short_parts_and_few_stems_are_none() {
        let names = ["Bass.wav", "Kick.wav", "Snare.wav", "Keys.wav"];
        let loud = || names.map(|path| of_peak(path, 0.5)).to_vec();
        let with = |stem: Stem| loud().into_iter().chain([stem]).collect::<Vec<_>>();
        assert_eq!(found(with(of_peak("Pad.wav", 0.5 * 10f64.powf(-29.0 / 20.0))))[4], []);
        assert_eq!(found(with(of_peak("FX.wav", 0.5).sounding(0..9600)))[4], []);
        assert_eq!(found(with(stem("Silent.wav").silent()))[4], []);
        let few = vec![of_peak("a.wav", 0.5), of_peak("b.wav", 0.5), of_peak("c.wav", 0.001)];
        assert_eq!(found(few)[2], []);
    }
}
