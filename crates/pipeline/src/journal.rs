//! What is finished of a run, so that the next one does only what is missing.
//!
//! One small file a stem and step. A record counts only when everything it rests on is proved again: its own digest,
//! the program's version, what was asked for, and the SHA-256 of the source (survey) or of the output (render). So a
//! record that a power cut takes or tears costs work, never truth, and is written without waiting for the disk.

use std::fs;
use std::io::Write;
use std::path::{Path, PathBuf};

use loadin_audio::Sketch;
use loadin_record::digest::{Stored, hex};
use loadin_record::survey::{EnvelopeChannel, FileFacts, Scope, Survey};
use loadin_record::written::Measured;
use serde::de::DeserializeOwned;
use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};
use twox_hash::XxHash3_128;

use crate::plan::StemPlan;
use crate::render::output_path;
use crate::scan;
use crate::storage::{Disk, digest, digest_file, remove_if_there, unfinished_path};

/// Bumped when the same sources and settings give other measures or other bytes.
pub(crate) const RESULTS_VERSION: u32 = 4;

/// What a sketch holds; part of its key.
const SKETCH: &str = "middle of all channels, 20 minutes";

/// The records of one output folder.
pub(crate) struct Journal<'a> {
    disk: &'a dyn Disk,
    folder: PathBuf,
}

/// What a record rests on, and what it keeps.
#[derive(Serialize, Deserialize)]
struct Record<K, V> {
    program: String,
    results: u32,
    key: K,
    value: V,
}

/// A stem that was rendered.
#[derive(Serialize, Deserialize)]
struct Render {
    source: String,
    path: String,
    stored: Stored,
    measured: Measured,
}

/// An output that some run has written.
pub(crate) struct KnownOutput {
    /// Path of its source inside the delivery.
    pub(crate) source: String,
    /// Its own path inside the output folder.
    pub(crate) path: String,
    /// Its SHA-256 in hex.
    pub(crate) sha256: String,
}

impl<'a> Journal<'a> {
    /// The journal in a folder that exists.
    pub(crate) fn open(disk: &'a dyn Disk, folder: PathBuf) -> Self {
        Self { disk, folder }
    }

    /// The survey of a file, if it was made before of the very same bytes.
    pub(crate) fn survey(&self, delivery: &Path, file: &FileFacts, scope: Scope) -> Option<Survey> {
        let (mut survey, tail): (Survey, _) = self.read("survey", &file.path, &(file, scope))?;
        restore_envelope(&mut survey, &floats_of(&tail))?;
        let found = digest(&mut scan::open(delivery, &file.path).ok()?).ok()?;
        (found.sha256 == survey.sha256).then_some(survey)
    }

    /// The last survey of the file under this path, whatever it was asked for.
    pub(crate) fn survey_now(&self, path: &str) -> Option<Survey> {
        read_survey(&self.place("survey", path))
    }

    /// The survey of the file that stood under this path before the present one.
    pub(crate) fn survey_before(&self, path: &str) -> Option<Survey> {
        read_survey(&self.place("before", path))
    }

    /// Records a survey; one that failed is made again. That of another file under the same path is kept beside.
    pub(crate) fn record_survey(&self, file: &FileFacts, scope: Scope, survey: &Survey) {
        let place = self.place("survey", &file.path);
        if read_survey(&place).is_some_and(|old| old.sha256 != survey.sha256) {
            // Best effort, as all of the journal: without it two files are compared by less.
            let _ = self.disk.rename(&place, &self.place("before", &file.path));
        }
        if survey.measures.is_ok() {
            let mut survey = survey.clone();
            let floats = take_envelope(&mut survey);
            self.write("survey", &file.path, (file, scope), survey, &bytes_of(&floats));
        }
    }

    /// What was measured and stored of a planned stem, if its output is there as it was written.
    pub(crate) fn render(&self, out: &Path, stem: &StemPlan) -> Option<(Measured, Stored)> {
        let (Render { path, stored, measured, .. }, _) =
            self.read("render", stem.path(), &plan_digest(stem)?)?;
        let found = digest_file(&out.join(&path)).ok()?;
        (found == stored && path == output_path(stem)).then_some((measured, stored))
    }

    /// Records a rendered stem.
    pub(crate) fn record_render(&self, stem: &StemPlan, measured: &Measured, stored: &Stored) {
        if let Some(key) = plan_digest(stem) {
            let render = Render {
                source: stem.path().to_owned(),
                path: output_path(stem),
                stored: stored.clone(),
                measured: measured.clone(),
            };
            self.write("render", stem.path(), key, render, &[]);
        }
    }

    /// The survey of a file by the record alone: whoever renders proves the source again. One that failed counts too,
    /// where that was recorded.
    pub(crate) fn survey_on_record(&self, file: &FileFacts, scope: Scope) -> Option<Survey> {
        if let Some((mut survey, tail)) = self.read::<_, Survey>("survey", &file.path, &(file, scope)) {
            restore_envelope(&mut survey, &floats_of(&tail))?;
            return Some(survey);
        }
        self.read("unmeasured", &file.path, &(file, scope)).map(|(survey, _)| survey)
    }

    /// Whether the record of a rendered stem is there; its output is not looked at.
    pub(crate) fn has_render(&self, stem: &StemPlan) -> bool {
        plan_digest(stem).is_some_and(|key| self.read::<_, Render>("render", stem.path(), &key).is_some())
    }

    /// Records that a file gave no measures, for whoever plans on another machine; a survey that succeeds takes it back.
    pub(crate) fn record_unmeasured(&self, file: &FileFacts, scope: Scope, survey: &Survey) {
        if survey.measures.is_err() {
            let _ = self.write("unmeasured", &file.path, (file, scope), survey.clone(), &[]);
        } else {
            let _ = remove_if_there(self.disk, &self.place("unmeasured", &file.path));
        }
    }

    /// Records why a stem could not be rendered, for whoever seals on another machine; `None` takes it back.
    pub(crate) fn record_failed(&self, stem: &StemPlan, why: Option<&str>) {
        match (why, plan_digest(stem)) {
            (Some(why), Some(key)) => drop(self.write("failed", stem.path(), key, why, &[])),
            _ => drop(remove_if_there(self.disk, &self.place("failed", stem.path()))),
        }
    }

    /// Why a stem could not be rendered.
    pub(crate) fn failed(&self, stem: &StemPlan) -> Option<String> {
        self.read("failed", stem.path(), &plan_digest(stem)?).map(|(why, _)| why)
    }

    /// Where the records about the file under this path lie.
    pub(crate) fn places(&self, path: &str) -> [PathBuf; 5] {
        ["survey", "sketch", "unmeasured", "render", "failed"].map(|step| self.place(step, path))
    }

    /// Every output that some run has recorded here.
    pub(crate) fn outputs(&self) -> Vec<KnownOutput> {
        let entries = fs::read_dir(&self.folder).into_iter().flatten().flatten();
        let records = entries.filter_map(|entry| {
            let name = entry.file_name();
            name.to_str()?.ends_with(".render").then_some(())?;
            let bytes = fs::read(entry.path()).ok()?;
            let (record, _): (Record<String, Render>, _) = parse(&bytes)?;
            let Render { source, path, stored, .. } = record.value;
            Some(KnownOutput { source, path, sha256: stored.sha256 })
        });
        records.collect()
    }

    /// Records what was sketched of a file; says whether it can be had back.
    pub(crate) fn record_sketch(&self, path: &str, sha256: &str, sketch: &Sketch) -> bool {
        let parts = (sketch.rate_hz(), sketch.samples(), sketch.scales().len());
        let mut tail = bytes_of(sketch.scales());
        tail.extend(sketch.codes().iter().flat_map(|code| code.to_le_bytes()));
        self.write("sketch", path, (sha256, SKETCH), parts, &tail)
    }

    /// The sketch of a file, if it was made of the very same bytes.
    pub(crate) fn sketch(&self, path: &str, sha256: &str) -> Option<Sketch> {
        let ((rate_hz, samples, scales), tail): ((u32, usize, usize), _) =
            self.read("sketch", path, &(sha256, SKETCH))?;
        let (scales, codes) = tail.split_at_checked(scales.checked_mul(size_of::<f32>())?)?;
        let codes = codes.as_chunks::<2>().0.iter().map(|code| i16::from_le_bytes(*code)).collect();
        Sketch::from_parts(rate_hz, samples, floats_of(scales), codes)
    }

    fn place(&self, step: &str, path: &str) -> PathBuf {
        self.folder.join(format!("{}.{step}", hex(&Sha256::digest(path)[..12])))
    }

    fn read<K, V>(&self, step: &str, path: &str, key: &K) -> Option<(V, Vec<u8>)>
    where
        K: Serialize,
        V: DeserializeOwned,
    {
        let mut bytes = fs::read(self.place(step, path)).ok()?;
        let (record, tail): (Record<serde_json::Value, V>, _) = parse(&bytes)?;
        let wanted = serde_json::to_value(key).ok()?;
        let ours = record.program == program() && record.results == RESULTS_VERSION;
        let head = bytes.len() - tail.len();
        (ours && record.key == wanted).then(|| {
            bytes.drain(..head);
            (record.value, bytes)
        })
    }

    /// Best effort, and says whether it went well: without a record the work is done again.
    fn write<K: Serialize, V: Serialize>(
        &self,
        step: &str,
        path: &str,
        key: K,
        value: V,
        tail: &[u8],
    ) -> bool {
        let record = Record { program: program(), results: RESULTS_VERSION, key, value };
        let Ok(mut line) = serde_json::to_vec(&record) else { return false };
        line.push(b'\n');
        let mut sum = XxHash3_128::new();
        sum.write(&line);
        sum.write(tail);
        let head = [format!("{:032x}\n", sum.finish_128()).as_bytes(), &line].concat();
        self.put(&self.place(step, path), &head, tail).is_ok()
    }

    fn put(&self, place: &Path, head: &[u8], tail: &[u8]) -> std::io::Result<()> {
        let unfinished = unfinished_path(place);
        remove_if_there(self.disk, &unfinished)?;
        let mut file = self.disk.create_new(&unfinished)?;
        file.write_all(head)?;
        file.write_all(tail)?;
        self.disk.rename(&unfinished, place)
    }
}

/// A recorded survey, whatever it was asked for.
fn read_survey(place: &Path) -> Option<Survey> {
    let bytes = fs::read(place).ok()?;
    let (record, tail): (Record<serde_json::Value, Survey>, _) = parse(&bytes)?;
    let mut survey = record.value;
    restore_envelope(&mut survey, &floats_of(tail))?;
    Some(survey)
}

fn bytes_of(floats: &[f32]) -> Vec<u8> {
    floats.iter().flat_map(|value| value.to_le_bytes()).collect()
}

fn floats_of(bytes: &[u8]) -> Vec<f32> {
    bytes.as_chunks::<4>().0.iter().map(|bytes| f32::from_le_bytes(*bytes)).collect()
}

fn program() -> String {
    env!("CARGO_PKG_VERSION").to_owned()
}

fn plan_digest(stem: &StemPlan) -> Option<String> {
    Some(hex(&Sha256::digest(serde_json::to_vec(stem).ok()?)))
}

/// A record and the bytes behind it, if its digest is right.
fn parse<R: DeserializeOwned>(bytes: &[u8]) -> Option<(R, &[u8])> {
    let (sum, body) = (bytes.get(..32)?, bytes.get(33..)?);
    if format!("{:032x}", XxHash3_128::oneshot(body)).as_bytes() != sum {
        return None;
    }
    // JSON of one line holds no line break.
    let end = body.iter().position(|byte| *byte == b'\n')?;
    Some((serde_json::from_slice(&body[..end]).ok()?, &body[end + 1..]))
}

fn lists(channel: &mut EnvelopeChannel) -> [&mut Vec<f32>; 4] {
    [&mut channel.min, &mut channel.max, &mut channel.sum, &mut channel.sum_sq]
}

/// The envelope as plain floats: as JSON it would be the largest and slowest part of a record.
fn take_envelope(survey: &mut Survey) -> Vec<f32> {
    let Ok(measures) = &mut survey.measures else { return Vec::new() };
    measures.envelope.channels.iter_mut().flat_map(lists).flat_map(std::mem::take).collect()
}

fn restore_envelope(survey: &mut Survey, floats: &[f32]) -> Option<()> {
    let Ok(measures) = &mut survey.measures else { return None };
    let mut lists: Vec<_> = measures.envelope.channels.iter_mut().flat_map(lists).collect();
    let length = floats.len().checked_div(lists.len())?;
    for (list, values) in lists.iter_mut().zip(floats.chunks(length.max(1))) {
        list.extend_from_slice(values);
    }
    (length * lists.len() == floats.len()).then_some(())
}
