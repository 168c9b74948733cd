//! What became of every planned stem, by the journal that the units of several machines have written.

use std::collections::BTreeMap;
use std::path::Path;

use loadin_storage::records::Records;

use super::error::UnitError;
use super::files::PlanFile;
use crate::journal::{Renders, StemOutcome};
use crate::work::schedule::in_parallel;

/// What became of every planned stem.
pub(super) fn rendered(
    records: &Records<'_>,
    out: &Path,
    planned: &PlanFile,
) -> Result<BTreeMap<String, StemOutcome>, UnitError> {
    let renders = Renders(records);
    let stems = planned.kept.to_render(&planned.plan);
    let made = in_parallel(
        &stems,
        |stem| stem.output_bytes(),
        |stem| {
            let result = match (renders.proved(out, stem), renders.failed(stem)) {
                (Some(done), _) => Ok(done),
                (None, Some(why)) => Err(why),
                (None, None) => {
                    return Err(UnitError::NotYet { what: format!("\"{}\"", stem.output_path()) });
                }
            };
            Ok((stem.path().to_owned(), result))
        },
    );
    made.into_iter().collect()
}
