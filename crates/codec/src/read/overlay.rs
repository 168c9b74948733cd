//! A source in which a few bytes read as others, for readers that believe a field which is known to be wrong, or stumble over
//! what they need not read. Knows no container.

use std::io::{self, Read, Seek, SeekFrom};

/// A source with other bytes in a few places.
pub(super) struct Overlay<R> {
    source: R,
    /// Places and the bytes that are read there.
    bytes: Vec<(u64, u8)>,
    position: u64,
}

impl<R: Read + Seek> Overlay<R> {
    /// The source from its first byte on, with these bytes in these places.
    ///
    /// # Errors
    /// When the source cannot be wound back.
    pub(super) fn new(mut source: R, bytes: Vec<(u64, u8)>) -> io::Result<Self> {
        source.rewind()?;
        Ok(Self { source, bytes, position: 0 })
    }

    /// The source from its first byte on, with these bytes too.
    ///
    /// # Errors
    /// When the source cannot be wound back.
    pub(super) fn read_also(&mut self, bytes: Vec<(u64, u8)>) -> io::Result<()> {
        self.bytes.extend(bytes);
        self.rewind()
    }
}

impl<R: Read> Read for Overlay<R> {
    fn read(&mut self, bytes: &mut [u8]) -> io::Result<usize> {
        let read = self.source.read(bytes)?;
        for (at, byte) in &self.bytes {
            let place = at.checked_sub(self.position).filter(|place| *place < read as u64);
            if let Some(place) = place {
                bytes[place as usize] = *byte;
            }
        }
        self.position += read as u64;
        Ok(read)
    }
}

impl<R: Seek> Seek for Overlay<R> {
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
    fn only_those_bytes_read_otherwise_however_they_are_read() {
        let bytes: Vec<u8> = (0..20).collect();
        for piece in 1..9 {
            let other = vec![(6, 0x11), (7, 0x22), (9, 0x44)];
            let mut overlay = Overlay::new(Cursor::new(bytes.clone()), other).unwrap();
            let mut found = Vec::new();
            let mut room = vec![0; piece];
            while let read @ 1.. = overlay.read(&mut room).unwrap() {
                found.extend_from_slice(&room[..read]);
            }
            let wanted = [&bytes[..6], &[0x11, 0x22, 8, 0x44], &bytes[10..]].concat();
            assert_eq!(found, wanted, "in pieces of {piece}");
            overlay.seek(SeekFrom::Start(7)).unwrap();
            assert_eq!((overlay.read(&mut room).unwrap(), room[0]), (piece.min(13), 0x22));
        }
    }
}
