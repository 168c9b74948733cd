//! Quantities as a recipe writes them: the unit is part of the string ("-6 dBFS", "-1 dBTP", "2 s", "1 bar").
//!
//! It knows no stage and no recipe.

use std::borrow::Cow;
use std::fmt;
use std::str::FromStr;

use globset::{GlobBuilder, GlobSet, GlobSetBuilder};
use loadin_audio::{Decibels, RATES_HZ};
use schemars::{JsonSchema, Schema, SchemaGenerator, json_schema};
use serde::{Deserialize, Deserializer, Serialize, Serializer, de};

/// A value that a recipe may not have.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("found \"{found}\", allowed is {allowed}")]
pub struct ValueError {
    /// What stands there.
    pub found: String,
    /// What may stand there, with an example.
    pub allowed: &'static str,
}

/// A recipe quantity: how it is written, for messages and for the schema.
trait Written: FromStr<Err = ValueError> + fmt::Display {
    /// The name in the schema.
    const NAME: &'static str;
    /// A pattern that an editor can check.
    const PATTERN: &'static str;
    /// What is allowed, with an example.
    const ALLOWED: &'static str;
}

macro_rules! written {
    ($type:ty, $name:literal, $pattern:literal, $allowed:literal) => {
        impl Written for $type {
            const NAME: &'static str = $name;
            const PATTERN: &'static str = $pattern;
            const ALLOWED: &'static str = $allowed;
        }

        impl Serialize for $type {
            fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
                serializer.collect_str(self)
            }
        }

        impl<'de> Deserialize<'de> for $type {
            fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
                let text = Cow::<'de, str>::deserialize(deserializer)?;
                text.parse().map_err(de::Error::custom)
            }
        }

        impl JsonSchema for $type {
            fn schema_name() -> Cow<'static, str> {
                Self::NAME.into()
            }

            fn json_schema(_: &mut SchemaGenerator) -> Schema {
                json_schema!({ "type": "string", "pattern": Self::PATTERN, "description": Self::ALLOWED })
            }
        }
    };
}

/// Splits "-6 dBFS" into its number and its unit.
fn split<T: Written>(text: &str) -> Result<(f64, &str), ValueError> {
    let refused = || refused::<T>(text);
    let (number, unit) = text.split_once(' ').ok_or_else(refused)?;
    let number: f64 = number.parse().map_err(|_| refused())?;
    if number.is_finite() { Ok((number, unit)) } else { Err(refused()) }
}

fn within<T: Written>(text: &str, value: f64, least: f64, most: f64) -> Result<f64, ValueError> {
    if (least..=most).contains(&value) { Ok(value) } else { Err(refused::<T>(text)) }
}

fn refused<T: Written>(text: &str) -> ValueError {
    ValueError { found: text.to_owned(), allowed: T::ALLOWED }
}

mod span;

pub use span::{Seconds, Span};

/// How a peak is measured.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum PeakKind {
    /// The largest sample (dBFS).
    Sample,
    /// The largest value of the oversampled signal (dBTP, ITU-R BS.1770).
    True,
}

impl PeakKind {
    /// The unit that belongs to this kind.
    pub fn unit(self) -> &'static str {
        match self {
            Self::Sample => "dBFS",
            Self::True => "dBTP",
        }
    }
}

/// A peak level relative to full scale: "-6 dBFS" (sample peak) or "-1 dBTP" (true peak).
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Peak {
    /// The level in decibels, −200 to 0.
    pub db: f64,
    /// How it is measured.
    pub kind: PeakKind,
}

written!(
    Peak,
    "peak level",
    r"^-?[0-9]+(\.[0-9]+)? (dBFS|dBTP)$",
    "a peak level from -200 to 0 with its unit, such as \"-6 dBFS\" (sample peak) or \"-1 dBTP\" (true peak)"
);

impl Peak {
    /// The level as an amplitude.
    pub fn amplitude(self) -> f64 {
        Decibels(self.db).ratio()
    }
}

impl FromStr for Peak {
    type Err = ValueError;

    fn from_str(text: &str) -> Result<Self, ValueError> {
        let (db, unit) = split::<Self>(text)?;
        let kind = match unit {
            "dBFS" => PeakKind::Sample,
            "dBTP" => PeakKind::True,
            _ => return Err(refused::<Self>(text)),
        };
        Ok(Self { db: within::<Self>(text, db, -200.0, 0.0)?, kind })
    }
}

impl fmt::Display for Peak {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{} {}", self.db, self.kind.unit())
    }
}

/// A level relative to full scale as a threshold: "-90 dBFS".
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Level(pub f64);

written!(
    Level,
    "level",
    r"^-?[0-9]+(\.[0-9]+)? dBFS$",
    "a level from -200 to 0 relative to full scale, such as \"-90 dBFS\""
);

impl Level {
    /// The level as an amplitude.
    pub fn amplitude(self) -> f64 {
        Decibels(self.0).ratio()
    }
}

impl FromStr for Level {
    type Err = ValueError;

    fn from_str(text: &str) -> Result<Self, ValueError> {
        match split::<Self>(text)? {
            (db, "dBFS") => within::<Self>(text, db, -200.0, 0.0).map(Self),
            _ => Err(refused::<Self>(text)),
        }
    }
}

impl fmt::Display for Level {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{} dBFS", self.0)
    }
}

/// A relation of two levels: "-90 dB", "6 dB".
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Ratio(pub f64);

written!(
    Ratio,
    "level difference",
    r"^-?[0-9]+(\.[0-9]+)? dB$",
    "a level difference from -200 to 200, such as \"6 dB\""
);

impl Ratio {
    /// As an amplitude ratio.
    pub fn amplitude(self) -> f64 {
        Decibels(self.0).ratio()
    }
}

impl FromStr for Ratio {
    type Err = ValueError;

    fn from_str(text: &str) -> Result<Self, ValueError> {
        match split::<Self>(text)? {
            (db, "dB") => within::<Self>(text, db, -200.0, 200.0).map(Self),
            _ => Err(refused::<Self>(text)),
        }
    }
}

impl fmt::Display for Ratio {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{} dB", self.0)
    }
}

/// A wanted sampling rate: "majority", "source", or a rate such as "48 kHz".
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Rate {
    /// The rate that most stems of the delivery have; of equals, the higher.
    Majority,
    /// Every stem keeps its own rate.
    Source,
    /// This rate, 8 000 to 384 000 Hz.
    Fixed(u32),
}

written!(
    Rate,
    "sampling rate",
    r"^(majority|source|[0-9]+(\.[0-9]+)? (kHz|Hz))$",
    "\"majority\", \"source\", or a rate from 8 kHz to 384 kHz such as \"48 kHz\" or \"44100 Hz\""
);

impl FromStr for Rate {
    type Err = ValueError;

    fn from_str(text: &str) -> Result<Self, ValueError> {
        match text {
            "majority" => return Ok(Self::Majority),
            "source" => return Ok(Self::Source),
            _ => {}
        }
        let hz = match split::<Self>(text)? {
            (value, "kHz") => value * 1000.0,
            (value, "Hz") => value,
            _ => return Err(refused::<Self>(text)),
        };
        let whole =
            within::<Self>(text, hz.round(), f64::from(*RATES_HZ.start()), f64::from(*RATES_HZ.end()))?;
        if (whole - hz).abs() < 1e-6 { Ok(Self::Fixed(whole as u32)) } else { Err(refused::<Self>(text)) }
    }
}

impl fmt::Display for Rate {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Majority => f.write_str("majority"),
            Self::Source => f.write_str("source"),
            Self::Fixed(hz) => write!(f, "{} kHz", f64::from(*hz) / 1000.0),
        }
    }
}

/// Globs on paths inside the delivery; letter case does not matter, and `*` crosses folders.
#[derive(Debug, Clone, Default)]
pub struct Globs {
    patterns: Vec<String>,
    set: GlobSet,
}

/// Bytes of all globs of one list: to compile more takes memory and time that no list of names needs.
const MOST_GLOB_BYTES: usize = 20_000;

/// A glob that cannot be read.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("found the glob \"{pattern}\": {why}")]
pub struct GlobError {
    /// The glob.
    pub pattern: String,
    /// What is wrong with it.
    pub why: String,
}

impl Globs {
    /// Reads globs.
    ///
    /// # Errors
    /// When one of them cannot be read, or all together are too much.
    pub fn new(patterns: Vec<String>) -> Result<Self, GlobError> {
        let bytes: usize = patterns.iter().map(String::len).sum();
        if bytes > MOST_GLOB_BYTES {
            let why = format!("all globs of one list have {bytes} bytes, allowed are {MOST_GLOB_BYTES}");
            let pattern = patterns.first().map(|first| first.chars().take(40).collect()).unwrap_or_default();
            return Err(GlobError { pattern, why });
        }
        let mut set = GlobSetBuilder::new();
        for pattern in &patterns {
            let glob = GlobBuilder::new(pattern).case_insensitive(true).literal_separator(false).build();
            set.add(glob.map_err(|e| GlobError { pattern: pattern.clone(), why: e.kind().to_string() })?);
        }
        let set = set.build();
        let set = set.map_err(|e| GlobError { pattern: patterns.join("\", \""), why: e.to_string() })?;
        Ok(Self { patterns, set })
    }

    /// Whether one of them fits the path.
    pub fn is_match(&self, path: &str) -> bool {
        self.set.is_match(path)
    }
}

impl PartialEq for Globs {
    fn eq(&self, other: &Self) -> bool {
        self.patterns == other.patterns
    }
}

impl Serialize for Globs {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        self.patterns.serialize(serializer)
    }
}

impl<'de> Deserialize<'de> for Globs {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        Self::new(Vec::deserialize(deserializer)?).map_err(de::Error::custom)
    }
}

#[cfg(test)]
mod tests;
