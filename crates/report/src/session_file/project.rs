//! The two documents of the session file, element by element in the order that the schema of `DAWproject` 1.0 has. Every value
//! that has a default is written out, since readers differ in what they take for one.

use std::io;

use loadin_record::manifest::Tool;
use loadin_record::session::{Session, SessionGroup, SessionTrack};
use loadin_session::facts::{At, Meter, bpm_of};

use super::xml::{Xml, allowed, document, element, empty, text};

/// The one channel that all others lead to.
const MASTER: &str = "master";
const TEMPO: &str = "tempo";
const METER: &str = "meter";

/// `metadata.xml`: title, and what has to be said.
pub(super) fn metadata(session: &Session) -> io::Result<Vec<u8>> {
    document(|xml| {
        element(xml, "MetaData", &[], |xml| {
            text(xml, "Title", &session.title)?;
            let notes = session.notes.iter().cloned();
            let left_out = session.left_out.iter().map(|(path, why)| format!("Not in it: {path} ({why})."));
            let comment: Vec<String> = notes.chain(left_out).collect();
            if comment.is_empty() { Ok(()) } else { text(xml, "Comment", &comment.join(" ")) }
        })
    })
}

/// `project.xml`: transport, tracks, arrangement.
pub(super) fn project(session: &Session) -> io::Result<Vec<u8>> {
    let numbered = Numbered::of(session);
    document(|xml| {
        element(xml, "Project", &[("version", "1.0".to_owned())], |xml| {
            let Tool { name, version } = Tool::this();
            empty(xml, "Application", &[("name", name), ("version", version)])?;
            transport(xml, session)?;
            element(xml, "Structure", &[], |xml| {
                let mut ids = numbered.iter();
                session.groups.iter().try_for_each(|group| group_track(xml, group, MASTER, &mut ids))?;
                for track in &session.references {
                    audio_track(xml, track, ids.next().map_or("", |(id, _)| id), (MASTER, true))?;
                }
                master(xml)
            })?;
            arrangement(xml, session, &numbered)?;
            element(xml, "Scenes", &[], |_| Ok(()))
        })
    })
}

/// The tracks with files, each with its id: in the order in which they stand in the document.
struct Numbered<'a>(Vec<(String, &'a SessionTrack)>);

impl<'a> Numbered<'a> {
    fn of(session: &'a Session) -> Self {
        fn gather<'a>(group: &'a SessionGroup, all: &mut Vec<&'a SessionTrack>) {
            all.extend(&group.tracks);
            group.groups.iter().for_each(|inner| gather(inner, all));
        }
        let mut all = Vec::new();
        session.groups.iter().for_each(|group| gather(group, &mut all));
        all.extend(&session.references);
        Self(all.into_iter().enumerate().map(|(index, track)| (format!("t{}", index + 1), track)).collect())
    }

    fn iter(&self) -> std::slice::Iter<'_, (String, &'a SessionTrack)> {
        self.0.iter()
    }
}

fn transport(xml: &mut Xml, session: &Session) -> io::Result<()> {
    element(xml, "Transport", &[], |xml| {
        if let Some(micros) = main(&session.tempi, session.seconds) {
            let (min, max) = ("20".to_owned(), "999".to_owned());
            let value = bpm_of(micros).to_string();
            let attributes = [("max", max), ("min", min), ("unit", "bpm".to_owned()), ("value", value)];
            let named = [("id", TEMPO.to_owned()), ("name", "Tempo".to_owned())];
            empty(xml, "Tempo", &[&attributes[..], &named[..]].concat())?;
        }
        match main(&session.meters, session.seconds) {
            Some(meter) => {
                let id = [("id", METER.to_owned()), ("name", "Time signature".to_owned())];
                empty(xml, "TimeSignature", &[&meter_attributes(meter)[..], &id[..]].concat())
            }
            None => Ok(()),
        }
    })
}

/// What holds longest: what a reader that knows no automation should take. Not the pickup bar.
fn main<T: Copy>(list: &[At<T>], seconds: f64) -> Option<T> {
    let ends = list.iter().skip(1).map(|at| at.seconds).chain([seconds]);
    let lasting = list.iter().zip(ends).map(|(at, end)| (at.what, end - at.seconds));
    lasting.reduce(|best, next| if next.1 > best.1 { next } else { best }).map(|(what, _)| what)
}

fn meter_attributes(meter: Meter) -> [(&'static str, String); 2] {
    [("denominator", meter.unit.to_string()), ("numerator", meter.beats.to_string())]
}

/// A group: a track of tracks, whose submix channel they lead to, and which leads to `into`.
fn group_track(
    xml: &mut Xml,
    group: &SessionGroup,
    into: &str,
    ids: &mut std::slice::Iter<'_, (String, &SessionTrack)>,
) -> io::Result<()> {
    // A group is known by its first track: ids of groups and tracks never meet.
    let id =
        ids.as_slice().first().map_or_else(String::new, |(id, _)| format!("g-{}-{id}", slug(&group.name)));
    let shown = (group.name.as_str(), group.colour.as_deref(), None);
    element(xml, "Track", &track_attributes("tracks", &id, shown), |xml| {
        channel(xml, &id, ("submix", into), 2, false)?;
        let own = channel_of(&id);
        for track in &group.tracks {
            audio_track(xml, track, ids.next().map_or("", |(id, _)| id), (&own, false))?;
        }
        group.groups.iter().try_for_each(|inner| group_track(xml, inner, &own, ids))
    })
}

/// The letters of a name that an XML id may have.
fn slug(name: &str) -> String {
    name.chars().map(|c| if c.is_ascii_alphanumeric() { c.to_ascii_lowercase() } else { '-' }).collect()
}

fn audio_track(xml: &mut Xml, track: &SessionTrack, id: &str, (into, mute): (&str, bool)) -> io::Result<()> {
    let shown = (track.name.as_str(), track.colour.as_deref(), Some(track.comment.as_str()));
    element(xml, "Track", &track_attributes("audio", id, shown), |xml| {
        channel(xml, id, ("regular", into), track.channels, mute)
    })
}

fn master(xml: &mut Xml) -> io::Result<()> {
    element(xml, "Track", &track_attributes("audio", "master-track", ("Master", None, None)), |xml| {
        channel(xml, "master-track", ("master", ""), 2, false)
    })
}

/// Name, colour and comment of a track. What has no colour has no such attribute: an empty one is none that a reader knows.
fn track_attributes(
    content: &str,
    id: &str,
    (name, colour, comment): (&str, Option<&str>, Option<&str>),
) -> Vec<(&'static str, String)> {
    let mut all =
        vec![("contentType", content.to_owned()), ("loaded", "true".to_owned()), ("id", id.to_owned())];
    all.push(("name", allowed(name)));
    all.extend(colour.map(|colour| ("color", colour.to_owned())));
    all.extend(comment.map(|comment| ("comment", allowed(comment))));
    all
}

/// The id of a track's channel.
fn channel_of(track: &str) -> String {
    if track == "master-track" { MASTER.to_owned() } else { format!("{track}-channel") }
}

/// The channel of a track: as loud as the file, in the middle. The gain of a preparation is in the audio. The master leads
/// nowhere.
fn channel(
    xml: &mut Xml,
    track: &str,
    (role, into): (&str, &str),
    channels: u16,
    mute: bool,
) -> io::Result<()> {
    let mut attributes = vec![("audioChannels", channels.to_string())];
    attributes.extend(Some(("destination", into.to_owned())).filter(|_| !into.is_empty()));
    attributes.extend([("role", role.to_owned()), ("solo", "false".to_owned()), ("id", channel_of(track))]);
    element(xml, "Channel", &attributes, |xml| {
        let named = |what: &str, name: &str| [("id", format!("{track}-{what}")), ("name", name.to_owned())];
        empty(xml, "Mute", &[&[("value", mute.to_string())], &named("mute", "Mute")[..]].concat())?;
        let real = |max: &str, unit: &str, value: &str| {
            [("max", max), ("min", "0"), ("unit", unit), ("value", value)]
                .map(|(key, value)| (key, value.to_owned()))
        };
        empty(xml, "Pan", &[&real("1", "normalized", "0.5")[..], &named("pan", "Pan")[..]].concat())?;
        empty(xml, "Volume", &[&real("2", "linear", "1")[..], &named("volume", "Volume")[..]].concat())
    })
}

/// The time line: all of it in seconds from the first frame of the prepared stems.
fn arrangement(xml: &mut Xml, session: &Session, numbered: &Numbered<'_>) -> io::Result<()> {
    element(xml, "Arrangement", &[("id", "arrangement".to_owned())], |xml| {
        let seconds = ("timeUnit", "seconds".to_owned());
        element(xml, "Lanes", &[seconds.clone(), ("id", "lanes".to_owned())], |xml| {
            numbered.iter().try_for_each(|(id, track)| lane(xml, id, track))
        })?;
        let places = session.places();
        if !places.is_empty() {
            element(xml, "Markers", &[seconds, ("id", "markers".to_owned())], |xml| {
                places.iter().try_for_each(|at| {
                    empty(xml, "Marker", &[("time", at.seconds.to_string()), ("name", allowed(&at.what))])
                })
            })?;
        }
        tempo_points(xml, session)?;
        meter_points(xml, session)
    })
}

/// The one clip of a track, with its whole file.
fn lane(xml: &mut Xml, id: &str, track: &SessionTrack) -> io::Result<()> {
    let attributes =
        [("track", id.to_owned()), ("timeUnit", "seconds".to_owned()), ("id", format!("{id}-lanes"))];
    element(xml, "Lanes", &attributes, |xml| {
        let attributes = [("timeUnit", "seconds".to_owned()), ("id", format!("{id}-clips"))];
        element(xml, "Clips", &attributes, |xml| {
            element(xml, "Clip", &clip(track), |xml| audio(xml, id, track))
        })
    })
}

fn clip(track: &SessionTrack) -> Vec<(&'static str, String)> {
    let length = track.seconds().to_string();
    let mut all = vec![
        ("time", track.start_seconds.to_string()),
        ("duration", length.clone()),
        ("contentTimeUnit", "seconds".to_owned()),
        ("playStart", "0".to_owned()),
        ("playStop", length),
        ("enable", "true".to_owned()),
        ("name", allowed(&track.name)),
    ];
    // A clip without a colour of its own is drawn black by some readers.
    all.extend(track.colour.clone().map(|colour| ("color", colour)));
    all
}

/// The file, by its path from the folder of the session file: a plain path with `/`, not a URL.
fn audio(xml: &mut Xml, id: &str, track: &SessionTrack) -> io::Result<()> {
    let attributes = [
        ("timeUnit", "seconds".to_owned()),
        ("channels", track.channels.to_string()),
        ("sampleRate", track.rate_hz.to_string()),
        ("duration", track.seconds().to_string()),
        ("id", format!("{id}-audio")),
    ];
    element(xml, "Audio", &attributes, |xml| {
        empty(xml, "File", &[("path", allowed(&track.path)), ("external", "true".to_owned())])
    })
}

/// The tempo map, where the tempo changes.
fn tempo_points(xml: &mut Xml, session: &Session) -> io::Result<()> {
    if session.tempi.len() < 2 {
        return Ok(());
    }
    let unit =
        [("timeUnit", "seconds"), ("unit", "bpm"), ("id", "tempo-points")].map(|(k, v)| (k, v.to_owned()));
    element(xml, "TempoAutomation", &unit, |xml| {
        empty(xml, "Target", &[("parameter", TEMPO.to_owned())])?;
        session.tempi.iter().try_for_each(|at| {
            let value = ("value", bpm_of(at.what).to_string());
            let hold = ("interpolation", "hold".to_owned());
            empty(xml, "RealPoint", &[("time", at.seconds.to_string()), value, hold])
        })
    })
}

/// The meters, where they change: also those of a pickup bar.
fn meter_points(xml: &mut Xml, session: &Session) -> io::Result<()> {
    if session.meters.len() < 2 {
        return Ok(());
    }
    let unit = [("timeUnit", "seconds"), ("id", "meter-points")].map(|(k, v)| (k, v.to_owned()));
    element(xml, "TimeSignatureAutomation", &unit, |xml| {
        empty(xml, "Target", &[("parameter", METER.to_owned())])?;
        session.meters.iter().try_for_each(|at| {
            let time = [("time", at.seconds.to_string())];
            empty(xml, "TimeSignaturePoint", &[&time[..], &meter_attributes(at.what)[..]].concat())
        })
    })
}
