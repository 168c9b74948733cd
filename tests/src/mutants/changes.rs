//! One change to a file of chunks. It knows where chunks and fields lie, and nothing of how they are read.

use super::fields::fields;
use super::layout::{Part, Parts};
use crate::Random;

/// What was done.
pub(super) struct Change {
    pub(super) text: String,
    /// Whether bytes of the samples were changed or are gone.
    pub(super) touched: bool,
}

/// What may be done.
const CHANGES: [fn(&mut Parts, &mut Random) -> Option<Change>; 14] = [
    field_value,
    field_value,
    field_value,
    chunk_size,
    chunk_size,
    form_size,
    order,
    double,
    leave_out,
    shorten,
    padding,
    stranger,
    cut_off,
    name_or_sample,
];

/// Changes the file once.
pub(super) fn change(parts: &mut Parts, draw: &mut Random) -> Change {
    loop {
        if let Some(change) = draw.pick(&CHANGES).and_then(|change| change(parts, draw)) {
            return change;
        }
    }
}

fn untouched(text: String) -> Change {
    Change { text, touched: false }
}

fn name(part: &Part) -> String {
    String::from_utf8_lossy(&part.id[..4]).into_owned()
}

fn any<'a>(parts: &'a mut Parts, draw: &mut Random) -> Option<&'a mut Part> {
    let index = draw.below(parts.chunks.len());
    parts.chunks.get_mut(index)
}

/// A number that readers may stumble over, in the place of `old`.
pub(super) fn odd_number(old: u64, most: u64, draw: &mut Random) -> u64 {
    let near = [1, 2, 3, 4, 7, 8][draw.below(6)];
    let value = match draw.below(10) {
        0 => 0,
        1 => near,
        2 => old.wrapping_add(near),
        3 => old.wrapping_sub(near),
        4 => old.wrapping_mul(2),
        5 => old / 2,
        6 => most,
        7 => [0x7FFF_FFFF, 0x8000_0000, 0xFFFF_FF00, 0x7FFF_F000, 0xFFFF, 0x7FFF][draw.below(6)],
        8 => old ^ 1 << draw.below(64 - most.leading_zeros() as usize),
        _ => draw.number(),
    };
    value & most
}

fn field_value(parts: &mut Parts, draw: &mut Random) -> Option<Change> {
    let family = parts.family;
    let field = draw.pick(fields(family))?;
    let part = parts.chunks.iter_mut().find(|part| part.id.starts_with(&field.chunk))?;
    let bytes = part.body.get_mut(field.bytes.clone())?;
    let length = bytes.len().min(8);
    let old = family.value(&bytes[..length]);
    let most = if length == 8 { u64::MAX } else { (1 << (8 * length)) - 1 };
    let known = [*b"NONE", *b"sowt", *b"fl32", *b"in24", *b"raw ", *b"ulaw", *b"lpcm", *b"alac", *b"ima4"];
    let value = match draw.pick(&known) {
        Some(name) if matches!(field.name, "compression" | "format") && draw.below(2) == 0 => {
            u64::from(u32::from_be_bytes(*name))
        }
        _ => odd_number(old, most, draw),
    };
    bytes[..length].copy_from_slice(&family.number(value, length));
    Some(untouched(format!("{} of {} is {value:#x} instead of {old:#x}", field.name, name(part))))
}

fn chunk_size(parts: &mut Parts, draw: &mut Random) -> Option<Change> {
    let most = parts.family.most();
    // The samples are asked as often as all others.
    let part = match parts.chunks.iter_mut().position(|part| part.is_sound()) {
        Some(index) if draw.below(2) == 0 => &mut parts.chunks[index],
        _ => any(parts, draw)?,
    };
    let value = odd_number(part.body.len() as u64, most, draw);
    part.stated = Some(value);
    Some(untouched(format!("the size of {} is {value:#x}, it has {:#x}", name(part), part.body.len())))
}

/// CAF has no such size, and stays as it is.
#[expect(clippy::unnecessary_wraps, reason = "all changes have one shape")]
fn form_size(parts: &mut Parts, draw: &mut Random) -> Option<Change> {
    let value = odd_number(parts.to_bytes().len() as u64 - 8, parts.family.most(), draw);
    parts.form_size = Some(value);
    Some(untouched(format!("the size of the form is {value:#x}")))
}

fn order(parts: &mut Parts, draw: &mut Random) -> Option<Change> {
    let (a, b) = (draw.below(parts.chunks.len()), draw.below(parts.chunks.len()));
    parts.chunks.swap(a, b);
    (a != b).then(|| Change { text: format!("chunks {a} and {b} change places"), touched: false })
}

fn double(parts: &mut Parts, draw: &mut Random) -> Option<Change> {
    let from = draw.below(parts.chunks.len());
    let to = draw.below(parts.chunks.len() + 1);
    let mut copy = parts.chunks.get(from)?.clone();
    let text = format!("{} stands twice, also in place {to}", name(&copy));
    if draw.below(2) == 0
        && let at = draw.below(copy.body.len())
        && let Some(byte) = copy.body.get_mut(at)
    {
        *byte ^= 1 << draw.below(8);
    }
    parts.chunks.insert(to, copy);
    Some(untouched(text))
}

fn leave_out(parts: &mut Parts, draw: &mut Random) -> Option<Change> {
    let index = draw.below(parts.chunks.len());
    if index == parts.chunks.len() {
        return None;
    }
    let gone = parts.chunks.remove(index);
    Some(Change { text: format!("{} is left out", name(&gone)), touched: gone.is_sound() })
}

fn shorten(parts: &mut Parts, draw: &mut Random) -> Option<Change> {
    let family = parts.family;
    let part = any(parts, draw)?;
    if part.is_sound() {
        return None;
    }
    let bytes = draw.below(part.body.len() + 9);
    part.body.resize(bytes, 0x20);
    part.pad(family);
    Some(untouched(format!("{} has {bytes} bytes", name(part))))
}

fn padding(parts: &mut Parts, draw: &mut Random) -> Option<Change> {
    let part = any(parts, draw)?;
    let bytes = draw.below(4);
    let value = [0, 1, 0x20, 0xFF][draw.below(4)];
    part.padding = vec![value; bytes];
    Some(untouched(format!("behind {} stand {bytes} bytes {value:#x}", name(part))))
}

#[expect(clippy::unnecessary_wraps, reason = "all changes have one shape")]
fn stranger(parts: &mut Parts, draw: &mut Random) -> Option<Change> {
    let id = [*b"JUNK", *b"fmt ", *b"data", *b"LIST", *b"free", *b"PEAK", *b"\0\0\0\0", *b"\xFF\x01a "]
        [draw.below(8)];
    let at = draw.below(parts.chunks.len() + 1);
    let part = Part::new(parts.family, id, vec![draw.number() as u8; draw.below(70)]);
    if draw.below(4) == 0 {
        parts.litter = part.body;
        return Some(untouched(format!("{} bytes of litter stand at the end", parts.litter.len())));
    }
    let text = format!("{} of {} bytes stands in place {at}", String::from_utf8_lossy(&id), part.body.len());
    parts.chunks.insert(at, part);
    Some(untouched(text))
}

fn cut_off(parts: &mut Parts, draw: &mut Random) -> Option<Change> {
    let bytes = parts.to_bytes().len();
    let (_, end) = parts.sound()?;
    // Behind the samples, where that is not so, one time in four: what is cut there is no sound.
    let (from, to) = if draw.below(4) == 0 { (0, bytes) } else { (end.min(bytes), bytes) };
    let cut = from + draw.below(to - from + 1);
    parts.cut = Some(cut);
    Some(Change { text: format!("the file ends at byte {cut} of {bytes}"), touched: cut < end })
}

fn name_or_sample(parts: &mut Parts, draw: &mut Random) -> Option<Change> {
    let is_sample = draw.below(3) == 0;
    let part = match parts.chunks.iter_mut().position(|part| part.is_sound()) {
        Some(index) if is_sample => &mut parts.chunks[index],
        _ => any(parts, draw)?,
    };
    if is_sample && part.is_sound() {
        let at = draw.below(part.body.len());
        *part.body.get_mut(at)? = draw.number() as u8;
        return Some(Change { text: format!("byte {at} of the samples is another"), touched: true });
    }
    let at = draw.below(4);
    part.id[at] ^= [0x20, 0x80, 1, 0xFF][draw.below(4)];
    let touched = false;
    Some(Change { text: format!("a chunk is named {:?}", name(part)), touched })
}
