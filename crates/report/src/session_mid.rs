//! `session.mid`: tempo map, meter, key and markers of a session, where at least its tempo is known.

use loadin_record::session::Session;
use loadin_session::facts::SessionMap;

/// Ticks a quarter note: half of one is 0.26 ms at 120 BPM. Common practice, no source.
const TICKS_PER_QUARTER: u16 = 960;

/// The bytes of the file.
pub(crate) fn session_mid(session: &Session) -> Option<Vec<u8>> {
    let map = SessionMap {
        name: session.title.clone(),
        note: (!session.notes.is_empty()).then(|| session.notes.join(" ")),
        tempi: session.tempi.clone(),
        meters: session.meters.clone(),
        key: session.key,
        markers: session.places().into_iter().cloned().collect(),
        seconds: session.seconds,
    };
    map.to_midi(TICKS_PER_QUARTER)
}
