//! Every container carries what stands beside the samples, in its own words where it has them.

use std::fs::{self, File};
use std::path::PathBuf;

use loadin_codec::Metadata;
use loadin_tests::Delivery;
use serde_json::Value;
use symphonia::core::formats::FormatOptions;
use symphonia::core::formats::probe::Hint;
use symphonia::core::io::{MediaSourceStream, MediaSourceStreamOptions};
use symphonia::core::meta::MetadataOptions;

use super::{STAGES, cue, deliver, output};
use crate::job::{prep, recipe, stem};

fn prepared(delivery: &Delivery, container: &str) -> (PathBuf, Value) {
    let stages = STAGES.replace(
        "stage = \"re-encode\"\n",
        &format!("stage = \"re-encode\"\ncontainer = \"{container}\"\nwhen-over = \"fail\"\n"),
    );
    let out = delivery.out(container);
    let (ran, manifest) = prep(&delivery.path(), &out, &["--recipe", &recipe(&delivery.out(""), &stages)]);
    assert_eq!(ran.code, 0, "{container}: {}{}", ran.out, ran.err);
    let vox = stem(&manifest, "Vox.wav").clone();
    (output(&out, &vox), vox)
}

fn metadata(path: &PathBuf) -> Metadata {
    loadin_codec::open(File::open(path).unwrap(), true).unwrap().metadata().clone()
}

fn ids(metadata: &Metadata) -> Vec<String> {
    metadata.chunks.iter().map(|chunk| String::from_utf8_lossy(&chunk.id).into_owned()).collect()
}

/// The marker at 168 000 (see `every_position_is_right_to_the_frame_behind_resampling_cut_and_alignment`), the loop, the
/// time stamp, the title and the unknown chunk come back from each; only the stretch behind a marker has no place in two.
#[test]
fn what_one_container_carries_the_others_carry() {
    let delivery = deliver();
    let (bwf, _) = prepared(&delivery, "bwf");
    let of_bwf = metadata(&bwf);
    let sampler = of_bwf.chunks.iter().find(|chunk| &chunk.id == b"smpl").unwrap();
    for container in ["flac", "aiff", "caf"] {
        let (path, record) = prepared(&delivery, container);
        let found = metadata(&path);
        assert_eq!(found.bext, of_bwf.bext, "{container}");
        for chunk in [&cue(&[(1, 168_000)]), sampler] {
            assert!(found.chunks.contains(chunk), "{container} has {:?}: {:?}", chunk.id, ids(&found));
        }
        assert!(found.chunks.iter().any(|chunk| &chunk.id == b"what" && chunk.bytes == b"ever"));
        assert!(found.chunks.iter().any(|chunk| &chunk.id == b"iXML"), "{container}");
        let lists: Vec<&[u8]> =
            found.chunks.iter().filter(|c| &c.id == b"LIST").map(|c| &c.bytes[..]).collect();
        let title: &[u8] = if container == "caf" { "Größe".as_bytes() } else { b"Gr\xF6\xDFe" };
        let holds = |list: &&[u8], text: &[u8]| list.windows(text.len()).any(|part| part == text);
        assert!(lists.iter().any(|list| list.starts_with(b"INFO") && holds(list, title)), "{container}");
        assert!(lists.iter().any(|list| list.starts_with(b"adtl") && holds(list, b"one!\0")), "{container}");
        assert_eq!(lists.len(), 2, "{container} says nothing twice");
        let fates = record["metadata"].as_array().unwrap();
        assert!(fates.iter().all(|fate| fate["fate"] != "dropped"), "{container}: {fates:?}");
        let names = fates.iter().find(|fate| fate["chunk"] == "LIST adtl").unwrap()["why"].as_str().unwrap();
        assert_eq!(names.contains("lengths and notes"), container != "flac", "{names}");
    }
}

/// Audio Interchange File Format 1.3 (1989), "Marker Chunk" and "Text Chunks", by hand: one marker with the id 1 at frame
/// 168 000 (2 90 40 in hexadecimal), whose name has four letters and so a byte of padding; a title with an odd length.
#[test]
fn markers_and_texts_of_aiff_to_the_byte() {
    let delivery = deliver();
    let (path, _) = prepared(&delivery, "aiff");
    let bytes = fs::read(path).unwrap();
    for chunk in [&b"MARK\0\0\0\x0e\0\x01\0\x01\0\x02\x90\x40\x04one!\0"[..], b"NAME\0\0\0\x05Gr\xF6\xDFe\0"]
    {
        assert!(bytes.windows(chunk.len()).any(|part| part == chunk), "{chunk:02x?}");
    }
    let size = u32::from_be_bytes(bytes[4..8].try_into().unwrap());
    assert_eq!(size as usize, bytes.len() - 8, "the form says how long it is");
}

/// symphonia, which is not ours, reads the titles of FLAC and AIFF.
#[test]
fn another_reader_finds_the_title() {
    let delivery = deliver();
    for (container, title) in [("flac", "Größe"), ("aiff", "Gr")] {
        let (path, _) = prepared(&delivery, container);
        let stream =
            MediaSourceStream::new(Box::new(File::open(path).unwrap()), MediaSourceStreamOptions::default());
        let mut reader = symphonia::default::get_probe()
            .probe(&Hint::new(), stream, FormatOptions::default(), MetadataOptions::default())
            .unwrap();
        let revision = reader.metadata().skip_to_latest().cloned().expect("metadata");
        let texts: Vec<String> = revision.media.tags.iter().map(|tag| tag.raw.value.to_string()).collect();
        assert!(texts.iter().any(|text| text.starts_with(title)), "{container}: {texts:?}");
    }
}
