//! What a file is written to. Knows neither files nor containers.

use std::io::{self, Write};

/// What a file is written to: a stream, whose first bytes can be written once more when more is known.
pub trait Output: Write {
    /// Replaces as many bytes at the start as are given; they have been written before, and are few (up to 64).
    ///
    /// # Errors
    /// When that cannot be done.
    fn rewrite_head(&mut self, bytes: &[u8]) -> io::Result<()>;
}

impl<O: Output + ?Sized> Output for &mut O {
    fn rewrite_head(&mut self, bytes: &[u8]) -> io::Result<()> {
        (**self).rewrite_head(bytes)
    }
}

impl Output for Vec<u8> {
    fn rewrite_head(&mut self, bytes: &[u8]) -> io::Result<()> {
        let head = self.get_mut(..bytes.len()).ok_or(io::ErrorKind::InvalidInput)?;
        head.copy_from_slice(bytes);
        Ok(())
    }
}
