//! The `bext` chunk of an output (EBU Tech 3285): the source's, moved in time, with one more row of coding history.

use loadin_codec::{Bext, coding_history_row};

use crate::manifest::Tool;
use crate::plan::StemPlan;
use crate::stages::re_encode::Storage;

/// The chunk for a planned stem; no clock and no host is in it, so the same plan gives the same bytes.
pub(crate) fn of_output(stem: &StemPlan, storage: Storage, source: Option<&Bext>) -> Bext {
    let tool = Tool::this();
    let mut bext = source.cloned().unwrap_or_else(|| Bext::new(&stem.output.label, &tool.name));
    bext.time_reference = stem.output.timestamp_frames;
    // What was measured on the source does not hold for the output.
    bext.clear_loudness();
    bext.coding_history.extend_from_slice(&coding_history_row(
        stem.output.rate_hz,
        storage.kind(),
        stem.output.channels,
        &format!("{} {}", tool.name, tool.version),
    ));
    // Some readers forget the padding of odd chunks and lose their way; an even one gives them no chance.
    if bext.coding_history.len() % 2 == 1 {
        bext.coding_history.push(0);
    }
    bext
}
