//! Stems laid under a mix: their gains, their places between samples, and what is left. It judges nothing.

use loadin_audio::{
    Apart, Late, Part, Room, UNMIX_WINDOW, UnmixWindow as Window, Unmixed, Unmixer, lateness,
};
use rayon::prelude::*;

use crate::mix::Voice;

/// Bands in which what is missing is looked for; the sketch ends there.
pub(super) const EDGES_HZ: &[f64] = &[40.0, 100.0, 200.0, 400.0, 800.0, 1600.0, 2500.0];

/// Samples from one window to the next.
pub(super) const HOP: usize = UNMIX_WINDOW / 2;

/// So many windows, in which stems are loud, say where they stand between two samples.
const MOST_ASKED: usize = 64;

/// How often places between samples are found again, since a delay is its slope only where it is small.
const ROUNDS: usize = 3;

/// How far from their places stems usually stand in a mix, in frames: programs round to the frame.
const USUAL_FRAMES: f64 = 0.5;

/// A stem further from its place than this, in samples, is not moved: its place is wrong.
const MOST_LATE: f64 = 0.5;

/// Gains that differ by less than this of the energy of the mix take it apart in the same way: −90 dB.
const SAME: f64 = 1e-9;

/// A mix with stems under it.
pub(super) struct Fit<'v, 'a> {
    /// Samples of the mix.
    pub(super) mix: &'v [f32],
    /// The stems.
    pub(super) voices: &'v [Voice<'a>],
    /// By how many samples the mix is late.
    pub(super) delay: f64,
    /// By how much each stem is later than its place.
    pub(super) late: Vec<f64>,
    /// The gain of each stem, as far as it is known before the whole mix is asked.
    gains: Vec<f64>,
    sample_hz: f64,
    factor: f64,
}

/// A mix taken apart, on the time line of the stems.
pub(super) struct Split {
    /// Where the first sample stands after the common start.
    pub(super) begins: i64,
    /// What the stems explain.
    pub(super) explained: Vec<f32>,
    /// What is left.
    pub(super) rest: Vec<f32>,
}

/// A place in samples of a sketch.
#[derive(Debug, Clone, Copy)]
struct SamplePlace {
    /// The nearest whole sample.
    whole: i64,
    /// What is left, at most half a sample either way.
    late: f64,
}

impl SamplePlace {
    fn of(samples: f64) -> Self {
        Self { whole: samples.round() as i64, late: samples - samples.round() }
    }
}

impl<'v, 'a> Fit<'v, 'a> {
    /// Lays stems under a mix, and finds where they stand to fractions of a frame, since 0.1 frames off are enough to leave
    /// a remainder at −30 dB. `factor` is how many frames a sample has.
    pub(super) fn new(
        mix: &'v [f32],
        voices: &'v [Voice<'a>],
        delay: f64,
        (sample_hz, factor): (f64, f64),
    ) -> Self {
        let (late, gains) = (vec![0.0; voices.len()], Vec::new());
        let mut fit = Self { mix, voices, delay, late, gains, sample_hz, factor };
        let asked = fit.telling();
        for round in 0..ROUNDS {
            fit.gains = fit.unmixed(fit.measure(&asked, Unmixer::window)).gains;
            let parts =
                fit.measure(&asked, |unmixer, mix, stems, room| unmixer.slopes(mix, stems, room, &fit.gains));
            let late = lateness(fit.voices.len(), parts, USUAL_FRAMES / fit.factor);
            if round == 0 {
                fit.delay += late.common.clamp(-1.0, 1.0);
                continue;
            }
            for (place, late) in fit.late.iter_mut().zip(late.own) {
                *place = (*place + late).clamp(-MOST_LATE, MOST_LATE);
            }
        }
        fit
    }

    /// The same stems at the same places under another mix of the same length.
    pub(super) fn of<'w>(&'w self, mix: &'w [f32]) -> Fit<'w, 'a> {
        Fit { mix, voices: self.voices, late: self.late.clone(), gains: self.gains.clone(), ..*self }
    }

    /// The first samples of all windows in which the mix sounds, after the common start.
    pub(super) fn windows(&self) -> Vec<i64> {
        let begin = -self.delay.floor() as i64;
        let most = self.mix.len().saturating_sub(UNMIX_WINDOW) as i64;
        (0..=most).step_by(HOP).map(|start| start + begin).collect()
    }

    /// The windows that say most of where stems stand: of every stem the loudest.
    fn telling(&self) -> Vec<i64> {
        let windows = self.windows();
        let each = (MOST_ASKED / self.voices.len().max(1)).clamp(1, 6);
        let mut asked: Vec<i64> = self
            .voices
            .par_iter()
            .flat_map_iter(|voice| {
                let mut half = [0.0; HOP];
                let mut energy = |start: i64| -> f64 {
                    voice.sketch.read(start - voice.at.round() as i64, &mut half);
                    half.iter().map(|x| f64::from(*x) * f64::from(*x)).sum()
                };
                // Every window ends with the half with which the next begins.
                let mut before = windows.first().map_or(0.0, |start| energy(*start));
                let mut energies: Vec<(f64, i64)> = Vec::new();
                for &start in &windows {
                    let after = energy(start + HOP as i64);
                    if before + after > 0.0 {
                        energies.push((before + after, start));
                    }
                    before = after;
                }
                energies.sort_by(|a, b| b.0.total_cmp(&a.0).then(a.1.cmp(&b.1)));
                energies.into_iter().take(each).map(|(_, start)| start)
            })
            .collect();
        asked.sort_unstable();
        asked.dedup();
        asked
    }

    /// Fits gains in the whole mix, and takes it apart at these gains.
    pub(super) fn explained(&self) -> (Unmixed, Split) {
        let windows = self.windows();
        // At the gains that the loudest windows have shown: where they are right, all is heard once only.
        let parts = self.measure(&windows, |unmixer, mix, stems, room| {
            unmixer.window_apart(mix, stems, room, &self.gains)
        });
        let (measured, parts): (Vec<Window>, Vec<Apart>) = parts.into_iter().unzip();
        let unmixed = self.unmixed(measured);
        let moved = unmixed.gains.iter().zip(&self.gains).zip(&unmixed.energies);
        let moved: f64 = moved.map(|((gain, before), energy)| (gain - before).powi(2) * energy).sum();
        let parts = if moved > SAME * unmixed.mix.iter().flatten().sum::<f64>() {
            // All windows take room, so they are not kept twice.
            drop(parts);
            let apart = |unmixer: &Unmixer, mix: Part<'_>, stems: &[Option<Part<'_>>], room: &mut Room| {
                unmixer.apart(mix, stems, room, &unmixed.gains)
            };
            self.measure(&windows, apart)
        } else {
            parts
        };
        (unmixed, split(&windows, &parts))
    }

    fn unmixed(&self, windows: Vec<Window>) -> Unmixed {
        let mut unmixer = self.unmixer();
        for window in windows {
            unmixer.push(window);
        }
        unmixer.finish()
    }

    fn unmixer(&self) -> Unmixer {
        Unmixer::new(self.voices.len(), EDGES_HZ, self.sample_hz)
    }

    /// Measures windows side by side, in their order.
    fn measure<T: Send>(
        &self,
        windows: &[i64],
        of: impl Fn(&Unmixer, Part<'_>, &[Option<Part<'_>>], &mut Room) -> T + Sync,
    ) -> Vec<T> {
        let unmixer = self.unmixer();
        let delay = SamplePlace::of(self.delay);
        let mix_late = Late::by(delay.late);
        let places = self.voices.iter().zip(&self.late).map(|(voice, late)| SamplePlace::of(voice.at + late));
        let places: Vec<(i64, Late)> = places.map(|place| (place.whole, Late::by(-place.late))).collect();
        // Room is taken once, and not for every window.
        let room = || (vec![0.0; UNMIX_WINDOW * (self.voices.len() + 1)], Room::default());
        let measured = windows.par_iter().map_init(room, |(samples, room), &start| {
            let (mix, samples) = samples.split_at_mut(UNMIX_WINDOW);
            read(self.mix, start + delay.whole, mix);
            let stems = self.voices.iter().zip(&places).zip(samples.chunks_mut(UNMIX_WINDOW));
            let stems: Vec<Option<Part<'_>>> = stems
                .map(|((voice, (whole, late)), out)| {
                    let sounds = voice.sketch.read(start - whole, out);
                    sounds.then_some(Part { samples: out, late })
                })
                .collect();
            of(&unmixer, Part { samples: mix, late: &mix_late }, &stems, room)
        });
        measured.collect()
    }
}

/// Puts windows together that were taken apart.
fn split(windows: &[i64], parts: &[Apart]) -> Split {
    let length = windows.len().saturating_sub(1) * HOP + UNMIX_WINDOW;
    let (mut explained, mut rest) = (vec![0.0; length], vec![0.0; length]);
    let add = |to: &mut [f32], part: &[f32]| to.iter_mut().zip(part).for_each(|(sum, x)| *sum += x);
    for (index, part) in parts.iter().enumerate() {
        add(&mut explained[index * HOP..], &part.explained);
        add(&mut rest[index * HOP..], &part.rest);
    }
    Split { begins: windows.first().copied().unwrap_or(0), explained, rest }
}

/// Fills `out` with the samples from `start` on; before the first and after the last one there is silence.
fn read(samples: &[f32], start: i64, out: &mut [f32]) {
    for (out, at) in out.iter_mut().zip(start..) {
        *out = usize::try_from(at).ok().and_then(|at| samples.get(at)).copied().unwrap_or(0.0);
    }
}
