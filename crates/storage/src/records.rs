//! Small records by name and step, in a folder of their own. It knows no contents.
//!
//! A record counts only when its own digest is right, the same program wrote it, and it rests on the key that is asked
//! for. So a record that a power cut takes or tears costs work, never truth, and is written without waiting for the disk.

use std::fs;
use std::io::{self, Write};
use std::path::{Path, PathBuf};

use loadin_record::digest::hex;
use serde::de::DeserializeOwned;
use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};
use twox_hash::XxHash3_128;

use crate::disk::Disk;
use crate::store::{remove_if_there, unfinished_path};

/// The records of one folder, as one version of the program writes and believes them.
#[derive(Clone)]
pub struct Records<'a> {
    disk: &'a dyn Disk,
    folder: PathBuf,
    version: Version,
}

/// What gives the same results: a program, and the number of its way of working.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Version {
    /// Version of the program.
    pub program: String,
    /// Bumped when the same sources and settings give other results.
    pub results: u32,
}

/// What a record rests on, and what it keeps.
#[derive(Serialize, Deserialize)]
struct Record<K, V> {
    program: String,
    results: u32,
    key: K,
    value: V,
}

impl<'a> Records<'a> {
    /// The records in a folder that exists.
    pub fn open(disk: &'a dyn Disk, folder: PathBuf, version: Version) -> Self {
        Self { disk, folder, version }
    }

    /// Where the record of this step about `name` lies.
    pub fn place(&self, step: &str, name: &str) -> PathBuf {
        self.folder.join(format!("{}.{step}", hex(&Sha256::digest(name)[..12])))
    }

    /// The record of this step about `name` and the bytes behind it, if it rests on `key`.
    pub fn read<K, V>(&self, step: &str, name: &str, key: &K) -> Option<(V, Vec<u8>)>
    where
        K: Serialize,
        V: DeserializeOwned,
    {
        let (record, tail) = read_record::<V>(&self.place(step, name))?;
        let wanted = serde_json::to_value(key).ok()?;
        let ours = record.program == self.version.program && record.results == self.version.results;
        (ours && record.key == wanted).then_some((record.value, tail))
    }

    /// The last record of this step about `name`, whatever it rests on and whoever wrote it.
    pub fn read_any<V: DeserializeOwned>(&self, step: &str, name: &str) -> Option<(V, Vec<u8>)> {
        read_record(&self.place(step, name)).map(|(record, tail)| (record.value, tail))
    }

    /// Every record of this step, whatever it rests on and whoever wrote it.
    pub fn all<V: DeserializeOwned>(&self, step: &str) -> Vec<V> {
        let entries = fs::read_dir(&self.folder).into_iter().flatten().flatten();
        let ending = format!(".{step}");
        let of_step =
            entries.filter(|entry| entry.file_name().to_str().is_some_and(|n| n.ends_with(&ending)));
        of_step.filter_map(|entry| Some(read_record(&entry.path())?.0.value)).collect()
    }

    /// Writes a record with bytes behind it. Best effort, and says whether it went well: without it the work is done again.
    pub fn write<K: Serialize, V: Serialize>(
        &self,
        step: &str,
        name: &str,
        key: K,
        (value, tail): (V, &[u8]),
    ) -> bool {
        self.head(key, value, tail)
            .is_some_and(|head| self.put(&self.place(step, name), &head, tail, false).is_ok())
    }

    /// Writes a record that outlives a power cut, since nothing else would say the same.
    ///
    /// # Errors
    /// When the disk refuses.
    pub fn write_durably<V: Serialize>(&self, step: &str, name: &str, value: V) -> io::Result<()> {
        let head = self.head((), value, &[]).ok_or(io::ErrorKind::InvalidData)?;
        self.put(&self.place(step, name), &head, &[], true)
    }

    /// Digest and line of a record.
    fn head<K: Serialize, V: Serialize>(&self, key: K, value: V, tail: &[u8]) -> Option<Vec<u8>> {
        let Version { program, results } = self.version.clone();
        let mut line = serde_json::to_vec(&Record { program, results, key, value }).ok()?;
        line.push(b'\n');
        let mut sum = XxHash3_128::new();
        sum.write(&line);
        sum.write(tail);
        Some([format!("{:032x}\n", sum.finish_128()).as_bytes(), &line].concat())
    }

    /// Keeps a record, by step and name, as another one. Best effort.
    pub fn keep_as(&self, (step, name): (&str, &str), (other, other_name): (&str, &str)) {
        let _ = self.disk.rename(&self.place(step, name), &self.place(other, other_name));
    }

    /// Takes a record back. Best effort.
    pub fn remove(&self, step: &str, name: &str) {
        let _ = remove_if_there(self.disk, &self.place(step, name));
    }

    fn put(&self, place: &Path, head: &[u8], tail: &[u8], durably: bool) -> io::Result<()> {
        let unfinished = unfinished_path(place);
        remove_if_there(self.disk, &unfinished)?;
        let mut file = self.disk.create_new(&unfinished)?;
        file.write_all(head)?;
        file.write_all(tail)?;
        if durably {
            file.sync()?;
        }
        drop(file);
        self.disk.rename(&unfinished, place)
    }
}

/// The record in a file and the bytes behind it, in the memory that they were read into.
fn read_record<V: DeserializeOwned>(place: &Path) -> Option<(Record<serde_json::Value, V>, Vec<u8>)> {
    let mut bytes = fs::read(place).ok()?;
    let (record, tail) = parse(&bytes)?;
    let head = bytes.len() - tail.len();
    bytes.drain(..head);
    Some((record, bytes))
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

/// Floats as the bytes behind a record, little-endian.
pub fn bytes_of(floats: &[f32]) -> Vec<u8> {
    floats.iter().flat_map(|value| value.to_le_bytes()).collect()
}

/// Floats of the bytes behind a record; what does not make a whole one at the end is passed over.
pub fn floats_of(bytes: &[u8]) -> Vec<f32> {
    bytes.as_chunks::<4>().0.iter().map(|bytes| f32::from_le_bytes(*bytes)).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::disk::RealDisk;

    fn version(program: &str, results: u32) -> Version {
        Version { program: program.to_owned(), results }
    }

    #[test]
    fn a_record_counts_for_its_key_and_its_program_alone() {
        let folder = tempfile::tempdir().unwrap();
        let records = |v: Version| Records::open(&RealDisk, folder.path().to_owned(), v);
        let ours = records(version("1.0", 4));
        assert!(ours.write("step", "a/b.wav", ("key", 7), ("value", b"tail")));
        let found: Option<(String, Vec<u8>)> = ours.read("step", "a/b.wav", &("key", 7));
        assert_eq!(found, Some(("value".to_owned(), b"tail".to_vec())));
        assert_eq!(ours.read::<_, String>("step", "a/b.wav", &("key", 8)), None);
        assert_eq!(ours.read::<_, String>("other", "a/b.wav", &("key", 7)), None);
        for other in [version("1.1", 4), version("1.0", 5)] {
            assert_eq!(records(other.clone()).read::<_, String>("step", "a/b.wav", &("key", 7)), None);
            assert_eq!(records(other).all::<String>("step"), ["value"]);
        }
        ours.keep_as(("step", "a/b.wav"), ("before", "a/b.wav"));
        assert_eq!(
            ours.read_any::<String>("before", "a/b.wav"),
            Some(("value".to_owned(), b"tail".to_vec()))
        );
        ours.remove("before", "a/b.wav");
        assert_eq!(ours.read_any::<String>("before", "a/b.wav"), None);
    }

    /// Whatever byte of a record is torn, it is no record any more.
    #[test]
    fn a_torn_record_is_none() {
        let folder = tempfile::tempdir().unwrap();
        let records = Records::open(&RealDisk, folder.path().to_owned(), version("1", 1));
        records.write("step", "a", 1, ("value", b"tail"));
        let place = records.place("step", "a");
        let whole = fs::read(&place).unwrap();
        for at in (0..whole.len()).filter(|at| *at != 32) {
            let mut torn = whole.clone();
            torn[at] ^= 1;
            fs::write(&place, &torn).unwrap();
            assert_eq!(records.read::<_, String>("step", "a", &1), None, "byte {at}");
            fs::write(&place, &whole[..at]).unwrap();
            assert_eq!(records.read_any::<String>("step", "a"), None, "cut at {at}");
        }
    }

    #[test]
    fn floats_survive_as_bytes() {
        let floats = [0.0, -1.5, f32::MIN_POSITIVE, f32::MAX];
        assert_eq!(floats_of(&bytes_of(&floats)), floats);
    }
}
