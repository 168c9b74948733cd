//! What a prepared delivery has fixed: files that come late get the gain, the start, the length and the names that the
//! others have, so that a session in which those are already at work stays true.

use std::collections::BTreeMap;
use std::path::Path;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::{Link, LinkGain};
use crate::audio_folder::AUDIO;
use crate::facts::Survey;
use crate::manifest::Manifest;

/// What is fixed.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Pin {
    /// What the linked stems share.
    pub link: Link,
    /// Every stem of the first preparation that had an output, by its source's path.
    pub stems: BTreeMap<String, PinnedStem>,
}

/// What is fixed of one stem.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct PinnedStem {
    /// SHA-256 of the source, in hex.
    pub sha256: String,
    /// Name of the output without extension.
    pub label: Option<String>,
    /// Folder of the output below `audio/`; empty where it lies in there itself.
    #[serde(default)]
    pub folder: String,
    /// Where the source's first frame stands, in frames since midnight at the output rate; where there is one start.
    pub start_frames: Option<i64>,
}

impl Pin {
    /// What a manifest fixes: what was fixed for its own late files, else its own decisions.
    pub fn of(manifest: &Manifest) -> Self {
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
        Self { link: manifest.link.clone(), stems: stems.collect() }
    }

    /// What is fixed of the stem whose source has this path.
    pub fn stem(&self, path: &str) -> Option<&PinnedStem> {
        self.stems.get(path)
    }

    /// Whether the file is the very one that was there before.
    pub fn is_same(&self, survey: &Survey) -> bool {
        self.stem(&survey.path).is_some_and(|stem| stem.sha256 == survey.sha256)
    }

    /// The gain of a link of several stems; a stem that is a link of its own gets its own.
    pub fn gain(&self, scope: &str) -> Option<&LinkGain> {
        self.link.gains.iter().find(|gain| gain.scope == scope && !scope.starts_with("stem "))
    }
}
