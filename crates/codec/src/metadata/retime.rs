//! Moves what stands beside the samples in time, together with them.
//!
//! Layouts: `cue `, `LIST`/`adtl` and `smpl` as in the Multimedia Programming Interface and Data Specifications 1.0
//! (1991) and the New Multimedia Data Types and Data Techniques 3.0 (1994).
//!
//! Knows no container but RIFF, and does not touch the samples.

use std::collections::BTreeSet;

use super::chunks::Metadata;
use super::cue::{point_frame, points, word};
use super::list::{list, pieces};
use super::texts::texts;
use super::time_change::{Carried, Fate, TimeChange};
use super::{flac, id3, ixml};
use crate::Chunk;

/// Moves every chunk but `bext`, whose fields have a writer of their own.
pub fn carry(metadata: &Metadata, time: &TimeChange) -> Vec<Carried> {
    // Markers are dropped together with what is said of them.
    let gone: BTreeSet<u32> =
        metadata.chunks.iter().filter(|c| &c.id == b"cue ").flat_map(|c| lost(c, time)).collect();
    metadata
        .chunks
        .iter()
        .map(|chunk| {
            let (fate, moved) =
                one(chunk, time, &gone, metadata.bext.as_ref().map(|bext| bext.time_reference));
            let written = match &fate {
                Fate::AsItWas => Some(chunk.clone()),
                Fate::Moved(_) => moved,
                Fate::Dropped(_) => None,
            };
            Carried { name: name(chunk), fate, texts: texts(chunk), chunk: written }
        })
        .collect()
}

fn name(chunk: &Chunk) -> String {
    if chunk.id == flac::CUE_SHEET {
        return "CUESHEET".to_owned();
    }
    let id = String::from_utf8_lossy(&chunk.id).trim_end().to_owned();
    match chunk.bytes.first_chunk::<4>().filter(|_| &chunk.id == b"LIST") {
        Some(kind) => format!("{id} {}", String::from_utf8_lossy(kind)),
        None => id,
    }
}

fn one(chunk: &Chunk, time: &TimeChange, gone: &BTreeSet<u32>, stamp: Option<u64>) -> (Fate, Option<Chunk>) {
    let dropped = |why: &str| (Fate::Dropped(why.to_owned()), None);
    let moved = |bytes: Option<Vec<u8>>, what: String| match bytes {
        None => dropped("its contents do not follow its own layout, so they cannot be moved"),
        Some(bytes) if bytes == chunk.bytes => (Fate::AsItWas, None),
        Some(bytes) => (Fate::Moved(what), Some(Chunk { id: chunk.id, bytes })),
    };
    match &chunk.id {
        b"cue " => {
            let cut = gone_with("", lost(chunk, time).len());
            moved(cue(&chunk.bytes, time), format!("markers stand where their sound stands{cut}"))
        }
        b"LIST" if chunk.bytes.starts_with(b"adtl") => moved(
            Some(adtl(&chunk.bytes[4..], time, gone)),
            "lengths and names of the markers that are left".to_owned(),
        ),
        b"smpl" => moved(
            smpl(&chunk.bytes, time),
            "sample period and loops at the output's rate and place".to_owned(),
        ),
        b"iXML" => match ixml::moved(&chunk.bytes, time, stamp) {
            None => moved(None, String::new()),
            Some((bytes, lost)) => moved(
                Some(bytes),
                "time stamps, rate and depth of the output".to_owned() + &gone_with("sync points", lost),
            ),
        },
        b"id3 " => match id3::moved(&chunk.bytes, time) {
            None => dropped("it holds positions in a form that cannot be moved here"),
            Some(id3::Moved { bytes, lost_chapters, lost_others }) => {
                let others = match lost_others {
                    0 => String::new(),
                    _ => {
                        format!("; {lost_others} frames with other positions could not be moved and are gone")
                    }
                };
                let chapters = gone_with("chapters", lost_chapters);
                moved(Some(bytes), format!("chapters stand where their sound stands{chapters}{others}"))
            }
        },
        id if *id == flac::CUE_SHEET => dropped(
            "WAV has no cue sheet: the starts of its tracks are carried as markers, its numbers are not",
        ),
        b"PEAK" | b"levl" => dropped("it was measured on the source and does not hold for the output"),
        b"chna" | b"axml" if !time.same_channels => {
            dropped("it describes channels that the output does not have")
        }
        b"r64m" | b"plst" if !time.is_none() => dropped("it holds positions that cannot be moved here"),
        _ => (Fate::AsItWas, None),
    }
}

/// Says how many are gone with what was cut.
fn gone_with(what: &str, lost: usize) -> String {
    let space = if what.is_empty() { "" } else { " " };
    if lost > 0 {
        format!("; {lost}{space}{what} that stood in what was cut are gone")
    } else {
        String::new()
    }
}

fn put(bytes: &mut [u8], at: usize, value: u64) {
    // These chunks count in 32 bits: past that there is no other value than the last.
    let value = u32::try_from(value).unwrap_or(u32::MAX);
    bytes[at..at + 4].copy_from_slice(&value.to_le_bytes());
}

fn lost(chunk: &Chunk, time: &TimeChange) -> Vec<u32> {
    let points = points(&chunk.bytes).unwrap_or_default();
    let cut =
        |point: &&[u8; 24]| point_frame(point).is_some_and(|frame| time.frame(u64::from(frame)).is_none());
    points.iter().filter(cut).filter_map(|point| word(point, 0)).collect()
}

fn cue(bytes: &[u8], time: &TimeChange) -> Option<Vec<u8>> {
    let mut kept: Vec<[u8; 24]> = Vec::new();
    for point in points(bytes)? {
        let mut point = *point;
        // dwPosition says the same where there is no playlist, or nothing.
        let frame = point_frame(&point)?;
        let Some(moved) = time.frame(u64::from(frame)) else { continue };
        if word(&point, 4)? == frame {
            put(&mut point, 4, moved);
        }
        put(&mut point, 20, moved);
        kept.push(point);
    }
    let mut moved = (kept.len() as u32).to_le_bytes().to_vec();
    moved.extend(kept.as_flattened());
    Some(moved)
}

/// The pieces of an `adtl` list: what belongs to lost markers goes, and lengths (`ltxt`) are rescaled.
fn adtl(bytes: &[u8], time: &TimeChange, gone: &BTreeSet<u32>) -> Vec<u8> {
    let kept: Vec<([u8; 4], Vec<u8>)> = pieces(bytes)
        .into_iter()
        .filter(|(_, contents)| word(contents, 0).is_none_or(|id| !gone.contains(&id)))
        .map(|(id, contents)| {
            let mut contents = contents.to_vec();
            if let Some(frames) = word(&contents, 4).filter(|_| &id == b"ltxt") {
                put(&mut contents, 4, time.rescaled(u64::from(frames)));
            }
            (id, contents)
        })
        .collect();
    list(*b"adtl", kept.iter().map(|(id, contents)| (*id, &contents[..]))).bytes
}

/// The sample period in nanoseconds, and every loop whose both ends are left. A loop's end is its last frame, which is
/// played too (New Multimedia Data Types and Data Techniques 3.0), so what moves is the frame behind it.
fn smpl(bytes: &[u8], time: &TimeChange) -> Option<Vec<u8>> {
    const HEAD: usize = 36;
    let count = word(bytes, 28)? as usize;
    let (head, rest) = bytes.split_at_checked(HEAD)?;
    let loops = rest.as_chunks::<24>().0.get(..count)?;
    let mut kept: Vec<[u8; 24]> = Vec::new();
    for own in loops {
        let mut own = *own;
        let ends = (time.frame(u64::from(word(&own, 8)?)), time.frame(u64::from(word(&own, 12)?) + 1));
        let (Some(start), Some(behind)) = ends else { continue };
        put(&mut own, 8, start);
        put(&mut own, 12, behind.saturating_sub(1).max(start));
        kept.push(own);
    }
    let mut moved = head.to_vec();
    if time.from_hz != time.to_hz {
        put(&mut moved, 8, (1_000_000_000 + u64::from(time.to_hz) / 2) / u64::from(time.to_hz));
    }
    put(&mut moved, 28, kept.len() as u64);
    moved.extend(kept.as_flattened());
    moved.extend(&rest[count * 24..]);
    Some(moved)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::metadata::cue::{CuePoint, markers};

    /// 44.1 to 48 kHz, half a second (24 000 frames) cut from the head, ten seconds left.
    const TIME: TimeChange = TimeChange {
        from_hz: 44_100,
        to_hz: 48_000,
        shift_frames: 24_000,
        frames: 480_000,
        time_reference: 0,
        bits: 24,
        same_channels: true,
    };

    fn carried(chunks: Vec<Chunk>) -> Vec<Carried> {
        carry(&Metadata { bext: None, chunks }, &TIME)
    }

    /// 44 100 frames are 48 000, less 24 000 is 24 000; 22 050 are 24 000, less 24 000 is 0; 147 are 160, which is cut.
    #[test]
    fn markers_move_and_those_in_the_cut_go_with_their_names() {
        let point = |id, frame, name: &str| CuePoint { id, frame, name: name.as_bytes().to_vec() };
        let source = [point(1, 44_100, "one"), point(2, 22_050, "at the cut"), point(3, 147, "gone")];
        let moved = [point(1, 24_000, "one"), point(2, 0, "at the cut")];
        let found: Vec<Chunk> = carried(markers(&source)).into_iter().filter_map(|c| c.chunk).collect();
        assert_eq!(found, markers(&moved));
    }

    /// A loop of the second from 44 100 to 88 199 is that from 48 000 to 95 999, less 24 000; a loop of 100 frames from
    /// 44 100 on has 108.84 (109) frames, less 24 000. Sample period: 10^9 / 48 000 = 20 833.3 nanoseconds. The six bytes for
    /// the sampler stay.
    #[test]
    fn loops_move_and_the_sampler_keeps_its_own() {
        let smpl = |period: u32, loops: &[(u32, u32)]| {
            let mut bytes: Vec<u8> = [0, 0, period, 60, 0, 0, 0, loops.len() as u32, 6]
                .iter()
                .flat_map(|w| w.to_le_bytes())
                .collect();
            for (start, end) in loops {
                bytes.extend([7, 0, *start, *end, 0, 0].iter().flat_map(|w: &u32| w.to_le_bytes()));
            }
            bytes.extend(b"sample");
            Chunk { id: *b"smpl", bytes }
        };
        let found = carried(vec![smpl(22_676, &[(44_100, 88_199), (0, 100), (44_100, 44_199)])]);
        assert_eq!(found[0].chunk, Some(smpl(20_833, &[(24_000, 71_999), (24_000, 24_108)])));
        // Twice the rate: 100 frames are 200, the last of them is 199. One frame stays one at half the rate.
        for (from_hz, to_hz, own, wanted) in [
            (48_000, 96_000, (0, 99), (0, 199)),
            (96_000, 48_000, (0, 199), (0, 99)),
            (96_000, 48_000, (8, 8), (4, 4)),
        ] {
            let time = TimeChange { from_hz, to_hz, shift_frames: 0, ..TIME };
            let period = 1_000_000_000 / to_hz + u32::from(to_hz == 96_000);
            let found = carry(&Metadata { bext: None, chunks: vec![smpl(9, &[own])] }, &time);
            assert_eq!(found[0].chunk, Some(smpl(period, &[wanted])), "{own:?}");
        }
        assert!(matches!(found[0].fate, Fate::Moved(_)));
    }

    #[test]
    fn what_cannot_be_moved_is_dropped_with_a_reason_and_the_unknown_stays() {
        let chunk = |id: &[u8; 4], bytes: &[u8]| Chunk { id: *id, bytes: bytes.to_vec() };
        let found = carried(vec![
            chunk(b"abcd", b"\x01\x02"),
            chunk(b"cue ", b"\xFF\xFF\xFF\x7F"),
            chunk(b"PEAK", b"....."),
            chunk(b"LIST", b"INFOINAM\x04\0\0\0T\xF6n\0"),
        ]);
        assert_eq!((&found[0].fate, &found[0].chunk), (&Fate::AsItWas, &Some(chunk(b"abcd", b"\x01\x02"))));
        assert!(matches!(&found[1].fate, Fate::Dropped(why) if why.contains("layout")), "{:?}", found[1]);
        assert!(matches!(&found[2].fate, Fate::Dropped(why) if why.contains("measured")));
        assert_eq!((found[3].name.as_str(), &found[3].texts), ("LIST INFO", &vec!["INAM=Tön".to_owned()]));
        assert_eq!(found[3].fate, Fate::AsItWas);
    }
}
