//! What was done to all stems, said once, and what was done to one of them beside that. Terminal and papers read it. Decides nothing.

use loadin_record::link::Linked;
use loadin_record::manifest::{Change, Manifest, OutputRecord, State, StemRecord};
use loadin_record::role::StemRole;

use crate::text::{clock, number};
use crate::words;

/// What all prepared stems have in common; what they have not is `None`.
#[derive(Debug, Clone, PartialEq)]
pub struct Common {
    rate_hz: Option<u32>,
    depth: Option<(u16, bool)>,
    gain_db: Option<f64>,
    start_seconds: Option<f64>,
    length_seconds: Option<f64>,
    head_seconds: f64,
    head_frames: u64,
}

impl Common {
    /// Of a delivery.
    pub fn of(manifest: &Manifest) -> Self {
        let rate_hz = shared(manifest, |output| output.rate_hz);
        let seconds = |frames: u64| rate_hz.map(|rate_hz| frames as f64 / f64::from(rate_hz.max(1)));
        let link = &manifest.link;
        let gain_db = match &link.gains[..] {
            [one] if one.scope == Linked::Delivery => Some(one.gain_db),
            _ => None,
        };
        let head_frames = link.trim_head_frames;
        Self {
            rate_hz,
            depth: shared(manifest, |output| (output.bits, output.float)),
            gain_db,
            start_seconds: link.timestamp_frames.and_then(seconds),
            length_seconds: Some(link.length_frames).filter(|frames| *frames > 0).and_then(seconds),
            head_seconds: seconds(head_frames).unwrap_or(0.0),
            head_frames,
        }
    }

    /// In one line: "48 kHz, 24-bit, +1.6 dB, start 1:00:00, length 3:21.400"; `None` where they share nothing.
    pub fn sentence(&self) -> Option<String> {
        let gain = self.gain_db.map(|db| format!("{} dB", number(db, 1, true)));
        let cut = (self.head_seconds > 0.0).then(|| format!("{:.3} s cut from the start", self.head_seconds));
        let start = self.start_seconds.map(|seconds| {
            let digits = if seconds.fract() == 0.0 { 0 } else { 3 };
            format!("start {}", clock(seconds, digits))
        });
        let parts = [
            self.rate_hz.map(words::rate),
            self.depth.map(|(bits, float)| words::depth(bits, float)),
            gain,
            start,
            self.length_seconds.map(|seconds| format!("length {}", clock(seconds, 3))),
            cut,
        ];
        let parts: Vec<String> = parts.into_iter().flatten().collect();
        if parts.is_empty() { None } else { Some(parts.join(", ")) }
    }

    /// What is one stem's own: its changes beside the common ones, why it was not prepared, and what stands against it.
    pub fn own(&self, stem: &StemRecord) -> String {
        if let Some(error) = &stem.error {
            return format!("{}: {error}", stem.state.as_str());
        }
        let mut own: Vec<String> =
            stem.changes.iter().filter_map(|change| self.own_change(change, stem)).collect();
        if stem.state == State::Unchanged {
            own.push("sound bit for bit".to_owned());
        }
        let is_louder = stem.changes.iter().any(|change| change.stage == "gain-stage");
        if stem.role == StemRole::Reference && self.gain_db.is_some() && !is_louder {
            own.push("level kept".to_owned());
        }
        if let Some(proposal) = &stem.proposal {
            own.push(format!("sounds like {}", proposal.sounds_like));
        }
        let against = stem.findings.iter().filter(|finding| {
            finding.answer.is_none() && finding.id.readiness() > loadin_record::finding::Readiness::Ready
        });
        let against: Vec<&str> = against.map(|finding| finding.id.as_str()).collect();
        if !against.is_empty() {
            own.push(format!("in question: {}", against.join(", ")));
        }
        own.join("; ")
    }

    fn own_change(&self, change: &Change, stem: &StemRecord) -> Option<String> {
        let near = |one: f64, other: f64| (one - other).abs() < 0.005;
        match (change.stage.as_str(), change.what.as_str()) {
            ("label", _) => None,
            ("resample", _) if self.rate_hz.is_some() => {
                Some(format!("from {}", words::rate(change.from.as_u64().unwrap_or(0) as u32)))
            }
            ("channel-fix", "channels") => {
                let layout = |value: &serde_json::Value| words::layout(value.as_u64().unwrap_or(0) as u16);
                Some(format!("{} to {}", layout(&change.from), layout(&change.to)))
            }
            ("gain-stage", _) if self.gain_db.zip(change.to.as_f64()).is_some_and(|(a, b)| near(a, b)) => {
                None
            }
            ("trim-silence", _)
                if change.more.get("head_frames").and_then(serde_json::Value::as_u64)
                    == Some(self.head_frames) =>
            {
                None
            }
            ("align-starts", "length") if self.length_seconds.is_some() => None,
            // The depth is the common one, and dither goes with it.
            ("re-encode", _) if self.depth.is_some() => None,
            _ => Some(words::change(change, stem).0),
        }
    }
}

/// What all outputs of stems have, references aside.
fn shared<T: PartialEq>(manifest: &Manifest, part: fn(&OutputRecord) -> T) -> Option<T> {
    let stems = manifest.stems.iter().filter(|stem| stem.role != StemRole::Reference);
    let mut parts = stems.filter_map(|stem| stem.output.as_ref()).map(part);
    let first = parts.next()?;
    parts.all(|other| other == first).then_some(first)
}
