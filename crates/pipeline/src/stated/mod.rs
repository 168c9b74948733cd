//! What a delivery states beside its sound: text notes, MIDI files and markers, read from the disk.

mod notes;

use std::path::Path;

use loadin_plan::music::Music;
use loadin_record::survey::Inventory;

use crate::watch::Patience;

/// Reads what names, notes and MIDI files of the delivery in `root` state of the music. A file that cannot be read is a
/// finding in it.
pub fn read_music(root: &Path, inventory: &Inventory, patience: Patience) -> Music {
    let read = notes::read(root, inventory, patience);
    Music::of(inventory, &read.texts, read.midis, read.findings)
}
