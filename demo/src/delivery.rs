//! The delivery: which file holds what, and what is wrong with it. Every fault is here, and on purpose.
//!
//! The scenario: a small band has bounced its song from several computers. Most of it is at 48 kHz, the bass player
//! works at 44.1, the arpeggio comes from a session at 96. Someone has set the export to a broadcast format, so some
//! files know where they start; the riser was added last and begins where it sounds. One upload broke off, one file
//! was sent twice, one track was muted. An old converter has put an offset under the pad, a cable has cost the hats their
//! right side, and the bass was bounced as "stereo" with two equal sides. The high harmony begins at its
//! own entry and says nowhere when, and the bells were forgotten. The rough mix has none of that: it is the sum of the sound
//! stems and the bells, so whoever mends all faults and adds up the stems gets the rough mix back, but for the bells.

use std::fs;
use std::path::Path;

use loadin_codec::SampleKind;

use crate::Error;
use crate::band::{BASS_HZ, Band, PLUCK_HZ, riser_start};
use crate::files::{aiff, apple_double, flac, plain_wav, stamped_wav, view_settings};
use crate::song::BAR;
use crate::synth::{RATE_HZ, frames};

/// Time stamp of the song's start: one hour, as sessions often begin at 01:00:00 (common practice, no source).
pub const BASE_STAMP: u64 = 3600 * RATE_HZ as u64;

/// Bytes of the damaged file that arrived; the end falls inside a frame, as it does when an upload breaks off.
const ARRIVED_BYTES: usize = 701_337;

/// The note that comes with the files.
const NOTE: &str = "\
Orchard Signal - stems for the mix
==================================

125 bpm, 4/4, D minor.

Hello! Here is everything. A few words:

- All files start together, a bar and a half before the first sound. The riser
  was made last and starts where it sounds; it carries a time stamp.
- The rough mix is only for orientation: faders as we left them, nothing on the
  sum. Please do not match its level.
- We have kept everything quiet so that nothing clips. Bring it up as you like.
- Bass and arpeggio come from other computers, perhaps at another rate. Sorry.
- \"BV Low\" may be in there twice. The bells are not in here yet, they will
  follow.

Please keep the balance between the stems. Thank you, and have fun!
";

/// The steady offset of the pad: −40 dBFS.
pub const PAD_OFFSET: f64 = 0.01;

/// The frame at 48 kHz at which the file of the high harmony starts: two bars before its first sound.
pub fn high_start() -> u64 {
    own_start(&Band::play().high) as u64
}

/// Two bars before the first sound.
fn own_start(channels: &[Vec<f64>]) -> usize {
    entry(channels) - (2.0 * BAR * f64::from(RATE_HZ)) as usize
}

/// The first frame that is no silence.
fn entry(channels: &[Vec<f64>]) -> usize {
    channels
        .iter()
        .filter_map(|channel| channel.iter().position(|sample| sample.abs() > 1e-6))
        .min()
        .unwrap_or(0)
}

/// A file of the delivery.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct DemoFile {
    /// Path inside the delivery, with `/`.
    pub path: &'static str,
    /// Contents.
    pub bytes: Vec<u8>,
}

/// Makes all files of the delivery; the same bytes each time.
///
/// # Errors
/// When a container's writer refuses what it is given.
pub fn files() -> Result<Vec<DemoFile>, Error> {
    let Band { kick, snare, hats, tambourine, bass, keys, pad, pluck, lead, high, low, riser, rough } =
        Band::play();
    let file = |path, bytes| DemoFile { path, bytes };
    let dead_right = vec![hats[0].clone(), vec![0.0; hats[0].len()]];
    let dual_mono = vec![bass[0].clone(), bass[0].clone()];
    let shifted = vec![pad[0].iter().map(|sample| sample + PAD_OFFSET).collect()];
    let muted = vec![vec![0.0; frames(RATE_HZ)]];
    let mut damaged = plain_wav(&tambourine, RATE_HZ, 16)?;
    damaged.truncate(ARRIVED_BYTES);
    let high = vec![high[0][own_start(&high)..].to_vec()];
    let low = flac(&low, RATE_HZ, 16);
    Ok(vec![
        file("OrchardSignal_125bpm_Dm_Kick.wav", stamped_wav(&kick, RATE_HZ, SampleKind::I16, BASE_STAMP)?),
        file("OrchardSignal_125bpm_Dm_Snare.aif", aiff(&snare, RATE_HZ)?),
        file("OrchardSignal_125bpm_Dm_Hats.flac", flac(&dead_right, RATE_HZ, 16)),
        file("OrchardSignal_125bpm_Dm_Tamb.wav", damaged),
        file("OrchardSignal_125bpm_Dm_Bass DI.flac", flac(&dual_mono, BASS_HZ, 16)),
        file("OrchardSignal_125bpm_Dm_Keys.flac", flac(&keys, RATE_HZ, 16)),
        file("OrchardSignal_125bpm_Dm_Pad.flac", flac(&shifted, RATE_HZ, 24)),
        file("OrchardSignal_125bpm_Dm_Pluck Arp.flac", flac(&pluck, PLUCK_HZ, 24)),
        file(
            "OrchardSignal_125bpm_Dm_Lead Vox.wav",
            stamped_wav(&lead, RATE_HZ, SampleKind::I24, BASE_STAMP)?,
        ),
        file("OrchardSignal_125bpm_Dm_BV High.flac", flac(&high, RATE_HZ, 24)),
        file("OrchardSignal_125bpm_Dm_BV Low.flac", low.clone()),
        file("OrchardSignal_125bpm_Dm_BV Low_FINAL use this.flac", low),
        file("OrchardSignal_125bpm_Dm_Shaker.flac", flac(&muted, RATE_HZ, 24)),
        file(
            "riser (late add).wav",
            stamped_wav(&riser, RATE_HZ, SampleKind::F32, BASE_STAMP + riser_start())?,
        ),
        file("OrchardSignal ROUGH MIX v3.flac", flac(&rough, RATE_HZ, 16)),
        file("notes for the mix.txt", NOTE.as_bytes().to_vec()),
        file("._OrchardSignal_125bpm_Dm_Kick.wav", apple_double()),
        file(".DS_Store", view_settings()),
        file("__MACOSX/._OrchardSignal_125bpm_Dm_Snare.aif", apple_double()),
    ])
}

/// Writes the delivery into `folder`, which is made where it does not exist. Other files in it stay.
///
/// # Errors
/// When a file cannot be made or written.
pub fn write(folder: &Path) -> Result<(), Error> {
    for file in files()? {
        let path = folder.join(file.path);
        let parent = path.parent().expect("a file lies in a folder");
        fs::create_dir_all(parent).map_err(|source| Error::Write { path: parent.to_owned(), source })?;
        fs::write(&path, file.bytes).map_err(|source| Error::Write { path, source })?;
    }
    Ok(())
}
