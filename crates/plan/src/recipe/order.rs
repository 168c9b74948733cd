//! Orders of stages that cannot keep what a stage promises are refused, with the reason.

use super::recipe::Placed;
use crate::mistakes::Gathered;
use crate::stages::Settings;
use crate::stages::channel_fix::Pairs;
use crate::stages::decode::Damage;
use crate::stages::re_encode::{Depth, OutputContainer, WhenOver};
use crate::stages::stage::LinkScope;
use crate::values::Rate;

/// "The first must come before the second, because …", where a recipe has both.
const BEFORE: &[(&str, &str, &str)] = &[
    ("resample", "gain-stage", "resampling moves peaks, so a peak that was set before it does not hold"),
    ("resample", "trim-silence", "cuts are counted in frames of one common rate"),
    ("resample", "align-starts", "starts and lengths are counted in frames of one common rate"),
    ("dc-removal", "gain-stage", "the offset would be part of the peak that is brought to the target"),
    (
        "channel-fix",
        "gain-stage",
        "a channel that is dropped would be part of the peak that is brought to the target",
    ),
    ("channel-fix", "dc-removal", "the offset is subtracted channel by channel from the channels that stay"),
];

/// Checks names, order and combinations.
pub(super) fn check(stages: &[Placed], mistakes: &mut Gathered<'_>) {
    for (index, placed) in stages.iter().enumerate() {
        if stages[..index].iter().any(|earlier| earlier.stage.name() == placed.stage.name()) {
            mistakes.add(
                placed.span.clone(),
                format!("{} stands twice; each stage can stand once", placed.stage.name()),
            );
        }
    }
    ends(stages, mistakes);
    for (first, second, reason) in BEFORE {
        if let (Some(first_at), Some(second_at)) = (position(stages, first), position(stages, second))
            && first_at > second_at
        {
            mistakes
                .add(stages[second_at].span.clone(), format!("{second} must come after {first}: {reason}"));
        }
    }
    combinations(stages, mistakes);
}

fn position(stages: &[Placed], name: &str) -> Option<usize> {
    stages.iter().position(|placed| placed.stage.name() == name)
}

/// decode first, re-encode last, label somewhere.
fn ends(stages: &[Placed], mistakes: &mut Gathered<'_>) {
    let Some(first) = stages.first() else { return };
    if first.stage.name() != "decode" {
        mistakes.add(first.span.clone(), "the first stage must be decode: it says which files are stems");
    }
    if let Some(last) = stages.last().filter(|last| last.stage.name() != "re-encode") {
        mistakes.add(last.span.clone(), "the last stage must be re-encode: it writes the files");
    }
    if position(stages, "label").is_none() {
        mistakes.add(first.span.clone(), "there is no label stage: without it the outputs have no names");
    }
}

fn combinations(stages: &[Placed], mistakes: &mut Gathered<'_>) {
    let align = position(stages, "align-starts");
    let one_rate = stages
        .iter()
        .any(|placed| matches!(placed.stage.base(), Settings::Resample(s) if s.rate != Rate::Source));
    for (index, placed) in stages.iter().enumerate() {
        match placed.stage.base() {
            Settings::TrimSilence(trim) => {
                if trim.link != LinkScope::Delivery && align.is_none_or(|align| align < index) {
                    mistakes.add(
                        placed.span.clone(),
                        "trim-silence with this link moves stems against each other: add align-starts after it, or set link = \"delivery\"",
                    );
                }
                if !one_rate {
                    mistakes.add(placed.span.clone(), ONE_RATE.replace("{}", "trim-silence"));
                }
            }
            Settings::AlignStarts(_) if !one_rate => {
                mistakes.add(placed.span.clone(), ONE_RATE.replace("{}", "align-starts"));
            }
            Settings::Resample(_) if align.is_some() && differs_by_stem(placed) => {
                mistakes.add(
                    placed.span.clone(),
                    "resample cannot differ by stem where align-starts gives all stems one length",
                );
            }
            _ => {}
        }
    }
    pairs(stages, mistakes);
    containers(stages, mistakes);
}

/// What a container cannot hold.
fn containers(stages: &[Placed], mistakes: &mut Gathered<'_>) {
    for placed in stages {
        let all = std::iter::once(placed.stage.base())
            .chain(placed.stage.chosen.iter().map(|(_, settings)| settings));
        for settings in all {
            let Settings::ReEncode(written) = settings else { continue };
            if written.markers && !written.container.carries_metadata() {
                mistakes.add(
                    placed.span.clone(),
                    "markers = true needs another container than \"wav\", which has none",
                );
            }
            // FLAC holds integers only.
            if written.container != OutputContainer::Flac {
                continue;
            }
            if matches!(written.depth, Depth::F32 | Depth::F64) {
                mistakes.add(
                    placed.span.clone(),
                    "container = \"flac\" holds integers only: set depth = \"24-bit\", or another container for floats",
                );
            }
            if written.when_over == WhenOver::Float {
                mistakes.add(
                    placed.span.clone(),
                    "container = \"flac\" holds integers only, so a stem above full scale cannot become floats: set when-over = \"fail\"",
                );
            }
        }
    }
}

const ONE_RATE: &str =
    "{} needs one common rate: add resample before it, with rate = \"majority\" or a rate such as \"48 kHz\"";

fn differs_by_stem(placed: &Placed) -> bool {
    placed.stage.chosen.iter().any(|(_, settings)| settings != placed.stage.base())
}

/// Two files can become one only if both are whole.
fn pairs(stages: &[Placed], mistakes: &mut Gathered<'_>) {
    let keeps_damage = stages
        .iter()
        .any(|placed| matches!(placed.stage.base(), Settings::Decode(s) if s.damage == Damage::Keep));
    for placed in stages {
        if let Settings::ChannelFix(fix) = placed.stage.base()
            && fix.pairs == Pairs::Join
            && keeps_damage
        {
            mistakes.add(
                placed.span.clone(),
                "pairs = \"join\" needs damage = \"fail\" in decode: a damaged half would spoil the whole",
            );
        }
    }
}

#[cfg(test)]
mod tests;
