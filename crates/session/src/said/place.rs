//! Places as answers write them: "bar 9", "bar 9:3", "1:02.5", "32.5 s", "96000 frames"; and the bars of a song in seconds.

/// What may stand there.
pub const ALLOWED: &str = "a time such as \"0:32.5\", \"32.5 s\" or \"500 ms\", or a bar such as \"bar 9\" or \"bar 9:3\" (bar and beat)";

/// The same where frames are allowed too.
pub const ALLOWED_START: &str = "a time such as \"0:32.5\", \"32.5 s\" or \"500 ms\", a bar such as \"bar 9\" or \"bar 9:3\", or frames of the file such as \"96000 frames\"";

/// A place in the song. Times count from the start of the delivery.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Place {
    /// Bar and beat, both from 1.
    Bar(f64, f64),
    /// Seconds after its start.
    Seconds(f64),
    /// Frames at the rate of the file.
    Frames(u64),
}

/// A day: nothing of a song is later.
const MOST_SECONDS: f64 = 86_400.0;

impl Place {
    /// Reads a place; `None` for what is none.
    pub fn read(text: &str) -> Option<Self> {
        let text = text.trim();
        if let Some(bar) = text.strip_prefix("bar ") {
            let (bar, beat) = bar.split_once(':').unwrap_or((bar, "1"));
            let (bar, beat): (u32, f64) = (bar.trim().parse().ok()?, number(beat)?);
            return ((1..=100_000).contains(&bar) && (1.0..100.0).contains(&beat))
                .then_some(Self::Bar(f64::from(bar), beat));
        }
        if let Some(frames) = text.strip_suffix(" frames") {
            return frames.trim().parse().ok().map(Self::Frames);
        }
        let unit = |unit: &str, scale: f64| text.strip_suffix(unit).and_then(number).map(|n| n * scale);
        let seconds = unit(" ms", 0.001).or_else(|| unit(" s", 1.0)).or_else(|| clock(text))?;
        (0.0..=MOST_SECONDS).contains(&seconds).then_some(Self::Seconds(seconds))
    }
}

/// A number without sign and exponent, as people write it.
fn number(text: &str) -> Option<f64> {
    let text = text.trim();
    let plain = !text.is_empty() && text.chars().all(|c| c.is_ascii_digit() || c == '.');
    text.parse().ok().filter(|_| plain)
}

/// "1:02.5" or "1:02:03", in seconds.
fn clock(text: &str) -> Option<f64> {
    let parts: Vec<f64> = text.split(':').map(number).collect::<Option<_>>()?;
    match parts[..] {
        [minutes, seconds] if seconds < 60.0 => Some(minutes.mul_add(60.0, seconds)),
        [hours, minutes, seconds] if minutes < 60.0 && seconds < 60.0 => {
            Some(hours.mul_add(3600.0, minutes.mul_add(60.0, seconds)))
        }
        _ => None,
    }
}

/// The bars of a song.
#[derive(Debug, Clone, PartialEq)]
pub struct Bars {
    /// Tempo changes: seconds, and quarter notes a minute from there on; the first at 0.
    pub tempi: Vec<(f64, f64)>,
    /// Quarter notes of a bar.
    pub bar: f64,
    /// Quarter notes of a beat.
    pub beat: f64,
    /// Where bar 1 begins, in seconds.
    pub first: f64,
}

impl Bars {
    /// The second at which a beat stands; `None` where no tempo is known.
    pub fn seconds(&self, bar: f64, beat: f64) -> Option<f64> {
        let mut quarters = (bar - 1.0).mul_add(self.bar, (beat - 1.0) * self.beat);
        let mut at = self.first;
        let mut tempi = self.tempi.iter().copied().peekable();
        while let Some((_, bpm)) = tempi.next() {
            let Some(&(next, _)) = tempi.peek() else { return Some(at + quarters * 60.0 / bpm) };
            if next <= at {
                continue;
            }
            let room = (next - at) * bpm / 60.0;
            if quarters <= room {
                return Some(at + quarters * 60.0 / bpm);
            }
            (quarters, at) = (quarters - room, next);
        }
        None
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn places_are_read_as_people_write_them() {
        let seconds = |seconds| Some(Place::Seconds(seconds));
        for (text, wanted) in [
            ("bar 9", Some(Place::Bar(9.0, 1.0))),
            ("bar 9:3", Some(Place::Bar(9.0, 3.0))),
            ("0:32.5", seconds(32.5)),
            ("1:02:03", seconds(3723.0)),
            ("32.5 s", seconds(32.5)),
            ("500 ms", seconds(0.5)),
            ("96000 frames", Some(Place::Frames(96_000))),
            ("bar 0", None),
            ("bar nine", None),
            ("0:75", None),
            ("-1 s", None),
            ("32.5", None),
            ("", None),
            ("1e9 s", None),
        ] {
            assert_eq!(Place::read(text), wanted, "{text}");
        }
    }

    /// At 120 BPM a bar of four quarters takes 2 s, at 60 BPM 4 s (arithmetic).
    #[test]
    fn bars_follow_every_change_of_tempo() {
        let bars = Bars { tempi: vec![(0.0, 120.0), (4.0, 60.0)], bar: 4.0, beat: 1.0, first: 0.0 };
        for (bar, beat, wanted) in
            [(1.0, 1.0, 0.0), (2.0, 3.0, 3.0), (3.0, 1.0, 4.0), (4.0, 1.0, 8.0), (4.0, 2.0, 9.0)]
        {
            assert_eq!(bars.seconds(bar, beat), Some(wanted), "{bar}:{beat}");
        }
        let late = Bars { first: 1.0, ..bars.clone() };
        assert_eq!(late.seconds(2.0, 1.0), Some(3.0));
        assert_eq!(Bars { tempi: Vec::new(), ..bars }.seconds(2.0, 1.0), None);
    }
}
