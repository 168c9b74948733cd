//! Everybody's part, mixed to its level, as the session would export it. Faults come later, in the delivery.

use crate::noise::Section;
use crate::reverb::Room;
use crate::song::{self, BAR, CHORUS};
use crate::synth::{self, RATE_HZ, ending, filtered, frames};
use crate::voice::{Singer, sing};

/// Rate of the bass stem.
pub(crate) const BASS_HZ: u32 = 44_100;

/// Rate of the arpeggio stem.
pub(crate) const PLUCK_HZ: u32 = 96_000;

/// Peak of the kick, the loudest stem: +6 dB fits below full scale, +7 dB does not.
pub const LOUDEST_DBFS: f64 = -6.5;

/// Length of the riser in seconds; its first frame is a bar before the chorus.
const RISER_SECONDS: f64 = BAR + 0.2;

/// Frame at 48 kHz at which the riser starts.
pub fn riser_start() -> u64 {
    ((CHORUS - 1) as f64 * BAR * f64::from(RATE_HZ)).round() as u64
}

/// The bells that the rough mix has and the delivery has not, at 48 kHz, mono.
pub fn bells() -> Vec<f64> {
    at_peak(vec![synth::pluck(&song::bells(), RATE_HZ)], -16.0).remove(0)
}

/// One channel or two.
pub(crate) type Channels = Vec<Vec<f64>>;

/// All parts. `bass` and `pluck` are rendered twice, at their own rate and at that of the rough mix.
pub(crate) struct Band {
    /// Mono.
    pub(crate) kick: Channels,
    /// Mono.
    pub(crate) snare: Channels,
    /// Mono.
    pub(crate) hats: Channels,
    /// Mono.
    pub(crate) tambourine: Channels,
    /// Mono, at 44.1 kHz.
    pub(crate) bass: Channels,
    /// Stereo.
    pub(crate) keys: Channels,
    /// Mono.
    pub(crate) pad: Channels,
    /// Mono, at 96 kHz.
    pub(crate) pluck: Channels,
    /// Mono.
    pub(crate) lead: Channels,
    /// Mono.
    pub(crate) high: Channels,
    /// Mono.
    pub(crate) low: Channels,
    /// Stereo, from `riser_start` on.
    pub(crate) riser: Channels,
    /// The client's mix: the sum of all of the above and of the bells at 48 kHz, each as loud as its stem and with none of
    /// the faults.
    pub(crate) rough: Channels,
}

impl Band {
    /// Plays the song.
    pub(crate) fn play() -> Self {
        let bass = twice(|rate_hz| synth::bass(&song::bass(), rate_hz), BASS_HZ, -11.5);
        let pluck = twice(|rate_hz| synth::pluck(&song::pluck(), rate_hz), PLUCK_HZ, -17.5);
        let mut band = Self {
            kick: at_peak(vec![synth::kick(&song::kick())], LOUDEST_DBFS),
            snare: at_peak(vec![in_room(&synth::snare(&song::snare()), 0.45, 0.25, 0.10)], -10.5),
            hats: at_peak(vec![synth::hats(&song::hats())], -18.0),
            tambourine: at_peak(vec![synth::tambourine(&song::tambourine())], -19.0),
            bass: bass.stem,
            keys: at_peak(keys(), -15.0),
            pad: at_peak(vec![in_room(&synth::pad(&song::pad()), 1.6, 0.35, 0.12)], -23.0),
            pluck: pluck.stem,
            lead: at_peak(vec![lead()], -11.0),
            high: at_peak(vec![harmony(&song::high_harmony(), &HIGH)], -17.0),
            low: at_peak(vec![harmony(&song::low_harmony(), &LOW)], -17.0),
            riser: at_peak(synth::riser(RISER_SECONDS, BAR).into(), -14.0),
            rough: Vec::new(),
        };
        band.rough = band.mixed(&bass.in_mix, &pluck.in_mix);
        band
    }

    fn mixed(&self, bass: &Channels, pluck: &Channels) -> Channels {
        let rhythm = [&self.kick, &self.snare, &self.hats, &self.tambourine, bass];
        let harmony = [&self.keys, &self.pad, pluck, &self.lead, &self.high, &self.low];
        let mut mix = vec![vec![0.0; frames(RATE_HZ)]; 2];
        for part in rhythm.into_iter().chain(harmony) {
            add(&mut mix, part, 0);
        }
        add(&mut mix, &vec![bells()], 0);
        add(&mut mix, &self.riser, riser_start() as usize);
        mix
    }
}

/// One part at two rates, equally loud: as a stem, and in the rough mix.
struct Twice {
    stem: Channels,
    in_mix: Channels,
}

/// Plays a part at its own rate, where it gets its level, and again with the same gain for the mix.
fn twice(play: impl Fn(u32) -> Vec<f64>, rate_hz: u32, dbfs: f64) -> Twice {
    let (mut stem, mut in_mix) = (vec![play(rate_hz)], vec![play(RATE_HZ)]);
    let gain = amplitude(dbfs) / peak(&stem);
    for sample in stem.iter_mut().chain(&mut in_mix).flatten() {
        *sample *= gain;
    }
    Twice { stem, in_mix }
}

/// Adds a part to every channel of the mix; a mono part goes to all of them.
fn add(mix: &mut [Vec<f64>], part: &Channels, start: usize) {
    for (number, channel) in mix.iter_mut().enumerate() {
        for (sum, sample) in channel[start..].iter_mut().zip(&part[number % part.len()]) {
            *sum += sample;
        }
    }
}

/// The amplitude of a level.
pub(crate) fn amplitude(dbfs: f64) -> f64 {
    libm::pow(10.0, dbfs / 20.0)
}

/// The greatest magnitude.
pub(crate) fn peak(channels: &[Vec<f64>]) -> f64 {
    channels.iter().flatten().fold(0.0, |most, sample| sample.abs().max(most))
}

fn at_peak(mut channels: Channels, dbfs: f64) -> Channels {
    let gain = amplitude(dbfs) / peak(&channels);
    for sample in channels.iter_mut().flatten() {
        *sample *= gain;
    }
    channels
}

/// A mono sound with some of its room, mono, ending in silence.
fn in_room(dry: &[f64], seconds: f64, damping: f64, wet: f64) -> Vec<f64> {
    let [left, _] = Room::new(seconds, damping).answer(dry);
    faded(dry.iter().zip(&left).map(|(dry, room)| dry + wet * room).collect())
}

/// What lies below 30 Hz goes, and the end is silent.
fn faded(sound: Vec<f64>) -> Vec<f64> {
    let mut sound = filtered(sound, &mut Section::high_pass(30.0, 0.707, RATE_HZ));
    for (frame, sample) in sound.iter_mut().enumerate() {
        *sample *= ending(frame as f64 / f64::from(RATE_HZ));
    }
    sound
}

fn keys() -> Channels {
    let sides = synth::keys(&song::keys());
    let both: Vec<f64> = sides[0].iter().zip(&sides[1]).map(|(left, right)| 0.5 * (left + right)).collect();
    let room = Room::new(1.1, 0.4).answer(&both);
    let wet =
        |(dry, room): (Vec<f64>, Vec<f64>)| faded(dry.iter().zip(&room).map(|(d, r)| d + 0.09 * r).collect());
    sides.into_iter().zip(room).map(wet).collect()
}

const HIGH: Singer = Singer { seed: 42, formant_scale: 1.08, vibrato_hz: 5.9, late: 0.012 };
const LOW: Singer = Singer { seed: 43, formant_scale: 0.94, vibrato_hz: 5.2, late: 0.019 };

fn lead() -> Vec<f64> {
    let singer = Singer { seed: 41, formant_scale: 1.0, vibrato_hz: 5.5, late: 0.0 };
    in_room(&sing(&song::lead(), &singer), 1.0, 0.35, 0.05)
}

fn harmony(line: &[song::Syllable], singer: &Singer) -> Vec<f64> {
    in_room(&sing(line, singer), 1.4, 0.4, 0.08)
}
