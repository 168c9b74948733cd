//! What a finished preparation has fixed, read out of its manifest.

use std::path::Path;

use loadin_record::late::{Pin, PinnedStem};
use loadin_record::layout::AUDIO;
use loadin_record::manifest::Manifest;

/// What a manifest fixes: what was fixed for its own late files, else its own decisions.
pub(crate) fn pin_of(manifest: &Manifest) -> Pin {
    if let Some(late) = &manifest.late {
        return late.pin.clone();
    }
    let stamp = manifest.link.timestamp_frames.map(|frames| frames as i64);
    let stems = manifest.stems.iter().filter_map(|stem| {
        let output = stem.output.as_ref()?;
        let path = Path::new(&output.path);
        let label = path.file_stem().and_then(|label| label.to_str());
        let folder = path.parent().and_then(|folder| folder.strip_prefix(AUDIO).ok()?.to_str());
        let shift = stem.time_map.as_ref()?.shift_frames;
        let pinned = PinnedStem {
            sha256: stem.source.sha256.clone()?,
            label: label.map(str::to_owned),
            folder: folder.unwrap_or_default().to_owned(),
            start_frames: stamp.map(|stamp| stamp - shift),
        };
        Some((stem.source.path.clone(), pinned))
    });
    Pin { link: manifest.link.clone(), stems: stems.collect() }
}
