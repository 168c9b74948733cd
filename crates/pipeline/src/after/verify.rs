//! Checks a prepared delivery against its manifest: every file, every promise.
//!
//! Prepared WAV files are read by hound here, AIFF, CAF and FLAC by symphonia (`other_reader`), not by the readers that
//! belong to our writers: a common misunderstanding of the two would otherwise never show. Only what hound cannot read
//! (RF64, 64-bit floats) goes through our own reader.

use std::collections::BTreeMap;
use std::fs::File;
use std::io::BufReader;
use std::path::Path;

use loadin_audio::{Block, Decibels};
use loadin_record::digest::text_digest;
use loadin_record::layout::{ANSWERS, MOST_PAPER_BYTES, RECIPE};
use loadin_record::manifest::{Manifest, OutputRecord, State};
use loadin_record::path_below::PathBelow;
use loadin_record::role::StemRole;
use loadin_storage::inside;
use loadin_storage::pieces::digest;
use loadin_storage::plain_file;

use super::other_reader;
use super::session_file;
use super::sound_read::{SoundRead, SoundReadError};
use crate::output::difference::Verified;
use crate::output::folder::outputs_of;
use crate::output::manifest_file::{ManifestFileError, read_manifest};
use crate::output::{audio_folder, bag, checksums};
use crate::source::file;
use crate::work::event::{Event, Listener, Step};
use crate::work::schedule::in_parallel;

/// Verifies the prepared delivery in the folder or bag `root`; with `delivery`, its sources as well. Runs on the current rayon pool.
///
/// # Errors
/// When there is no readable manifest: then nothing can be said.
pub fn verify(
    root: &Path,
    delivery: Option<&Path>,
    listener: &Listener<'_>,
) -> Result<Verified, ManifestFileError> {
    let out = &outputs_of(root);
    let manifest = read_manifest(out)?;
    let mut verified = Verified::default();
    check_manifest(out, &manifest, &mut verified);
    let outputs: BTreeMap<&str, &OutputRecord> =
        manifest.stems.iter().filter_map(|stem| stem.output.as_ref().map(|o| (o.path.as_str(), o))).collect();
    listener(Event::Step { step: Step::Verify, stems: outputs.len() });
    let all: Vec<&OutputRecord> = outputs.values().copied().collect();
    let checked = in_parallel(
        &all,
        |output| output.bytes,
        |output| {
            listener(Event::Started { step: Step::Verify, path: &output.path, frames: output.frames });
            let mut of_output = Verified::default();
            check_output(out, output, &mut of_output);
            listener(Event::Ended { step: Step::Verify, path: &output.path, error: None });
            of_output.differences
        },
    );
    verified.outputs = checked.len();
    verified.differences.extend(checked.into_iter().flatten());
    check_promises(&manifest, &mut verified);
    check_neighbours(out, &manifest, &outputs, &mut verified);
    session_file::check(out, &manifest, &mut verified);
    if bag::is_bag(root) {
        bag::verify(root, &mut verified);
    }
    if let Some(delivery) = delivery {
        check_sources(delivery, &manifest, &mut verified);
    }
    Ok(verified)
}

/// The manifest proves itself: its digests, and its text, which is written in one way only.
fn check_manifest(out: &Path, manifest: &Manifest, verified: &mut Verified) {
    let text = plain_file::read_text(&out.join("manifest.json"), MOST_PAPER_BYTES);
    let whole = manifest.digest == manifest.own_digest() && manifest.run.digest == manifest.run.own_digest();
    if !whole {
        verified.differs("manifest.json", "its contents do not match the digests that it carries");
    } else if text.is_ok_and(|text| text != manifest.to_json()) {
        verified.differs("manifest.json", "its text is not as it was written");
    }
}

fn check_output(out: &Path, output: &OutputRecord, verified: &mut Verified) {
    let stored = match inside::digest(out, &output.path) {
        Ok(stored) => stored,
        Err(error) => return verified.differs(output.path.as_str(), format!("it cannot be read: {error}")),
    };
    if stored.bytes != output.bytes {
        verified.differs(output.path.as_str(), format!("{} bytes instead of {}", stored.bytes, output.bytes));
    }
    if stored.sha256 != output.sha256 {
        verified.differs(output.path.as_str(), "its SHA-256 differs from the manifest's");
    }
    match read(out, output) {
        Err(error) => verified.differs(output.path.as_str(), error.to_string()),
        Ok(read) => compare(output, &read, verified),
    }
}

fn compare(output: &OutputRecord, read: &SoundRead, verified: &mut Verified) {
    let mut expect = |what: &str, found: String, promised: String| {
        if found != promised {
            verified.differs(output.path.as_str(), format!("{what} {found} instead of {promised}"));
        }
    };
    expect("rate in Hz", read.rate_hz.to_string(), output.rate_hz.to_string());
    expect("channels", read.channels.to_string(), output.channels.to_string());
    expect("bits", read.bits.to_string(), output.bits.to_string());
    expect("frames", read.frames.to_string(), output.frames.to_string());
    let level = |peak: Option<f64>| peak.map_or("silence".to_owned(), |db| format!("{db:.3}"));
    let found = loadin_record::finding::round_to(Decibels::from_ratio(read.peak).0, 3);
    expect("peak in dBFS", level(found), level(output.peak_dbfs));
}

fn read(out: &Path, output: &OutputRecord) -> Result<SoundRead, SoundReadError> {
    let for_hound = u32::try_from(output.bytes).is_ok() && output.bits <= 32;
    let file = inside::open(out, &output.path)?;
    match output.path.rsplit_once('.') {
        Some((_, "aif" | "caf" | "flac")) => other_reader::read(file),
        _ if for_hound => read_with_hound(file),
        _ => read_with_codec(file),
    }
}

fn read_with_hound(file: File) -> Result<SoundRead, SoundReadError> {
    let failed = |cause: hound::Error| SoundReadError::RefusedByHound { cause };
    let mut reader = hound::WavReader::new(BufReader::new(file)).map_err(failed)?;
    let spec = reader.spec();
    let float = spec.sample_format == hound::SampleFormat::Float;
    let frames = u64::from(reader.duration());
    let peak = if float {
        reader
            .samples::<f32>()
            .try_fold(0.0f64, |peak, s| s.map(|s| peak.max(f64::from(s).abs())))
            .map_err(failed)?
    } else {
        let full_scale = 2f64.powi(i32::from(spec.bits_per_sample) - 1);
        let most = reader.samples::<i32>().try_fold(0u32, |most, s| s.map(|s| most.max(s.unsigned_abs())));
        f64::from(most.map_err(failed)?) / full_scale
    };
    Ok(SoundRead {
        rate_hz: spec.sample_rate,
        channels: spec.channels,
        bits: spec.bits_per_sample,
        float,
        frames,
        peak,
    })
}

fn read_with_codec(file: File) -> Result<SoundRead, SoundReadError> {
    let mut decoder = loadin_codec::open(file, false)?;
    let mut block = Block::new(usize::from(decoder.format().channels));
    let (mut peak, mut frames) = (0.0f64, 0);
    while decoder.next_block(&mut block)? {
        frames += block.frames() as u64;
        peak = block.iter().flatten().fold(peak, |peak, sample| peak.max(sample.abs()));
    }
    let format = decoder.format();
    let (rate_hz, channels, bits, float) = (format.rate_hz, format.channels, format.bits, format.float);
    Ok(SoundRead { rate_hz, channels, bits, float, frames, peak })
}

/// What the manifest promises of the stems together.
fn check_promises(manifest: &Manifest, verified: &mut Verified) {
    let mut shared: Option<(String, String)> = None;
    for stem in manifest.stems.iter().filter(|stem| stem.role == StemRole::Stem && stem.output.is_some()) {
        let path = &stem.source.path;
        if manifest.link.length_frames > 0
            && stem.output.as_ref().is_some_and(|o| o.frames != manifest.link.length_frames)
        {
            verified.differs(
                path,
                format!(
                    "its output does not have the common length of {} frames",
                    manifest.link.length_frames
                ),
            );
        }
        let gain = stem.changes.iter().find(|change| change.stage == "gain-stage");
        let Some(gain) = gain.filter(|_| manifest.link.gains.len() == 1) else { continue };
        let found = gain.to.to_string();
        let (value, first) = shared.get_or_insert_with(|| (found.clone(), path.clone()));
        if *value != found {
            verified.differs(
                path,
                format!("its gain is {} dB, that of \"{first}\" is {value} dB; they share one link", gain.to),
            );
        }
    }
    for stem in &manifest.stems {
        let has_output = stem.output.is_some();
        let needs_output = matches!(stem.state, State::Prepared | State::Unchanged);
        if has_output != needs_output {
            verified.differs(
                &stem.source.path,
                format!("the manifest calls it {}, which does not fit its output", stem.state.as_str()),
            );
        }
    }
}

/// The files beside the audio, and files that nobody promised.
fn check_neighbours(
    out: &Path,
    manifest: &Manifest,
    outputs: &BTreeMap<&str, &OutputRecord>,
    verified: &mut Verified,
) {
    let answers = manifest.answers.as_ref().map(|answers| (ANSWERS, "answers", &answers.sha256));
    let named = [Some((RECIPE, "recipe", &manifest.recipe.sha256)), answers];
    for (path, what, sha256) in named.into_iter().flatten() {
        match plain_file::read_text(&out.join(path), MOST_PAPER_BYTES) {
            Ok(text) if text_digest(&text) == *sha256 => {}
            Ok(_) => verified.differs(path, format!("it is not the {what} that the manifest names")),
            Err(error) => verified.differs(path, format!("it cannot be read: {error}")),
        }
    }
    match plain_file::read_text(&out.join(checksums::LIST), MOST_PAPER_BYTES) {
        Ok(text) => check_list(out, &text, outputs, verified),
        Err(error) => verified.differs("checksums.sha256", format!("it cannot be read: {error}")),
    }
    for path in audio_folder::listed(out) {
        if !outputs.contains_key(path.as_str()) {
            verified.differs(path, "the manifest does not know it");
        }
    }
}

fn check_list(out: &Path, text: &str, outputs: &BTreeMap<&str, &OutputRecord>, verified: &mut Verified) {
    let listed = checksums::parse(text);
    for (path, output) in outputs {
        if listed.get(*path) != Some(&output.sha256) {
            verified.differs(
                "checksums.sha256",
                format!("its line for \"{path}\" does not agree with the manifest"),
            );
        }
    }
    for (path, sum) in listed.into_iter().filter(|(path, _)| !outputs.contains_key(path.as_str())) {
        let found = match PathBelow::new(path.clone()) {
            Ok(path) => inside::digest(out, &path),
            Err(error) => {
                verified.differs("checksums.sha256", error.to_string());
                continue;
            }
        };
        if !found.is_ok_and(|stored| stored.sha256 == sum) {
            verified.differs(path, "it does not match its line in checksums.sha256");
        }
    }
}

fn check_sources(delivery: &Path, manifest: &Manifest, verified: &mut Verified) {
    for stem in &manifest.stems {
        let Some(sum) = &stem.source.sha256 else { continue };
        verified.sources += 1;
        match file::open(delivery, &stem.source.path).and_then(|mut source| digest(&mut source)) {
            Err(error) => verified.differs(&stem.source.path, format!("the source cannot be read: {error}")),
            Ok(stored) if stored.sha256 != *sum => {
                verified.differs(&stem.source.path, "the source has changed");
            }
            Ok(_) => {}
        }
    }
}
