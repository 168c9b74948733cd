//! What was done to a stem, in words that stand beside its picture.

use loadin_record::codec::is_lossless;
use loadin_record::manifest::{Change, StemRecord};
use loadin_record::source::SourceRecord;
use loadin_record::survey::RelationFacts;
use serde_json::Value;

use crate::text::{clock, number};

/// A change in words, and why.
pub(crate) fn change(change: &Change, stem: &StemRecord) -> (String, String) {
    let rate_hz = stem.output.as_ref().map_or(48_000, |output| output.rate_hz).max(1);
    let seconds = |value: Option<&Value>| value.and_then(Value::as_f64).unwrap_or(0.0) / f64::from(rate_hz);
    let text = |value: &Value| value.as_str().map_or_else(|| value.to_string(), str::to_owned);
    let words = match (change.stage.as_str(), change.what.as_str()) {
        ("gain-stage", _) => {
            format!("gain {} dB", number(change.to.as_f64().unwrap_or(0.0), 2, true))
        }
        ("trim-silence", _) => {
            let (head, tail) =
                (seconds(change.more.get("head_frames")), seconds(change.more.get("tail_frames")));
            let cut =
                |at: &str, seconds: f64| (seconds > 0.0).then(|| format!("{seconds:.3} s cut from the {at}"));
            let cuts: Vec<String> = [cut("start", head), cut("end", tail)].into_iter().flatten().collect();
            if cuts.is_empty() { change.to_string() } else { cuts.join(", ") }
        }
        // Later is plus, here and in every paper.
        ("align-starts", "start") => format!("{} s later", number(seconds(Some(&change.to)), 3, true)),
        ("align-starts", _) => format!("length {}", clock(seconds(Some(&change.to)), 3)),
        // The depth stays; the sound no longer lies on its grid.
        ("re-encode", "dither") => format!("{} dither", text(&change.to)),
        ("re-encode", _) => {
            let dither = change.more.get("dither").and_then(Value::as_str).filter(|kind| *kind != "none");
            let dither = dither.map_or(String::new(), |kind| format!(" with {kind} dither"));
            format!("{} → {}{dither}", text(&change.from), text(&change.to))
        }
        _ => change.to_string(),
    };
    (words, change.why.clone())
}

/// A rate as people say it: "44.1 kHz".
pub(crate) fn rate(rate_hz: u32) -> String {
    format!("{} kHz", f64::from(rate_hz) / 1000.0)
}

/// "24-bit", "32-bit float".
pub(crate) fn depth(bits: u16, float: bool) -> String {
    format!("{bits}-bit{}", if float { " float" } else { "" })
}

/// "mono", "stereo", "6 channels".
pub(crate) fn layout(channels: u16) -> String {
    match channels {
        1 => "mono".to_owned(),
        2 => "stereo".to_owned(),
        n => format!("{n} channels"),
    }
}

/// The format of a delivered file in a few words; none where nothing is known.
pub(crate) fn format(source: &SourceRecord) -> Vec<String> {
    let mut words = Vec::new();
    words.extend(source.container.clone());
    words.extend(source.rate_hz.map(rate));
    let codec = source.codec.as_deref().unwrap_or_default();
    if is_lossless(codec) {
        words.extend(source.bits.map(|bits| depth(bits, source.float.unwrap_or(false))));
    } else if Some(codec) != source.container.as_deref() {
        words.push(codec.to_owned());
    }
    words.extend(source.channels.map(layout));
    words.retain(|word| !word.is_empty());
    words
}

/// How a stereo stem comes out in mono: the level of (L + R) / 2 beside the mean power of L and R. With mid M and side S
/// that is M² / (M² + S²), so two equal channels lose nothing and two unrelated ones 3 dB.
pub(crate) fn fold_down(relation: &RelationFacts) -> String {
    match relation.side_to_mid {
        Some(ratio) => format!("{} dB in mono", number(-10.0 * libm::log10(1.0 + ratio * ratio), 1, false)),
        None => "nothing left in mono".to_owned(),
    }
}

/// The name of a prepared file without folder and ending; that of the source where there is none.
pub(crate) fn label(stem: &StemRecord) -> &str {
    match &stem.output {
        Some(output) => label_of(&output.path),
        None => &stem.source.path,
    }
}

/// The label in an output's path.
pub(crate) fn label_of(path: &str) -> &str {
    let name = path.rsplit('/').next().unwrap_or(path);
    name.rsplit_once('.').map_or(name, |(label, _)| label)
}

/// The folder of a group in an output's path; empty where the stems lie in one folder.
pub(crate) fn folder_of(path: &str) -> &str {
    let inside = path.split_once('/').map_or("", |(_, inside)| inside);
    inside.rsplit_once('/').map_or("", |(folder, _)| folder)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn relation(side_to_mid: Option<f64>) -> RelationFacts {
        RelationFacts {
            max_difference: 0.0,
            worst_difference_ratio: 0.0,
            max_sum: 0.0,
            worst_sum_ratio: 0.0,
            correlation: None,
            side_to_mid,
        }
    }

    /// Two equal channels keep their level; of two unrelated ones of equal power, mid and side are equal, and half of the
    /// power is left (arithmetic).
    #[test]
    fn the_loss_in_mono_is_that_of_the_side() {
        assert_eq!(fold_down(&relation(Some(0.0))), "0.0 dB in mono");
        assert_eq!(fold_down(&relation(Some(1.0))), "−3.0 dB in mono");
        assert_eq!(fold_down(&relation(Some(10.0))), "−20.0 dB in mono");
    }
}
