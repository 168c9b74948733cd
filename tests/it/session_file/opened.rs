//! The session file as the crate `dawproject` reads it, which nobody here wrote: tracks one by one, with the groups around
//! them, and the time line.

use std::path::Path;

use dawproject::prelude::*;

/// A track that plays a file.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Row {
    pub(super) groups: Vec<String>,
    pub(super) name: String,
    pub(super) colour: Option<String>,
    pub(super) clip_colour: Option<String>,
    pub(super) comment: String,
    pub(super) muted: bool,
    pub(super) path: String,
    pub(super) external: bool,
    pub(super) start: f64,
    pub(super) seconds: f64,
    pub(super) clip_seconds: f64,
    pub(super) rate_hz: i32,
    pub(super) channels: i32,
}

/// All of a session file.
#[derive(Debug, Clone, PartialEq, Default)]
pub(super) struct Opened {
    pub(super) title: String,
    pub(super) comment: String,
    pub(super) rows: Vec<Row>,
    /// Colours of the groups, by their path.
    pub(super) groups: Vec<(String, Option<String>)>,
    pub(super) tempo: Option<f64>,
    pub(super) meter: Option<(i32, i32)>,
    pub(super) tempi: Vec<(f64, f64)>,
    pub(super) meters: Vec<(f64, (i32, i32))>,
    pub(super) markers: Vec<(f64, String)>,
}

/// Reads a session file.
pub(super) fn open(path: &Path) -> Opened {
    let mut reader =
        DawprojectReader::open(path).unwrap_or_else(|error| panic!("{}: {error}", path.display()));
    reader.read_dawproject().unwrap_or_else(|error| panic!("{}: {error}", path.display()));
    let read = reader.build_dawproject().expect("metadata and project");
    let project = read.project;
    let mut opened = Opened {
        title: read.metadata.title.unwrap_or_default(),
        comment: read.metadata.comment.unwrap_or_default(),
        ..Opened::default()
    };
    let transport = project.transport.expect("a transport");
    opened.tempo = transport.tempo.map(|tempo| tempo.get_value().unwrap().unwrap());
    opened.meter = transport.time_signature.map(|meter| (meter.numerator, meter.denominator));
    let arrangement = project.arrangement.expect("an arrangement");
    let lanes = arrangement.lanes.as_ref().expect("lanes");
    assert_eq!(lanes.time_unit, Some(TimeUnitType::Seconds));
    for content in project.structure.expect("a structure").content {
        let ProjectStructureElementTypeContent::Track(track) = content else {
            panic!("a channel without a track")
        };
        gather(&track, &[], "master", lanes, &mut opened);
    }
    opened.time_line(&arrangement);
    opened
}

impl Opened {
    /// Markers, tempi and meters: all of them in seconds.
    fn time_line(&mut self, arrangement: &ArrangementType) {
        let seconds = Some(TimeUnitType::Seconds);
        if let Some(markers) = &arrangement.markers {
            assert_eq!(markers.time_unit, seconds);
            self.markers =
                markers.marker.iter().map(|m| (m.time, m.name.clone().unwrap_or_default())).collect();
        }
        let number = |text: &str| text.parse::<f64>().unwrap();
        for points in
            [&arrangement.tempo_automation, &arrangement.time_signature_automation].into_iter().flatten()
        {
            assert_eq!(points.time_unit, seconds);
            for point in &points.content {
                match point {
                    PointsTypeContent::RealPoint(point) => {
                        self.tempi.push((number(&point.time), number(&point.value)));
                    }
                    PointsTypeContent::TimeSignaturePoint(point) => {
                        self.meters.push((number(&point.time), (point.numerator, point.denominator)));
                    }
                    PointsTypeContent::Target(_) => {}
                    other => panic!("{other:?}"),
                }
            }
        }
    }
}

/// The tracks below one, and itself; `into` is the channel that it must lead to.
fn gather(track: &TrackType, groups: &[String], into: &str, lanes: &LanesType, opened: &mut Opened) {
    let name = track.name.clone().expect("a name");
    let channel = track.channel.as_ref().expect("a channel");
    let role = channel.role.as_ref().expect("a role");
    if *role == MixerRoleType::Master {
        assert_eq!(channel.id.as_deref(), Some("master"));
        assert!(track.track.is_empty() && channel.destination.is_none());
        return;
    }
    assert_eq!(channel.destination.as_deref(), Some(into), "{name}");
    assert_eq!(channel.volume.as_ref().unwrap().get_value().unwrap(), Some(1.0), "{name}");
    assert_eq!(channel.pan.as_ref().unwrap().get_value().unwrap(), Some(0.5), "{name}");
    let muted = channel.mute.as_ref().unwrap().value.unwrap();
    if *role == MixerRoleType::Submix {
        assert!(!track.track.is_empty(), "an empty group: {name}");
        let groups = [groups, &[name]].concat();
        opened.groups.push((groups.join("/"), track.color.clone()));
        let own = channel.id.as_deref().expect("an id");
        track.track.iter().for_each(|inner| gather(inner, &groups, own, lanes, opened));
        return;
    }
    let clip = clip_of(lanes, track.id.as_deref().expect("an id"));
    let Some(ClipTypeContent::Audio(audio)) = &clip.content else { panic!("{name}: {:?}", clip.content) };
    assert_eq!(clip.content_time_unit, Some(TimeUnitType::Seconds));
    assert_eq!((clip.play_start, clip.play_stop), (Some(0.0), clip.duration));
    opened.rows.push(Row {
        groups: groups.to_vec(),
        name,
        colour: track.color.clone(),
        clip_colour: clip.color.clone(),
        comment: track.comment.clone().unwrap_or_default(),
        muted,
        path: audio.file.path.clone(),
        external: audio.file.external == Some(true),
        start: clip.time,
        seconds: audio.duration,
        clip_seconds: clip.duration.expect("a length"),
        rate_hz: audio.sample_rate,
        channels: audio.channels,
    });
}

/// The one clip of a track.
fn clip_of<'l>(lanes: &'l LanesType, id: &str) -> &'l ClipType {
    let own: Vec<&LanesType> = lanes
        .content
        .iter()
        .filter_map(|lane| match lane {
            ClipTypeContent::Lanes(lanes) if lanes.track.as_deref() == Some(id) => Some(&**lanes),
            _ => None,
        })
        .collect();
    assert_eq!(own.len(), 1, "lanes of {id}");
    let [ClipTypeContent::Clips(clips)] = &own[0].content[..] else { panic!("{id}: {:?}", own[0].content) };
    let [clip] = &clips.clip[..] else { panic!("{id}: {:?}", clips.clip) };
    clip
}
