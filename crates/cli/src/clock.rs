//! The local clock, for `--until` and for the record of a run. Nothing that is written beside the record depends on it.

use std::time::{SystemTime, UNIX_EPOCH};

use anyhow::anyhow;
use jiff::civil::Time;
use jiff::{ToSpan, Zoned};

/// A time of the day.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct TimeOfDay(Time);

/// Reads "06:30".
pub(crate) fn parse(text: &str) -> anyhow::Result<TimeOfDay> {
    let wrong = || anyhow!("\"{text}\" is no time of the day; write hours and minutes, such as \"06:30\"");
    let (hour, minute) = text.split_once(':').ok_or_else(wrong)?;
    let digits = |part: &str| part.bytes().all(|byte| byte.is_ascii_digit()) && (1..=2).contains(&part.len());
    if !digits(hour) || minute.len() != 2 || !digits(minute) {
        return Err(wrong());
    }
    let (hour, minute) = (hour.parse().map_err(|_| wrong())?, minute.parse().map_err(|_| wrong())?);
    Time::new(hour, minute, 0, 0).map(TimeOfDay).map_err(|_| wrong())
}

impl TimeOfDay {
    /// The next moment, after `now`, when a clock there shows this time.
    fn after(self, now: &Zoned) -> Result<Zoned, jiff::Error> {
        let today = now.with().time(self.0).build()?;
        if today > *now { Ok(today) } else { now.checked_add(1.day())?.with().time(self.0).build() }
    }
}

/// The moment after which nothing new is begun.
pub(crate) struct Deadline(Option<Zoned>);

impl Deadline {
    /// The next `time`; none where there is no such time.
    pub(crate) fn next(time: Option<TimeOfDay>) -> anyhow::Result<Self> {
        let next = time.map(|time| time.after(&Zoned::now())).transpose();
        next.map(Self).map_err(|error| anyhow!("--until cannot be reckoned: {error}"))
    }

    /// Whether it is over.
    pub(crate) fn is_over(&self) -> bool {
        self.0.as_ref().is_some_and(|end| Zoned::now() >= *end)
    }
}

/// Seconds since 1970-01-01 UTC.
#[expect(
    clippy::disallowed_methods,
    reason = "the start of a run is part of its record, outside every comparison"
)]
pub(crate) fn unix_seconds() -> u64 {
    SystemTime::now().duration_since(UNIX_EPOCH).map_or(0, |elapsed| elapsed.as_secs())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn times_are_read_and_nonsense_is_refused() {
        assert_eq!(parse("06:30").unwrap(), TimeOfDay(Time::constant(6, 30, 0, 0)));
        assert_eq!(parse("0:05").unwrap(), TimeOfDay(Time::constant(0, 5, 0, 0)));
        for wrong in ["", "6", "24:00", "06:60", "6.30", "06:3", "-1:00", "06:30:00", "half past six"] {
            assert!(parse(wrong).unwrap_err().to_string().contains("06:30"), "{wrong}");
        }
    }

    /// The night of a change to summer time has an hour less (RFC 9636 leaves the rules to the zone database; the date
    /// of 2026 in Central Europe, March 29, is from memory).
    #[test]
    fn the_deadline_is_the_next_time_that_the_clock_shows_it() {
        let seconds = |now: &str, time: &str| {
            let now: Zoned = now.parse().unwrap();
            let end = parse(time).unwrap().after(&now).unwrap();
            end.timestamp().as_second() - now.timestamp().as_second()
        };
        assert_eq!(seconds("2026-11-24T23:00:00[Europe/Berlin]", "06:30"), 7 * 3600 + 1800);
        assert_eq!(seconds("2026-11-24T06:30:00[Europe/Berlin]", "06:30"), 24 * 3600);
        assert_eq!(seconds("2026-11-24T06:29:00[Europe/Berlin]", "06:30"), 60);
        assert_eq!(seconds("2026-03-28T23:00:00[Europe/Berlin]", "06:30"), 6 * 3600 + 1800);
    }
}
