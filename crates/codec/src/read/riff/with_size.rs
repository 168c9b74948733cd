//! A RIFF file that is read with another size of its samples than it states: symphonia believes the field, and drops the
//! last blocks of ADPCM where it is a byte short, or longer than the file. Knows no block and no codec.

use std::io::{self, Read, Seek, SeekFrom};

/// Bytes of a size.
const SIZE_BYTES: u64 = 4;

/// A source in which four bytes read as others.
pub(crate) struct WithSize<R> {
    source: R,
    /// Where the size stands.
    at: u64,
    size: [u8; SIZE_BYTES as usize],
    position: u64,
}

impl<R: Read + Seek> WithSize<R> {
    /// The file of `source`, with `size` in the four bytes at `at`.
    ///
    /// # Errors
    /// When the source cannot be wound back.
    pub(crate) fn new(mut source: R, at: u64, size: u32) -> io::Result<Self> {
        source.rewind()?;
        Ok(Self { source, at, size: size.to_le_bytes(), position: 0 })
    }
}

impl<R: Read> Read for WithSize<R> {
    fn read(&mut self, bytes: &mut [u8]) -> io::Result<usize> {
        let read = self.source.read(bytes)?;
        for (index, byte) in self.size.iter().enumerate() {
            let place = (self.at + index as u64).checked_sub(self.position);
            if let Some(place) = place.filter(|place| *place < read as u64) {
                bytes[place as usize] = *byte;
            }
        }
        self.position += read as u64;
        Ok(read)
    }
}

impl<R: Seek> Seek for WithSize<R> {
    fn seek(&mut self, to: SeekFrom) -> io::Result<u64> {
        self.position = self.source.seek(to)?;
        Ok(self.position)
    }
}

#[cfg(test)]
mod tests {
    use std::io::Cursor;

    use super::*;

    #[test]
    fn only_the_size_reads_otherwise_however_it_is_read() {
        let bytes: Vec<u8> = (0..20).collect();
        for piece in 1..9 {
            let mut sized = WithSize::new(Cursor::new(bytes.clone()), 6, 0x4433_2211).unwrap();
            let mut found = Vec::new();
            let mut room = vec![0; piece];
            while let read @ 1.. = sized.read(&mut room).unwrap() {
                found.extend_from_slice(&room[..read]);
            }
            let wanted = [&bytes[..6], &[0x11, 0x22, 0x33, 0x44], &bytes[10..]].concat();
            assert_eq!(found, wanted, "in pieces of {piece}");
            sized.seek(SeekFrom::Start(8)).unwrap();
            assert_eq!((sized.read(&mut room).unwrap(), room[0]), (piece.min(12), 0x33));
        }
    }
}
