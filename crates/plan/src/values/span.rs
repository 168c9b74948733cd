//! Lengths of time as a recipe writes them: in clock time, and in bars where a tempo may be known.

use std::borrow::Cow;
use std::fmt;
use std::str::FromStr;

use schemars::{JsonSchema, Schema, SchemaGenerator, json_schema};
use serde::{Deserialize, Deserializer, Serialize, Serializer, de};

use super::{ValueError, Written, refused, split, within};

/// A length of time in seconds, 0 to 86 400: "10 ms", "2 s", "15 min". Never in bars, since a tempo is not always known.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Seconds(pub f64);

written!(
    Seconds,
    "clock time",
    r"^[0-9]+(\.[0-9]+)? (ms|s|min)$",
    "a time from 0 to one day in ms, s or min, such as \"10 ms\", \"2 s\" or \"15 min\"; bars need a tempo, which is not always known"
);

impl Seconds {
    /// In frames at `rate_hz`, rounded up so that never less than the asked time is meant.
    pub fn frames(self, rate_hz: u32) -> u64 {
        (self.0 * f64::from(rate_hz) - 1e-6).ceil().max(0.0) as u64
    }
}

impl FromStr for Seconds {
    type Err = ValueError;

    fn from_str(text: &str) -> Result<Self, ValueError> {
        match Span::from_str(text) {
            Ok(Span::Seconds(seconds)) => Ok(Self(seconds)),
            Ok(Span::Bars(_)) | Err(_) => Err(refused::<Self>(text)),
        }
    }
}

impl fmt::Display for Seconds {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        Span::Seconds(self.0).fmt(f)
    }
}

/// A length of time: "10 ms", "2 s", "15 min", or musical: "1 bar", "2 bars".
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Span {
    /// Seconds, 0 to 86 400.
    Seconds(f64),
    /// Bars; usable only where tempo and meter are known.
    Bars(f64),
}

written!(
    Span,
    "time span",
    r"^[0-9]+(\.[0-9]+)? (ms|s|min|bar|bars)$",
    "a time from 0 to one day in ms, s, min or bars, such as \"10 ms\", \"2 s\" or \"1 bar\""
);

impl Span {
    /// In frames at `rate_hz`, rounded up so that never less than the asked time is meant.
    /// `bar_seconds` is the length of one bar where it is known; bars without it give nothing.
    pub fn frames(self, rate_hz: u32, bar_seconds: Option<f64>) -> Option<u64> {
        let seconds = match self {
            Self::Seconds(seconds) => seconds,
            Self::Bars(bars) => bars * bar_seconds?,
        };
        Some(Seconds(seconds).frames(rate_hz))
    }
}

impl FromStr for Span {
    type Err = ValueError;

    fn from_str(text: &str) -> Result<Self, ValueError> {
        let (value, unit) = split::<Self>(text)?;
        let seconds = |factor: f64| within::<Self>(text, value * factor, 0.0, 86_400.0).map(Self::Seconds);
        match unit {
            "ms" => seconds(1e-3),
            "s" => seconds(1.0),
            "min" => seconds(60.0),
            "bar" | "bars" => within::<Self>(text, value, 0.0, 1000.0).map(Self::Bars),
            _ => Err(refused::<Self>(text)),
        }
    }
}

impl fmt::Display for Span {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Seconds(s) if *s > 0.0 && *s < 1.0 => write!(f, "{} ms", (s * 1e6).round() / 1e3),
            Self::Seconds(s) => write!(f, "{s} s"),
            Self::Bars(bars) if *bars <= 1.0 => write!(f, "{bars} bar"),
            Self::Bars(bars) => write!(f, "{bars} bars"),
        }
    }
}
