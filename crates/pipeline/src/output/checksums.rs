//! Lists of SHA-256 as `sha256sum` writes and reads them: a line a file, sum, two spaces, path.

use std::collections::BTreeMap;
use std::path::Path;

use loadin_record::layout::MOST_PAPER_BYTES;
use loadin_storage::plain_file;

/// The list beside the outputs.
pub(crate) const LIST: &str = "checksums.sha256";

/// The sums of a list's text, by path; lines that are none are passed over.
pub(crate) fn parse(text: &str) -> BTreeMap<String, String> {
    let entries = text.lines().filter_map(|line| line.split_once("  "));
    entries.map(|(sum, path)| (path.to_owned(), sum.to_owned())).collect()
}

/// The text of a list.
pub(crate) fn to_text<P: AsRef<str>, S: AsRef<str>>(sums: impl IntoIterator<Item = (P, S)>) -> String {
    sums.into_iter().map(|(path, sum)| format!("{}  {}\n", sum.as_ref(), path.as_ref())).collect()
}

/// What the list in an output folder says; nothing where there is none.
pub(crate) fn listed(out: &Path) -> BTreeMap<String, String> {
    parse(&plain_file::read_text(&out.join(LIST), MOST_PAPER_BYTES).unwrap_or_default())
}
