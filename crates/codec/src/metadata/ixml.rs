//! The time stamps of an iXML chunk (iXML specification 3.0, 2021), moved in place: every other byte stays.
//!
//! Names of elements are ASCII in every encoding that is read here, so a byte is taken for a letter and given back as it
//! was: the texts of the chunk keep whatever encoding they have.
//!
//! Knows no other chunk.

use super::time_change::TimeChange;

/// Writes what the output has into the elements that say it, and says how many sync points stood in what was cut; `None`
/// where letters are not bytes (UTF-16). `stamp` is the time stamp of the source, where it has one beside this chunk.
pub(super) fn moved(bytes: &[u8], time: &TimeChange, stamp: Option<u64>) -> Option<(Vec<u8>, usize)> {
    if matches!(bytes, [0xFF, 0xFE, ..] | [0xFE, 0xFF, ..] | [b'<', 0, ..] | [0, b'<', ..]) {
        return None;
    }
    let text: String = bytes.iter().map(|byte| char::from(*byte)).collect();
    let stamp = stamp.or_else(|| own_stamp(&text));
    let (high, low) = words(time.time_reference);
    let rate = time.to_hz.to_string();
    let elements = [
        ("FILE_SAMPLE_RATE", rate.clone()),
        ("TIMESTAMP_SAMPLE_RATE", rate),
        ("TIMESTAMP_SAMPLES_SINCE_MIDNIGHT_HI", high.clone()),
        ("TIMESTAMP_SAMPLES_SINCE_MIDNIGHT_LO", low.clone()),
        ("BWF_TIME_REFERENCE_HIGH", high),
        ("BWF_TIME_REFERENCE_LOW", low),
        ("AUDIO_BIT_DEPTH", time.bits.to_string()),
    ];
    let text = elements.iter().fold(text, |text, (name, value)| map(&text, name, |_| Some(value.clone())));
    // The numbers of the source do not hold for the output.
    let text = without(&text, "LOUDNESS");
    let points = count(&text);
    let text = map(&text, "SYNC_POINT", |point| sync_point(point, time, stamp));
    let left = count(&text);
    let text = map(&text, "SYNC_POINT_COUNT", |stated| {
        Some(if left == points { stated.to_owned() } else { left.to_string() })
    });
    // Tracks that are no longer there would be looked for by whoever reads the list.
    let text = if time.same_channels { text } else { without(&text, "TRACK_LIST") };
    Some((text.chars().map(|letter| letter as u8).collect(), points - left))
}

fn count(text: &str) -> usize {
    text.matches("<SYNC_POINT>").count()
}

/// The time stamp that the chunk itself states.
fn own_stamp(text: &str) -> Option<u64> {
    let number = |name: &str| element(text, name).and_then(|text| text.trim().parse::<u64>().ok());
    let pair = |high: &str, low: &str| Some(number(high).unwrap_or(0) << 32 | number(low)?);
    pair("TIMESTAMP_SAMPLES_SINCE_MIDNIGHT_HI", "TIMESTAMP_SAMPLES_SINCE_MIDNIGHT_LO")
        .or_else(|| pair("BWF_TIME_REFERENCE_HIGH", "BWF_TIME_REFERENCE_LOW"))
}

fn words(frame: u64) -> (String, String) {
    ((frame >> 32).to_string(), (frame & 0xFFFF_FFFF).to_string())
}

/// A sync point at its place in the output; `None` where that was cut away. An absolute one counts since midnight: it stays
/// with its sound, whether or not the output stands where the stamp of the source said.
fn sync_point(point: &str, time: &TimeChange, stamp: Option<u64>) -> Option<String> {
    let number = |name: &str| element(point, name).and_then(|text| text.trim().parse::<u64>().ok());
    let Some(low) = number("SYNC_POINT_LOW") else { return Some(point.to_owned()) };
    let frame = number("SYNC_POINT_HIGH").unwrap_or(0) << 32 | low;
    let is_relative = element(point, "SYNC_POINT_TYPE").is_some_and(|kind| kind.trim() == "RELATIVE");
    let moved = match stamp {
        _ if is_relative => time.frame(frame)?,
        None => time.rescaled(frame),
        Some(stamp) => {
            let behind =
                i128::from(time.rescaled(frame.abs_diff(stamp))) * if frame < stamp { -1 } else { 1 };
            let moved = i128::from(time.time_reference) + behind - i128::from(time.shift_frames);
            u64::try_from(moved).ok()?
        }
    };
    let (high, low) = words(moved);
    let point = map(point, "SYNC_POINT_LOW", |_| Some(low.clone()));
    let point = map(&point, "SYNC_POINT_HIGH", |_| Some(high.clone()));
    let duration = |text: &str| Some(time.rescaled(text.trim().parse().ok()?).to_string());
    Some(map(&point, "SYNC_POINT_EVENT_DURATION", |text| {
        Some(duration(text).unwrap_or_else(|| text.to_owned()))
    }))
}

/// The contents of the first element of this name.
fn element<'a>(text: &'a str, name: &str) -> Option<&'a str> {
    let (_, behind) = text.split_once(&format!("<{name}>"))?;
    Some(behind.split_once(&format!("</{name}>"))?.0)
}

/// Gives every element of this name other contents; one that gets `None` is left out.
fn map(text: &str, name: &str, change: impl Fn(&str) -> Option<String>) -> String {
    let (open, close) = (format!("<{name}>"), format!("</{name}>"));
    let mut result = String::with_capacity(text.len());
    let mut rest = text;
    while let Some((before, behind)) = rest.split_once(&open) {
        let Some((contents, after)) = behind.split_once(&close) else { break };
        result.push_str(before);
        if let Some(changed) = change(contents) {
            result.extend([open.as_str(), &changed, &close]);
        }
        rest = after;
    }
    result + rest
}

fn without(text: &str, name: &str) -> String {
    map(text, name, |_| None)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// 44.1 to 48 kHz with one second cut from the head. 88 200 · 48 / 44.1 = 96 000, less 48 000 is 48 000.
    #[test]
    fn stamps_and_sync_points_move_and_the_rest_stays_in_its_encoding() {
        let time = TimeChange {
            from_hz: 44_100,
            to_hz: 48_000,
            shift_frames: 48_000,
            frames: 480_000,
            time_reference: (1 << 32) + 5,
            bits: 24,
            same_channels: true,
        };
        let source = b"<BWFXML><NOTE>Gr\xF6\xDFe</NOTE><SPEED><FILE_SAMPLE_RATE>44100</FILE_SAMPLE_RATE>\
            <TIMESTAMP_SAMPLES_SINCE_MIDNIGHT_HI>0</TIMESTAMP_SAMPLES_SINCE_MIDNIGHT_HI>\
            <TIMESTAMP_SAMPLES_SINCE_MIDNIGHT_LO>9</TIMESTAMP_SAMPLES_SINCE_MIDNIGHT_LO></SPEED>\
            <SYNC_POINT><SYNC_POINT_TYPE>RELATIVE</SYNC_POINT_TYPE><SYNC_POINT_LOW>88200</SYNC_POINT_LOW>\
            <SYNC_POINT_HIGH>0</SYNC_POINT_HIGH></SYNC_POINT>\
            <SYNC_POINT><SYNC_POINT_TYPE>RELATIVE</SYNC_POINT_TYPE><SYNC_POINT_LOW>441</SYNC_POINT_LOW></SYNC_POINT>\
            </BWFXML>";
        let expected = b"<BWFXML><NOTE>Gr\xF6\xDFe</NOTE><SPEED><FILE_SAMPLE_RATE>48000</FILE_SAMPLE_RATE>\
            <TIMESTAMP_SAMPLES_SINCE_MIDNIGHT_HI>1</TIMESTAMP_SAMPLES_SINCE_MIDNIGHT_HI>\
            <TIMESTAMP_SAMPLES_SINCE_MIDNIGHT_LO>5</TIMESTAMP_SAMPLES_SINCE_MIDNIGHT_LO></SPEED>\
            <SYNC_POINT><SYNC_POINT_TYPE>RELATIVE</SYNC_POINT_TYPE><SYNC_POINT_LOW>48000</SYNC_POINT_LOW>\
            <SYNC_POINT_HIGH>0</SYNC_POINT_HIGH></SYNC_POINT></BWFXML>";
        assert_eq!(moved(source, &time, None).unwrap(), (expected.to_vec(), 1));
        assert_eq!(moved(b"\xFF\xFE<\0B\0", &time, None), None);
    }

    /// The source says 10 h, and a point 2 s later. Placed by its stamp, the output starts a second later, at 10 h and 1 s;
    /// where stamps are refused it starts at 0, and the point is a second after that.
    #[test]
    fn an_absolute_sync_point_stays_with_its_sound() {
        let hour = |rate_hz: u64| 36_000 * rate_hz;
        let at = |frame: u64| {
            let (high, low) = words(frame);
            format!(
                "<SYNC_POINT><SYNC_POINT_TYPE>ABSOLUTE</SYNC_POINT_TYPE><SYNC_POINT_LOW>{low}</SYNC_POINT_LOW>\
                <SYNC_POINT_HIGH>{high}</SYNC_POINT_HIGH></SYNC_POINT>"
            )
        };
        let time = |time_reference: u64| TimeChange {
            from_hz: 44_100,
            to_hz: 48_000,
            shift_frames: 48_000,
            frames: 480_000,
            time_reference,
            bits: 24,
            same_channels: true,
        };
        let source = at(hour(44_100) + 88_200);
        let found = |reference: u64, stamp: Option<u64>| {
            let (bytes, lost) = moved(source.as_bytes(), &time(reference), stamp).unwrap();
            (String::from_utf8(bytes).unwrap(), lost)
        };
        let stamp = Some(hour(44_100));
        assert_eq!(found(hour(48_000) + 48_000, stamp), (at(hour(48_000) + 96_000), 0));
        assert_eq!(found(0, stamp), (at(48_000), 0));
        assert_eq!(
            found(0, None),
            (at(hour(48_000) + 96_000), 0),
            "without a stamp nobody knows where it belongs"
        );
        // Before midnight there is no number.
        assert_eq!(found(0, Some(hour(44_100) + 441_000)), (String::new(), 1));
    }

    #[test]
    fn the_count_of_sync_points_is_that_of_those_that_are_left() {
        let time = TimeChange {
            from_hz: 48_000,
            to_hz: 48_000,
            shift_frames: 48_000,
            frames: 480_000,
            time_reference: 0,
            bits: 24,
            same_channels: true,
        };
        let list = |count: usize, frames: &[u64]| {
            let point = |frame: &u64| {
                format!(
                    "<SYNC_POINT><SYNC_POINT_TYPE>RELATIVE</SYNC_POINT_TYPE>\
                <SYNC_POINT_LOW>{frame}</SYNC_POINT_LOW></SYNC_POINT>"
                )
            };
            let points: String = frames.iter().map(point).collect();
            format!("<SYNC_POINT_LIST><SYNC_POINT_COUNT>{count}</SYNC_POINT_COUNT>{points}</SYNC_POINT_LIST>")
        };
        let found = moved(list(3, &[9, 48_000, 96_000]).as_bytes(), &time, None).unwrap();
        assert_eq!(found, (list(2, &[0, 48_000]).into_bytes(), 1));
    }
}
