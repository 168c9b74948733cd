//! What surveys and evidence show, as findings. Nothing here depends on a decision, and nothing here changes audio, except that
//! `pairs` joins the two halves of a stereo stem where the recipe wants it.

mod proposals;
mod quiet;
mod related;
mod rough_mix;
mod survey;

pub(crate) mod pairs;

use crate::draft::Draft;

/// Adds the findings of every stem and of the delivery.
pub(crate) fn notice(draft: &mut Draft<'_>) {
    survey::notice(draft);
    quiet::notice(draft);
    proposals::notice(draft);
    related::notice(draft);
    rough_mix::notice(draft);
}
