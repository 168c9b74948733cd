//! The time stamps of an iXML chunk (iXML specification 3.0, 2021), moved in place: every other byte stays.

use super::retime::TimeChange;

/// Writes what the output has into the elements that say it; `None` where the text is not one whose letters are bytes.
pub(super) fn moved(bytes: &[u8], time: &TimeChange) -> Option<Vec<u8>> {
    let text = std::str::from_utf8(bytes).ok()?;
    if text.contains('\0') && !text.trim_end_matches('\0').is_ascii() {
        return None;
    }
    let stamp = time.time_reference;
    let (high, low) = ((stamp >> 32).to_string(), (stamp & 0xFFFF_FFFF).to_string());
    let rate = time.to_hz.to_string();
    let elements = [
        ("FILE_SAMPLE_RATE", &rate),
        ("TIMESTAMP_SAMPLE_RATE", &rate),
        ("TIMESTAMP_SAMPLES_SINCE_MIDNIGHT_HI", &high),
        ("TIMESTAMP_SAMPLES_SINCE_MIDNIGHT_LO", &low),
        ("BWF_TIME_REFERENCE_HIGH", &high),
        ("BWF_TIME_REFERENCE_LOW", &low),
        ("AUDIO_BIT_DEPTH", &time.bits.to_string()),
    ]
    .map(|(name, value)| (name, value.clone()));
    let moved = elements.into_iter().fold(text.to_owned(), |text, (name, value)| set(&text, name, &value));
    // Tracks that are no longer there would be looked for by whoever reads the list.
    Some(if time.same_channels { moved } else { without(&moved, "TRACK_LIST") }.into_bytes())
}

/// Replaces the contents of every element of this name.
fn set(text: &str, name: &str, value: &str) -> String {
    let (open, close) = (format!("<{name}>"), format!("</{name}>"));
    let mut result = String::with_capacity(text.len());
    let mut rest = text;
    while let Some((before, behind)) = rest.split_once(&open) {
        let Some((_, after)) = behind.split_once(&close) else { break };
        result.extend([before, &open, value, &close]);
        rest = after;
    }
    result + rest
}

/// Leaves out the first element of this name.
fn without(text: &str, name: &str) -> String {
    let (open, close) = (format!("<{name}>"), format!("</{name}>"));
    let found = text.split_once(&open).and_then(|(before, rest)| Some((before, rest.split_once(&close)?.1)));
    found.map_or_else(|| text.to_owned(), |(before, after)| format!("{before}{after}"))
}
