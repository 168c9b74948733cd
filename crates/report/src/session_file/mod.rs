//! The session file: `DAWproject` 1.0, an open exchange format (a ZIP archive with `metadata.xml` and `project.xml`). It knows
//! the session alone; the audio lies beside it and is named by relative paths.

mod project;
mod xml;

use std::io::{self, Cursor, Write};

use loadin_record::session::Session;
use zip::write::SimpleFileOptions;
use zip::{CompressionMethod, DateTime, System, ZipWriter};

/// The bytes of the file. Its entries are stored and have one fixed date, so that they depend on nothing but the session: not
/// on the version of a packer, the system or the hour.
///
/// # Panics
/// Never: nothing can fail in memory.
pub(crate) fn session_file(session: &Session) -> Vec<u8> {
    packed(session).expect("a ZIP archive of two small texts in memory")
}

fn packed(session: &Session) -> io::Result<Vec<u8>> {
    let options = SimpleFileOptions::default()
        .compression_method(CompressionMethod::Stored)
        .last_modified_time(DateTime::default())
        .unix_permissions(0o644)
        .system(System::Unix);
    let mut archive = ZipWriter::new(Cursor::new(Vec::new()));
    for (name, text) in
        [("metadata.xml", project::metadata(session)?), ("project.xml", project::project(session)?)]
    {
        archive.start_file(name, options)?;
        archive.write_all(&text)?;
    }
    Ok(archive.finish()?.into_inner())
}
