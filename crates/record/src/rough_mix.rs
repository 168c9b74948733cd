//! What the rough mix shows of the stems, and the one sentence that says whether it could show anything. Values only.

use std::collections::BTreeMap;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::polarity::Polarity;

/// What the rough mix shows. Measured on the middle of all channels, below about 2.5 kHz.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize, JsonSchema)]
pub struct RoughMix {
    /// Path inside the delivery.
    pub path: String,
    /// By how many frames it is later than the stems; null where they do not agree about it.
    pub delay_frames: Option<f64>,
    /// Rate of those frames in Hz.
    pub rate_hz: u32,
    /// How much too fast it runs against the stems, in parts of a million.
    pub drift_ppm: Option<f64>,
    /// Its polarity against the stems.
    pub polarity: Option<Polarity>,
    /// Why nothing is said of missing stems; null where it could be judged.
    pub cannot_judge: Option<String>,
    /// How the mix was processed, as far as that shows; null where it is a plain sum of the stems.
    #[serde(default)]
    pub processed: Option<String>,
    /// The seconds from its start that were compared, where it is longer; null where all of it was.
    #[serde(default)]
    pub first_seconds: Option<f64>,
    /// Level of what no stem explains, relative to the mix.
    pub unexplained_db: Option<f64>,
    /// Below this level, relative to the mix, what is missing would not be told from what the processing has made.
    #[serde(default)]
    pub floor_db: Option<f64>,
    /// Gain of every stem in it in dB, as delivered, by the stem's path.
    pub gains_db: BTreeMap<String, f64>,
    /// Stems that are upside down in it against most others.
    #[serde(default)]
    pub inverted: Vec<String>,
    /// What is in it and in no stem.
    pub gaps: Vec<RoughGap>,
    /// Stems that are not in it.
    pub absent: Vec<String>,
    /// Stems that were not compared, each with the reason.
    #[serde(default)]
    pub left_out: BTreeMap<String, String>,
    /// Of versions of one part, which one it has.
    #[serde(default)]
    pub versions: Vec<MixedVersion>,
}

/// A stretch of the rough mix that is in no stem.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct RoughGap {
    /// Where it begins after the common start of the stems.
    pub from_seconds: f64,
    /// Where it ends.
    pub to_seconds: f64,
    /// The band that holds most of it.
    pub low_hz: f64,
    /// Its upper end.
    pub high_hz: f64,
    /// Its level relative to the mean of the mix.
    pub level_db: f64,
    /// How sure it is that no compared stem explains it, 0 to 1.
    #[serde(default)]
    pub confidence: f64,
}

/// Two versions of one part, and which of them the rough mix has.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct MixedVersion {
    /// Path of the version that is in it.
    pub heard: String,
    /// Path of the one that is not.
    pub other: String,
}

/// Whether stems are missing, as far as it was checked.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct MissingStems {
    /// What is known, in words: "none by the rough mix (below 2.5 kHz)", "not checked, because …".
    pub text: String,
    /// Whether all of it was checked, and nothing is missing.
    pub is_none_for_sure: bool,
    /// Why nothing could be checked; `None` where something was.
    pub unchecked: Option<Unchecked>,
}

/// Why nothing could be checked.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Unchecked {
    /// There is no rough mix.
    NoRoughMix,
    /// The rough mix does not show it.
    NotShown,
}

/// Says whether stems are missing, by what the rough mix of a delivery shows.
pub fn missing_stems(rough: Option<&RoughMix>) -> MissingStems {
    let unchecked = |why: Unchecked, text: String| MissingStems {
        text: format!("not checked, because {text}"),
        is_none_for_sure: false,
        unchecked: Some(why),
    };
    let Some(rough) = rough else {
        let text = "no rough mix with sound is among the files";
        return unchecked(Unchecked::NoRoughMix, text.to_owned());
    };
    if let Some(reason) = &rough.cannot_judge {
        return unchecked(Unchecked::NotShown, format!("of the rough mix this is known: {reason}"));
    }
    let mut scope = vec!["below 2.5 kHz".to_owned()];
    scope.extend(rough.first_seconds.map(|seconds| format!("first {:.0} minutes", seconds / 60.0)));
    let floor = rough.floor_db.filter(|_| rough.processed.is_some());
    scope.extend(floor.map(|floor| format!("above {floor:.0} dB")));
    let scope = scope.join(", ");
    let found = if rough.gaps.is_empty() {
        "none by the rough mix".to_owned()
    } else {
        let times: Vec<String> = rough
            .gaps
            .iter()
            .map(|gap| format!("between {} and {}", clock(gap.from_seconds), clock(gap.to_seconds)))
            .collect();
        format!("something {} is in the rough mix and in no stem", times.join(" and "))
    };
    let names: Vec<String> = rough.left_out.keys().map(|path| format!("\"{path}\"")).collect();
    let left_out =
        if names.is_empty() { String::new() } else { format!("; not compared: {}", names.join(", ")) };
    let all = rough.first_seconds.is_none() && rough.processed.is_none() && names.is_empty();
    MissingStems {
        text: format!("{found} ({scope}){left_out}"),
        is_none_for_sure: all && rough.gaps.is_empty(),
        unchecked: None,
    }
}

fn clock(seconds: f64) -> String {
    let whole = seconds.max(0.0).round() as u64;
    format!("{}:{:02}", whole / 60, whole % 60)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_was_checked_is_said_with_its_limits() {
        let text = |rough: RoughMix| missing_stems(Some(&rough)).text;
        let rough = RoughMix::default;
        assert_eq!(text(rough()), "none by the rough mix (below 2.5 kHz)");
        assert!(missing_stems(Some(&rough())).is_none_for_sure);
        let long = RoughMix { first_seconds: Some(1200.0), ..rough() };
        assert_eq!(text(long), "none by the rough mix (below 2.5 kHz, first 20 minutes)");
        let processed = Some("it was limited".to_owned());
        let limited = RoughMix { processed, floor_db: Some(-21.7), ..rough() };
        assert_eq!(text(limited), "none by the rough mix (below 2.5 kHz, above -22 dB)");
        let left_out = [("a.wav".to_owned(), String::new()), ("b.wav".to_owned(), String::new())].into();
        let partly = RoughMix { left_out, ..rough() };
        assert_eq!(
            text(partly.clone()),
            "none by the rough mix (below 2.5 kHz); not compared: \"a.wav\", \"b.wav\""
        );
        assert!(!missing_stems(Some(&partly)).is_none_for_sure);
        let gap = RoughGap {
            from_seconds: 61.6,
            to_seconds: 90.0,
            low_hz: 40.0,
            high_hz: 100.0,
            level_db: -9.0,
            confidence: 0.9,
        };
        let found = RoughMix { gaps: vec![gap], ..rough() };
        assert_eq!(
            text(found),
            "something between 1:02 and 1:30 is in the rough mix and in no stem (below 2.5 kHz)"
        );
    }

    #[test]
    fn what_was_not_checked_is_said_with_the_reason() {
        let none = missing_stems(None);
        assert_eq!(none.text, "not checked, because no rough mix with sound is among the files");
        assert_eq!((none.is_none_for_sure, none.unchecked), (false, Some(Unchecked::NoRoughMix)));
        let unjudged = RoughMix { cannot_judge: Some("it is too short".to_owned()), ..RoughMix::default() };
        let unjudged = missing_stems(Some(&unjudged));
        assert_eq!(unjudged.text, "not checked, because of the rough mix this is known: it is too short");
        assert_eq!(unjudged.unchecked, Some(Unchecked::NotShown));
    }
}
