//! Chapters of an ID3 tag, moved in time (`ID3v2` Chapter Frame Addendum 1.0, 2005; frames and head as in `ID3v2.3` and 2.4 at
//! id3.org). Every other byte stays. Knows no other chunk.

use super::time_change::TimeChange;

/// Bytes of the head of a tag, of the foot that it may have, and of the head of a frame.
const HEAD: usize = 10;

/// "The value should be ignored": what a byte offset into an MPEG stream is to every other file.
const NO_OFFSET: [u8; 4] = [0xFF; 4];

/// Frames beside chapters that hold positions: in milliseconds or in frames of an MPEG stream, by a layout of their own.
const OTHER_POSITIONS: [&[u8; 4]; 5] = [b"SYLT", b"ETCO", b"SYTC", b"MLLT", b"POSS"];

/// A tag in the time of the output.
#[derive(Debug, PartialEq, Eq)]
pub(super) struct Moved {
    pub(super) bytes: Vec<u8>,
    /// Chapters that stood in what was cut.
    pub(super) lost_chapters: usize,
    /// Frames with other positions that were left out.
    pub(super) lost_others: usize,
}

/// A frame of a tag: its name, its two bytes of flags, and its contents.
struct Frame<'a> {
    id: [u8; 4],
    flags: [u8; 2],
    contents: &'a [u8],
}

/// What becomes of a chapter.
enum Chapter {
    /// Its contents, at their place in the output.
    Kept(Vec<u8>),
    /// All of it was cut away.
    Cut,
}

/// Moves the chapters of a tag; `None` where it has positions in a form that cannot be read here (scattered, packed or
/// with a checksum).
pub(super) fn moved(bytes: &[u8], time: &TimeChange) -> Option<Moved> {
    let as_it_was = || Some(Moved { bytes: bytes.to_vec(), lost_chapters: 0, lost_others: 0 });
    let has = |id: &[u8; 4]| bytes.windows(4).any(|window| window == id);
    let [b'I', b'D', b'3', version, _, flags, ..] = *bytes else { return as_it_was() };
    let others = !time.is_none() && OTHER_POSITIONS.iter().any(|id| has(id));
    if !matches!(version, 3 | 4) || !(has(b"CHAP") || others) {
        return as_it_was();
    }
    let foot = if flags & 0x10 == 0 { 0 } else { HEAD };
    let inside = bytes.get(HEAD..bytes.len().checked_sub(foot)?)?;
    // Unsynchronisation and the extended head.
    let frames = (flags & 0xC0 == 0).then(|| frames(inside, version)).flatten()?;
    let mut moved = Moved { bytes: Vec::new(), lost_chapters: 0, lost_others: 0 };
    let mut kept: Vec<([u8; 4], [u8; 2], Vec<u8>)> = Vec::new();
    let mut gone: Vec<Vec<u8>> = Vec::new();
    for Frame { id, flags, contents } in frames {
        if others && OTHER_POSITIONS.contains(&&id) {
            moved.lost_others += 1;
        } else if &id == b"CHAP" {
            // Compressed, encrypted or grouped contents are no chapter that can be read.
            let name = (flags[1] == 0).then(|| name_end(contents)).flatten()?;
            match chapter(contents, name, time)? {
                Chapter::Kept(chapter) => kept.push((id, flags, chapter)),
                Chapter::Cut => gone.push(contents[..name].to_vec()),
            }
        } else {
            kept.push((id, flags, contents.to_vec()));
        }
    }
    moved.lost_chapters = gone.len();
    for (id, _, contents) in &mut kept {
        if id == b"CTOC" && !gone.is_empty() {
            *contents = without(contents, &gone)?;
        }
    }
    moved.bytes = tag(bytes, &kept, inside.len(), foot);
    Some(moved)
}

/// The frames up to the padding.
fn frames(mut rest: &[u8], version: u8) -> Option<Vec<Frame<'_>>> {
    let mut frames = Vec::new();
    while let Some((head, behind)) = rest.split_first_chunk::<HEAD>() {
        let [a, b, c, d, s0, s1, s2, s3, f0, f1] = *head;
        if a == 0 {
            break;
        }
        // ID3v2.4 counts in seven bits of a byte, 2.3 in eight.
        let bits = if version == 4 { 7 } else { 8 };
        let size = [s0, s1, s2, s3].iter().fold(0, |size, byte| size << bits | usize::from(*byte));
        let (contents, next) = behind.split_at_checked(size)?;
        frames.push(Frame { id: [a, b, c, d], flags: [f0, f1], contents });
        rest = next;
    }
    Some(frames)
}

/// Where the element's name ends, its NUL included.
fn name_end(contents: &[u8]) -> Option<usize> {
    Some(contents.iter().position(|byte| *byte == 0)? + 1)
}

/// A chapter in the time of the output. Behind its name stand start and end in
/// milliseconds, and two byte offsets.
fn chapter(contents: &[u8], name: usize, time: &TimeChange) -> Option<Chapter> {
    let millis = |at: usize| contents.get(at..at + 4)?.try_into().ok().map(u32::from_be_bytes);
    let (start, end) = (millis(name)?, millis(name + 4)?);
    contents.get(name + 8..name + 16)?;
    let rate_hz = i128::from(time.to_hz.max(1));
    let rounded = |frames: i128| (2000 * frames + rate_hz).div_euclid(2 * rate_hz);
    let (shift, length) = (rounded(i128::from(time.shift_frames)), rounded(i128::from(time.frames)));
    let (from, to) = (i128::from(start) - shift, i128::from(end) - shift);
    // A chapter of no length is a point.
    if to < 0 || from > length || (to == 0 && from < 0) || (from == length && to > length) {
        return Some(Chapter::Cut);
    }
    let mut moved = contents.to_vec();
    for (at, place) in [(name, from), (name + 4, to)] {
        let place = u32::try_from(place.clamp(0, length)).unwrap_or(u32::MAX);
        moved[at..at + 4].copy_from_slice(&place.to_be_bytes());
    }
    moved[name + 8..name + 12].copy_from_slice(&NO_OFFSET);
    moved[name + 12..name + 16].copy_from_slice(&NO_OFFSET);
    Some(Chapter::Kept(moved))
}

/// A table of contents without the elements that are gone: its name, flags, a count, then a name each.
fn without(contents: &[u8], gone: &[Vec<u8>]) -> Option<Vec<u8>> {
    let name = name_end(contents)?;
    let count = usize::from(*contents.get(name + 1)?);
    let (mut kept, mut rest) = (Vec::new(), &contents[name + 2..]);
    let mut left = 0;
    for _ in 0..count {
        let (child, behind) = rest.split_at(name_end(rest)?);
        if !gone.iter().any(|gone| gone == child) {
            kept.extend_from_slice(child);
            left += 1;
        }
        rest = behind;
    }
    Some([&contents[..=name], &[left], &kept, rest].concat())
}

/// The tag around its frames. What has become free is padding, which a tag with a foot cannot have.
fn tag(own: &[u8], frames: &[([u8; 4], [u8; 2], Vec<u8>)], room: usize, foot: usize) -> Vec<u8> {
    let seven = |size: usize| [21, 14, 7, 0].map(|shift| (size >> shift & 0x7F) as u8);
    let mut inside = Vec::with_capacity(room);
    for (id, flags, contents) in frames {
        let size = if own[3] == 4 { seven(contents.len()) } else { (contents.len() as u32).to_be_bytes() };
        inside.extend([&id[..], &size, flags, contents].concat());
    }
    if foot == 0 {
        inside.resize(room.max(inside.len()), 0);
    }
    let size = seven(inside.len());
    let mut tag = [&own[..6], &size, &inside[..]].concat();
    if foot > 0 {
        tag.extend([b"3DI", &own[3..6], &size].concat());
    }
    tag
}

#[cfg(test)]
mod tests {
    use super::*;

    /// One second is cut from the head, and four are left.
    const CUT: TimeChange = TimeChange {
        from_hz: 44_100,
        to_hz: 48_000,
        shift_frames: 48_000,
        frames: 192_000,
        time_reference: 0,
        bits: 24,
        same_channels: true,
    };

    fn frame(id: [u8; 4], contents: &[u8]) -> ([u8; 4], [u8; 2], Vec<u8>) {
        (id, [0, 0], contents.to_vec())
    }

    fn chap(name: &str, start: u32, end: u32, offset: u32) -> ([u8; 4], [u8; 2], Vec<u8>) {
        let words = [start, end, offset, offset].map(u32::to_be_bytes);
        frame(*b"CHAP", &[name.as_bytes(), b"\0", words.as_flattened(), b"TIT2\0\0\0\x02\0\0\0A"].concat())
    }

    fn toc(children: &[&str]) -> ([u8; 4], [u8; 2], Vec<u8>) {
        let names: Vec<u8> = children.iter().flat_map(|name| [name.as_bytes(), b"\0"].concat()).collect();
        frame(*b"CTOC", &[b"toc\0\x03", &[children.len() as u8][..], &names].concat())
    }

    /// A tag of these frames with 20 bytes of padding, or with a foot.
    fn id3(version: u8, flags: u8, frames: &[([u8; 4], [u8; 2], Vec<u8>)]) -> Vec<u8> {
        let size: usize = frames.iter().map(|(_, _, contents)| 10 + contents.len()).sum();
        let foot = if flags & 0x10 == 0 { 0 } else { HEAD };
        tag(&[b"ID3", &[version, 0, flags][..]].concat(), frames, size + if foot == 0 { 20 } else { 0 }, foot)
    }

    #[test]
    fn chapters_stand_where_their_sound_stands() {
        let title = frame(*b"TIT2", b"\0Song");
        for version in [3, 4] {
            let own = [
                title.clone(),
                toc(&["a", "b", "c", "d"]),
                chap("a", 0, 900, 7),
                chap("b", 500, 2_000, 7),
                chap("c", 2_000, 4_500, 7),
                chap("d", 4_500, 9_000, u32::MAX),
            ];
            // The first is cut away, the second begins with the output, the last ends with it.
            let wanted = [
                title.clone(),
                toc(&["b", "c", "d"]),
                chap("b", 0, 1_000, u32::MAX),
                chap("c", 1_000, 3_500, u32::MAX),
                chap("d", 3_500, 4_000, u32::MAX),
            ];
            let source = id3(version, 0, &own);
            let found = moved(&source, &CUT).unwrap();
            assert_eq!((found.lost_chapters, found.lost_others, found.bytes.len()), (1, 0, source.len()));
            let inside = id3(version, 0, &wanted);
            let end = inside.len() - 20;
            assert_eq!(found.bytes[10..end], inside[10..end], "{version}");
            assert!(found.bytes[end..].iter().all(|byte| *byte == 0), "what is free is padding");
            // A foot allows none.
            let found = moved(&id3(version, 0x10, &own), &CUT).unwrap();
            assert_eq!(found.bytes, id3(version, 0x10, &wanted), "{version}");
        }
    }

    #[test]
    fn silence_before_the_sound_moves_chapters_back() {
        let padded = TimeChange { shift_frames: -24_000, ..CUT };
        let found = moved(&id3(4, 0, &[chap("a", 0, 1_000, u32::MAX)]), &padded).unwrap();
        assert_eq!(found.bytes, id3(4, 0, &[chap("a", 500, 1_500, u32::MAX)]));
    }

    #[test]
    fn other_positions_go_and_what_cannot_be_read_is_said() {
        let song = id3(3, 0, &[frame(*b"TIT2", b"\0Song"), frame(*b"SYLT", b"words")]);
        let found = moved(&song, &CUT).unwrap();
        assert_eq!((found.lost_chapters, found.lost_others), (0, 1));
        let none = TimeChange { from_hz: 48_000, shift_frames: 0, ..CUT };
        assert_eq!(moved(&song, &none).unwrap().bytes, song);
        let bare = id3(3, 0x80, &[frame(*b"TIT2", b"\0Song")]);
        assert_eq!(moved(&bare, &CUT).unwrap().bytes, bare, "it has no position");
        for flags in [0x80, 0x40] {
            assert_eq!(moved(&id3(4, flags, &[chap("a", 0, 1, 0)]), &CUT), None, "{flags:#x}");
        }
        let mut packed = chap("a", 0, 1, 0);
        packed.1[1] = 0x08;
        assert_eq!(moved(&id3(4, 0, &[packed]), &CUT), None);
        assert_eq!(moved(&id3(4, 0, &[frame(*b"CHAP", b"a\0\0\0")]), &CUT), None, "it ends too early");
        assert!(moved(b"ID3", &CUT).is_some_and(|moved| moved.bytes == b"ID3"));
    }
}
