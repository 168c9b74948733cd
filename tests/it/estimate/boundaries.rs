//! The hit rate of boundaries as PyPI `mir_eval` defines it (`segment.detection`): one found boundary for one that is known,
//! no further apart than the window; the harmonic mean of precision and recall.

/// F-measure of found boundaries; both lists are in order of time.
pub(super) fn f_measure(known: &[f64], found: &[f64], window: f64) -> f64 {
    let (mut hits, mut k, mut f) = (0, 0, 0);
    // Windows are equally wide, so taking the first that fits loses no pair.
    while let (Some(a), Some(b)) = (known.get(k), found.get(f)) {
        if (a - b).abs() <= window {
            hits += 1;
            k += 1;
            f += 1;
        } else if a < b {
            k += 1;
        } else {
            f += 1;
        }
    }
    2.0 * f64::from(hits) / (known.len() + found.len()).max(1) as f64
}
