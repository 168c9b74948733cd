//! A chunk of a RIFF file: the form in which everything beside the samples is kept, whatever its container. Knows no
//! single kind of chunk.

use crate::Error;

/// A chunk with its contents.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Chunk {
    /// Four characters.
    pub id: [u8; 4],
    /// The contents, without padding.
    pub bytes: Vec<u8>,
}

/// A chunk as it stands in the file, with its padding.
pub(crate) fn chunk_bytes(chunk: &Chunk) -> Result<Vec<u8>, Error> {
    let size = u32::try_from(chunk.bytes.len())
        .map_err(|_| Error::limit("bytes in a chunk", "4 GiB", chunk.bytes.len()))?;
    let mut bytes = [&chunk.id[..], &size.to_le_bytes(), &chunk.bytes].concat();
    bytes.resize(bytes.len().next_multiple_of(2), 0);
    Ok(bytes)
}
