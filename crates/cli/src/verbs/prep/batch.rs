//! Which deliveries are prepared, into which folders, in which order. Prepares nothing.

use std::path::{Path, PathBuf};

use loadin_pipeline::run::RunError;
use loadin_pipeline::source::scan;
use loadin_pipeline::work::watchdog::Patience;
use loadin_plan::recipe::Recipe;
use loadin_record::summary::{DeliverySummary, Ended};

use loadin_record::survey::{FileFacts, SongPart};
use loadin_session::{SongFiles, several_songs};

use crate::Failure;
use crate::args::{Order, Prep};
use crate::folders::refuse_shared_folders;

/// One delivery and the folder of its outputs.
pub(super) struct Turn {
    pub(super) delivery: PathBuf,
    pub(super) out: PathBuf,
    /// The song of it that is prepared, where it holds several.
    pub(super) song: Option<SongPart>,
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
pub(super) fn turns(args: &Prep, recipe: &Recipe) -> Result<Vec<Turn>, Failure> {
    if args.split {
        return songs(args, recipe);
    }
    if let [only] = &args.deliveries[..]
        && !args.batch
    {
        return Ok(vec![Turn { delivery: only.clone(), out: args.out.clone(), song: None }]);
    }
    refuse_shared_folders(&args.deliveries, &args.out)?;
    let turn = |delivery: &PathBuf| {
        let out = args.out.join(scan::name_of(delivery));
        Turn { delivery: delivery.clone(), out, song: None }
    };
    let mut turns: Vec<Turn> = args.deliveries.iter().map(turn).collect();
    match args.order {
        Order::Given => {}
        Order::Name => turns.sort_by(|a, b| a.out.cmp(&b.out)),
        Order::Size => turns.sort_by_cached_key(|turn| audio_bytes(&turn.delivery)),
    }
    Ok(turns)
}

/// The songs of the one delivery, by the lengths in the headers of its files.
fn songs(args: &Prep, recipe: &Recipe) -> Result<Vec<Turn>, Failure> {
    let [delivery] = &args.deliveries[..] else {
        return Err(Failure::bad("--split is about one delivery; give that one alone"));
    };
    let patience = Patience::seconds(args.work.patience);
    let inventory =
        scan::scan(delivery, patience, &|path| recipe.reads_outside(path)).map_err(RunError::from)?;
    let length = |file: &FileFacts| {
        let format = file.format.as_ref().ok()?;
        Some(format.frames? as f64 / f64::from(format.rate_hz.max(1)))
    };
    let stems: Vec<(&str, f64)> =
        inventory.files.iter().filter_map(|file| Some((file.path.as_str(), length(file)?))).collect();
    let songs = several_songs(&stems);
    if songs.is_empty() {
        return Err(Failure::bad(format!(
            "\"{}\" looks like one song: its folders and names do not part it into files of different lengths; give the command without --split",
            delivery.display()
        )));
    }
    let turn = |song: &SongFiles| {
        let others = songs.iter().filter(|other| other.begins != song.begins);
        let others = others.map(|other| other.begins.clone()).collect();
        let part = SongPart { name: song.name.clone(), begins: song.begins.clone(), others };
        Turn { delivery: delivery.clone(), out: args.out.join(&song.name), song: Some(part) }
    };
    Ok(songs.iter().map(turn).collect())
}

/// Bytes of the audio in a delivery; one that cannot be listed says so when its turn comes.
fn audio_bytes(delivery: &Path) -> u64 {
    scan::scan(delivery, Patience::default(), &|_| false)
        .map_or(0, |inventory| inventory.files.iter().map(|file| file.bytes).sum())
}
