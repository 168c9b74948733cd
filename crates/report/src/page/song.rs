//! What is known of the song, in one line of words.

use loadin_record::manifest::Manifest;
use loadin_record::music::{Confidence, Fact};
use serde_json::Value;

use super::shared::value_of;
use crate::text::{clock, html};
use crate::words;

/// The song's title, where one is stated or suggested; else the name of the delivery.
pub(super) fn title(manifest: &Manifest) -> &str {
    let stated = manifest.facts.get("title").and_then(|fact| fact.value.as_str());
    stated.filter(|title| !title.trim().is_empty()).unwrap_or(&manifest.delivery.name)
}

/// Tempo, key, meter, length and rate, each with how sure it is.
pub(super) fn words(manifest: &Manifest) -> String {
    let mut parts: Vec<String> = Vec::new();
    for (name, what) in [("tempo_bpm", "tempo"), ("key", "key"), ("meter", "meter")] {
        parts.push(match known(manifest, name) {
            Some((name, fact)) => {
                let value = match &fact.value {
                    Value::Null => format!("{what} stated differently"),
                    _ if name == "meter" => format!("{} time", value_of(name, fact)),
                    _ => value_of(name, fact),
                };
                format!("<b>{}</b> <small>{}</small>", html(&value), fact.confidence.as_str())
            }
            None => format!("<small>{what} not known</small>"),
        });
    }
    let first = manifest.outputs().next().map(|output| output.rate_hz);
    let rate_hz = first.filter(|first| manifest.outputs().all(|output| output.rate_hz == *first));
    match rate_hz.filter(|_| manifest.link.length_frames > 0) {
        Some(rate_hz) => {
            let seconds = manifest.link.length_frames as f64 / f64::from(rate_hz.max(1));
            parts.push(format!("<b>{}</b> <small>long</small>", clock(seconds, 0)));
        }
        None => parts.push("<small>lengths differ</small>".to_owned()),
    }
    parts.extend(rate_hz.map(|rate_hz| format!("<b>{}</b>", html(&words::rate(rate_hz)))));
    let parts: Vec<String> = parts.into_iter().map(|part| format!("<span>{part}</span>")).collect();
    parts.join(" ")
}

/// A fact that is stated, or what is heard in its place.
fn known<'m>(manifest: &'m Manifest, name: &'static str) -> Option<(&'static str, &'m Fact)> {
    let heard = || manifest.facts.get(&format!("{name}_estimate"));
    let stated = manifest.facts.get(name);
    let fact = stated.or_else(|| heard().filter(|fact| fact.confidence != Confidence::Contradicted))?;
    Some((name, fact))
}
