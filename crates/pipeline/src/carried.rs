//! What an output carries beside its samples: the chunks of its source, moved in time, and what the record says of them.

use loadin_codec::{Bext, Carried, Chunk, Fate, Metadata, TimeChange, carry, coding_history_row, readable};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::manifest::Tool;
use crate::plan::StemPlan;
use crate::stages::re_encode::Storage;

/// What became of one chunk of metadata.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct MetadataRecord {
    /// Its four characters, with the type of a list: `bext`, `cue`, `LIST INFO`.
    pub chunk: String,
    /// What became of it.
    pub fate: MetadataFate,
    /// What was changed, or why it was dropped; null for one that is as it was.
    pub why: Option<String>,
    /// The texts in it, readable; the file has their bytes.
    pub texts: Vec<String>,
}

/// What became of a chunk.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum MetadataFate {
    /// It is in the output as it was.
    Kept,
    /// It is in the output with other numbers.
    Moved,
    /// It is not in the output.
    Dropped,
}

/// What stands beside the samples of an output.
#[derive(Debug, Default)]
pub(crate) struct Beside {
    pub(crate) bext: Option<Bext>,
    pub(crate) chunks: Vec<Chunk>,
    pub(crate) records: Vec<MetadataRecord>,
}

const PLAIN: &str = "the recipe asks for a container that is not bwf";

/// What a planned stem carries; `sources` are the metadata of its files, one, or left and right. No clock and no host is
/// in it, so the same plan gives the same bytes.
pub(crate) fn beside(stem: &StemPlan, storage: Storage, with_bext: bool, sources: &[&Metadata]) -> Beside {
    let Some((first, others)) = sources.split_first() else { return Beside::default() };
    let carried = carry(first, &time_change(stem, storage));
    let mut beside = Beside {
        bext: with_bext.then(|| bext_of(stem, storage, first.bext.as_ref())),
        chunks: Vec::new(),
        records: first.bext.iter().map(|bext| bext_record(bext, with_bext)).collect(),
    };
    for one in carried {
        beside.records.push(record(&one, with_bext));
        beside.chunks.extend(one.chunk.filter(|_| with_bext));
    }
    let new = |chunk: &&Chunk| !first.chunks.contains(chunk);
    let only_there = others.iter().flat_map(|other| other.chunks.iter().filter(new));
    let why = "that of the other half of the pair is carried for both";
    beside
        .records
        .extend(only_there.map(|chunk| dropped(String::from_utf8_lossy(&chunk.id).trim_end(), why)));
    beside
}

fn time_change(stem: &StemPlan, storage: Storage) -> TimeChange {
    let source = &stem.sources[0];
    TimeChange {
        from_hz: source.rate_hz,
        to_hz: stem.output.rate_hz,
        shift_frames: stem.output.shift_frames,
        frames: stem.output.frames,
        time_reference: stem.output.timestamp_frames,
        bits: storage.kind().bits() as u16,
        same_channels: stem.sources.len() == 1 && source.channels == stem.output.channels,
    }
}

/// The `bext` chunk (EBU Tech 3285): the source's, moved in time, with one more row of coding history.
fn bext_of(stem: &StemPlan, storage: Storage, source: Option<&Bext>) -> Bext {
    let tool = Tool::this();
    let mut bext = source.cloned().unwrap_or_else(|| Bext::new(&stem.output.label, &tool.name));
    bext.time_reference = stem.output.timestamp_frames;
    // What was measured on the source does not hold for the output.
    bext.clear_loudness();
    bext.coding_history.extend_from_slice(&coding_history_row(
        stem.output.rate_hz,
        storage.kind(),
        stem.output.channels,
        &format!("{} {}", tool.name, tool.version),
    ));
    // Some readers forget the padding of odd chunks and lose their way; an even one gives them no chance.
    if bext.coding_history.len() % 2 == 1 {
        bext.coding_history.push(0);
    }
    bext
}

fn bext_record(bext: &Bext, carried: bool) -> MetadataRecord {
    let named = [
        ("description", &bext.description[..]),
        ("originator", &bext.originator),
        ("originator reference", &bext.originator_reference),
    ];
    let texts =
        named.iter().map(|(name, bytes)| (name, readable(bytes))).filter(|(_, text)| !text.is_empty());
    MetadataRecord {
        chunk: "bext".to_owned(),
        fate: if carried { MetadataFate::Moved } else { MetadataFate::Dropped },
        why: Some(if carried { BEXT_CHANGES } else { PLAIN }.to_owned()),
        texts: texts.map(|(name, text)| format!("{name}={text}")).collect(),
    }
}

const BEXT_CHANGES: &str =
    "time reference of the output, one more row of coding history, loudness fields set to unused";

fn record(carried: &Carried, in_output: bool) -> MetadataRecord {
    let (fate, why) = match &carried.fate {
        Fate::Dropped(why) => (MetadataFate::Dropped, Some(why.as_str())),
        _ if !in_output => (MetadataFate::Dropped, Some(PLAIN)),
        Fate::AsItWas => (MetadataFate::Kept, None),
        Fate::Moved(what) => (MetadataFate::Moved, Some(what.as_str())),
    };
    MetadataRecord {
        chunk: carried.name.clone(),
        fate,
        why: why.map(str::to_owned),
        texts: carried.texts.clone(),
    }
}

fn dropped(chunk: &str, why: &str) -> MetadataRecord {
    MetadataRecord {
        chunk: chunk.to_owned(),
        fate: MetadataFate::Dropped,
        why: Some(why.to_owned()),
        texts: Vec::new(),
    }
}
