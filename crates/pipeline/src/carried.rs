//! What an output carries beside its samples: the chunks of its source, moved in time, and what the record says of them.

use loadin_codec::{
    Bext, Carried, Chunk, Fate, Marker, Metadata, TimeChange, carry, coding_history_row, fit_container,
    readable, with_markers, without_markers,
};
use loadin_plan::plan::StemPlan;
use loadin_plan::stages::re_encode::{OutputContainer, SampleFormat};
use loadin_record::manifest::Tool;
use loadin_record::written::{MetadataFate, MetadataRecord};
use loadin_session::facts::is_one_marker;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// What stands beside the samples of an output.
#[derive(Debug, Default)]
pub(crate) struct Beside {
    pub(crate) bext: Option<Bext>,
    pub(crate) chunks: Vec<Chunk>,
    pub(crate) records: Vec<MetadataRecord>,
}

const PLAIN: &str = "the recipe asks for plain WAV, which has none";

const OTHER_HALF: &str = "that of the other half of the pair is carried for both";

/// What a planned stem carries; `sources` are the metadata of its files, one, or left and right. No clock and no host is
/// in it, so the same plan gives the same bytes.
pub(crate) fn beside(
    stem: &StemPlan,
    container: OutputContainer,
    storage: SampleFormat,
    sources: &[&Metadata],
) -> Beside {
    let Some((first, others)) = sources.split_first() else { return Beside::default() };
    let (time, refused) = (time_change(stem, storage), (!container.carries_metadata()).then_some(PLAIN));
    let mut beside = Beside {
        bext: refused.is_none().then(|| bext_of(stem, storage, first.bext.as_ref())),
        chunks: Vec::new(),
        records: first.bext.iter().map(|bext| bext_record(bext, refused)).collect(),
    };
    let mut carried = carry(first, &time);
    fit_container(container.target(), &mut carried);
    for one in carried {
        beside.records.push(record(&one, refused));
        beside.chunks.extend(one.chunk.filter(|_| refused.is_none()));
    }
    for other in others {
        let bext = other.bext.iter().filter(|_| other.bext != first.bext);
        beside.records.extend(bext.map(|bext| bext_record(bext, Some(OTHER_HALF))));
        let new =
            other.chunks.iter().zip(carry(other, &time)).filter(|(chunk, _)| !first.chunks.contains(chunk));
        beside.records.extend(new.map(|(_, one)| record(&one, Some(OTHER_HALF))));
    }
    if refused.is_none() {
        add_markers(stem, &mut beside);
    }
    beside
}

/// Adds the stated markers that the stem has not itself.
fn add_markers(stem: &StemPlan, beside: &mut Beside) {
    let own = Metadata { bext: None, chunks: beside.chunks.clone() }.markers();
    let has = |new: &Marker| {
        let apart = |known: &Marker| known.frame.abs_diff(new.frame) as f64 / f64::from(stem.output.rate_hz);
        own.iter().any(|known| is_one_marker(&known.name, &new.name, apart(known)))
    };
    let new: Vec<Marker> = stem
        .markers()
        .iter()
        .map(|marker| Marker { frame: marker.frame, name: marker.name.clone() })
        .filter(|marker| !has(marker))
        .collect();
    if new.is_empty() {
        return;
    }
    beside.chunks = with_markers(std::mem::take(&mut beside.chunks), &new);
    beside.records.push(MetadataRecord {
        chunk: MARKERS.to_owned(),
        fate: MetadataFate::Added,
        why: Some("stated markers, which the recipe asks for".to_owned()),
        texts: new.iter().map(marker_text).collect(),
    });
}

const MARKERS: &str = "cue";

fn marker_text(marker: &Marker) -> String {
    format!("{} {}", marker.frame, marker.name)
}

/// The chunks of an output without the markers that its record says were added.
pub(crate) fn without_added(chunks: Vec<Chunk>, records: &[MetadataRecord]) -> Vec<Chunk> {
    let added: Vec<&String> = records
        .iter()
        .filter(|record| record.fate == MetadataFate::Added && record.chunk == MARKERS)
        .flat_map(|record| &record.texts)
        .collect();
    if added.is_empty() { chunks } else { without_markers(chunks, |m| added.contains(&&marker_text(m))) }
}

fn time_change(stem: &StemPlan, storage: SampleFormat) -> TimeChange {
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
fn bext_of(stem: &StemPlan, storage: SampleFormat, source: Option<&Bext>) -> Bext {
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

/// `refused` says why it is not written, where it is not.
fn bext_record(bext: &Bext, refused: Option<&str>) -> MetadataRecord {
    let named = [
        ("description", &bext.description[..]),
        ("originator", &bext.originator),
        ("originator reference", &bext.originator_reference),
    ];
    let texts =
        named.iter().map(|(name, bytes)| (name, readable(bytes))).filter(|(_, text)| !text.is_empty());
    MetadataRecord {
        chunk: "bext".to_owned(),
        fate: if refused.is_some() { MetadataFate::Dropped } else { MetadataFate::Moved },
        why: Some(refused.unwrap_or(BEXT_CHANGES).to_owned()),
        texts: texts.map(|(name, text)| format!("{name}={text}")).collect(),
    }
}

const BEXT_CHANGES: &str =
    "time reference of the output, one more row of coding history, loudness fields set to unused";

/// `refused` says why nothing is written, where that is so.
fn record(carried: &Carried, refused: Option<&str>) -> MetadataRecord {
    let (fate, why) = match (&carried.fate, refused) {
        (Fate::Dropped(why), _) => (MetadataFate::Dropped, Some(why.as_str())),
        (_, Some(why)) => (MetadataFate::Dropped, Some(why)),
        (Fate::AsItWas, None) => (MetadataFate::Kept, None),
        (Fate::Moved(what), None) => (MetadataFate::Moved, Some(what.as_str())),
    };
    MetadataRecord {
        chunk: carried.name.clone(),
        fate,
        why: why.map(str::to_owned),
        texts: carried.texts.clone(),
    }
}
