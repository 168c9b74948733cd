//! Which deliveries are prepared, into which folders, in which order. Prepares nothing.

use std::path::{Path, PathBuf};

use loadin_pipeline::source::scan;
use loadin_pipeline::work::watchdog::Patience;
use loadin_record::summary::{DeliverySummary, Ended};

use crate::Failure;
use crate::args::{Order, Prep};
use crate::folders::refuse_shared_folders;

/// One delivery and the folder of its outputs.
pub(super) struct Turn {
    pub(super) delivery: PathBuf,
    pub(super) out: PathBuf,
}

impl Turn {
    /// Both as people read them.
    pub(super) fn names(&self) -> (String, String) {
        (self.delivery.display().to_string(), self.out.display().to_string())
    }

    /// What the summary says of a delivery that was not prepared.
    pub(super) fn without_manifest(&self, ended: Ended, error: Option<String>) -> DeliverySummary {
        let (delivery, out) = self.names();
        DeliverySummary::without_manifest(delivery, out, ended, error)
    }
}

/// Every delivery with its folder, in the order of the work. One that is no batch goes into OUT itself; two of one name
/// would share a folder and are refused.
pub(super) fn turns(args: &Prep) -> Result<Vec<Turn>, Failure> {
    if let [only] = &args.deliveries[..]
        && !args.batch
    {
        return Ok(vec![Turn { delivery: only.clone(), out: args.out.clone() }]);
    }
    refuse_shared_folders(&args.deliveries, &args.out)?;
    let turn =
        |delivery: &PathBuf| Turn { delivery: delivery.clone(), out: args.out.join(scan::name_of(delivery)) };
    let mut turns: Vec<Turn> = args.deliveries.iter().map(turn).collect();
    match args.order {
        Order::Given => {}
        Order::Name => turns.sort_by(|a, b| a.out.cmp(&b.out)),
        Order::Size => turns.sort_by_cached_key(|turn| audio_bytes(&turn.delivery)),
    }
    Ok(turns)
}

/// Bytes of the audio in a delivery; one that cannot be listed says so when its turn comes.
fn audio_bytes(delivery: &Path) -> u64 {
    scan::scan(delivery, Patience::default())
        .map_or(0, |inventory| inventory.files.iter().map(|file| file.bytes).sum())
}
