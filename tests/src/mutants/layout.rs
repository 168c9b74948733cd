//! The chunks of a file as parts that can be moved, resized and written again, for RIFF, RF64, Wave64, AIFF and CAF. It knows
//! nothing of what the chunks mean.

/// How chunks are written.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Family {
    /// RIFF and RF64: little-endian sizes of 32 bits, even places.
    Riff,
    /// GUIDs, little-endian sizes of 64 bits that count their head, places at multiples of 8.
    Wave64,
    /// FORM: big-endian sizes of 32 bits, even places.
    Aiff,
    /// Big-endian sizes of 64 bits, any place.
    Caf,
}

/// The part that the names of all chunks of Wave64 have in common, but for `riff`.
const TAIL: &[u8] = b"\xF3\xAC\xD3\x11\x8C\xD1\x00\xC0\x4F\x8E\xDB\x8A";

/// `riff` of Wave64.
const RIFF64: &[u8] = b"riff\x2E\x91\xCF\x11\xA5\xD6\x28\xDB\x04\xC1\x00\x00";

/// A chunk.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Part {
    pub(super) id: Vec<u8>,
    /// Its size field, where that is wrong.
    pub(super) stated: Option<u64>,
    pub(super) body: Vec<u8>,
    /// What stands behind it up to the next place.
    pub(super) padding: Vec<u8>,
}

/// A file of chunks.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Parts {
    pub(super) family: Family,
    /// The name of the form: `RIFF`, `RF64`, `FORM`; the head of a CAF file.
    pub(super) form: Vec<u8>,
    /// The size of the form, where that is wrong.
    pub(super) form_size: Option<u64>,
    /// `WAVE`, `AIFF`, `AIFC`.
    pub(super) kind: Vec<u8>,
    pub(super) chunks: Vec<Part>,
    /// What stands behind the last chunk.
    pub(super) litter: Vec<u8>,
    /// Where the file is cut off.
    pub(super) cut: Option<usize>,
}

impl Family {
    fn id_bytes(self) -> usize {
        if self == Self::Wave64 { 16 } else { 4 }
    }

    fn size_bytes(self) -> usize {
        if matches!(self, Self::Wave64 | Self::Caf) { 8 } else { 4 }
    }

    fn is_big_endian(self) -> bool {
        matches!(self, Self::Aiff | Self::Caf)
    }

    /// A number as this family writes it, in so many bytes.
    pub(super) fn number(self, value: u64, bytes: usize) -> Vec<u8> {
        if self.is_big_endian() {
            value.to_be_bytes()[8 - bytes..].to_vec()
        } else {
            value.to_le_bytes()[..bytes].to_vec()
        }
    }

    /// A number that this family has written.
    pub(super) fn value(self, bytes: &[u8]) -> u64 {
        let add = |value: u64, byte: &u8| value << 8 | u64::from(*byte);
        if self.is_big_endian() { bytes.iter().fold(0, add) } else { bytes.iter().rev().fold(0, add) }
    }

    /// Bytes that stand behind a chunk of this size.
    fn padding(self, bytes: usize) -> usize {
        match self {
            Self::Riff | Self::Aiff => bytes & 1,
            Self::Wave64 => bytes.next_multiple_of(8) - bytes,
            Self::Caf => 0,
        }
    }

    /// The largest number that a size field holds.
    pub(super) fn most(self) -> u64 {
        if self.size_bytes() == 8 { u64::MAX } else { u64::from(u32::MAX) }
    }
}

impl Part {
    /// A chunk that is as it should be.
    pub(super) fn new(family: Family, id: [u8; 4], body: Vec<u8>) -> Self {
        let mut part = Self { id: id.to_vec(), stated: None, padding: Vec::new(), body };
        if family == Family::Wave64 {
            part.id.extend(TAIL);
        }
        part.pad(family);
        part
    }

    /// Pads it as its size asks for.
    pub(super) fn pad(&mut self, family: Family) {
        self.padding = vec![0; family.padding(self.body.len())];
    }

    /// Whether it holds the samples.
    pub(super) fn is_sound(&self) -> bool {
        self.id.starts_with(b"data") || self.id.starts_with(b"SSND")
    }

    /// Whether it says what the samples are.
    pub(super) fn is_format(&self) -> bool {
        [b"fmt ", b"COMM", b"desc", b"ds64"].iter().any(|id| self.id.starts_with(*id))
    }

    fn size(&self, family: Family) -> u64 {
        let head = if family == Family::Wave64 { 24 } else { 0 };
        self.stated.unwrap_or(self.body.len() as u64 + head)
    }
}

impl Parts {
    /// The parts of a file that is as it should be.
    ///
    /// # Panics
    /// When it is not.
    pub(super) fn of(family: Family, file: &[u8]) -> Self {
        let (form, kind, mut at) = match family {
            Family::Caf => (file[..8].to_vec(), Vec::new(), 8),
            Family::Wave64 => (file[..16].to_vec(), file[24..40].to_vec(), 40),
            Family::Riff | Family::Aiff => (file[..4].to_vec(), file[8..12].to_vec(), 12),
        };
        let (ids, sizes) = (family.id_bytes(), family.size_bytes());
        let mut parts =
            Self { family, form, form_size: None, kind, chunks: Vec::new(), litter: Vec::new(), cut: None };
        while at + ids + sizes <= file.len() {
            let start = at + ids + sizes;
            let stated = family.value(&file[at + ids..start]);
            let head = if family == Family::Wave64 { 24 } else { 0 };
            // RF64 keeps the size of the samples elsewhere, and they stand last in our seeds.
            let is_long = family == Family::Riff && stated == u64::from(u32::MAX);
            let bytes = if is_long { file.len() - start } else { (stated - head) as usize };
            let mut part = Part {
                id: file[at..at + ids].to_vec(),
                stated: is_long.then_some(stated),
                body: file[start..start + bytes].to_vec(),
                padding: Vec::new(),
            };
            part.pad(family);
            at = start + bytes + part.padding.len();
            parts.chunks.push(part);
        }
        if family != Family::Caf {
            let stated = family.value(&file[parts.form.len()..parts.form.len() + sizes]);
            parts.form_size = (stated == u64::from(u32::MAX)).then_some(stated);
        }
        parts
    }

    /// The same chunks in another family.
    pub(super) fn in_wave64(mut self) -> Self {
        self.family = Family::Wave64;
        self.form = RIFF64.to_vec();
        self.kind = [&b"wave"[..], TAIL].concat();
        for part in &mut self.chunks {
            part.id.extend(TAIL);
            part.pad(Family::Wave64);
        }
        self
    }

    /// The file.
    pub(super) fn to_bytes(&self) -> Vec<u8> {
        let (family, sizes) = (self.family, self.family.size_bytes());
        let mut chunks = Vec::new();
        for part in &self.chunks {
            chunks.extend(&part.id);
            chunks.extend(family.number(part.size(family), sizes));
            chunks.extend(&part.body);
            chunks.extend(&part.padding);
        }
        let mut file = self.form.clone();
        if family != Family::Caf {
            let head = if family == Family::Wave64 { 24 } else { 0 };
            let size = self.form_size.unwrap_or((chunks.len() + self.kind.len() + head) as u64);
            file.extend(family.number(size, sizes));
        }
        file.extend(&self.kind);
        file.extend(chunks);
        file.extend(&self.litter);
        if let Some(cut) = self.cut {
            file.truncate(cut);
        }
        file
    }

    /// Whether samples are cut off, of the first sound or of another.
    pub(super) fn sound_is_cut(&self) -> bool {
        self.cut.is_some_and(|cut| self.sounds().iter().any(|(_, end)| *end > cut))
    }

    /// Where the samples of the first sound begin and end in the file.
    pub(super) fn sound(&self) -> Option<(usize, usize)> {
        self.sounds().first().copied()
    }

    fn sounds(&self) -> Vec<(usize, usize)> {
        let mut sounds = Vec::new();
        let (ids, sizes) = (self.family.id_bytes(), self.family.size_bytes());
        let mut at = self.form.len() + if self.family == Family::Caf { 0 } else { sizes } + self.kind.len();
        for part in &self.chunks {
            at += ids + sizes;
            if part.is_sound() {
                sounds.push((at, at + part.body.len()));
            }
            at += part.body.len() + part.padding.len();
        }
        sounds
    }
}
