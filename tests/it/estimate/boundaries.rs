//! The hit rate of boundaries as `mir_eval` (`PyPI`) defines it (`segment.detection`): one found boundary for one that is known,
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

/// `mir_eval.segment.detection` 0.8.2 with `trim=True`, of the boundaries 0, 10.2, 30.5, 52, 75.25, 80 and 0, 10.6, 29, 33,
/// 54.9, 55.1, 75.25, 80, gives 0.4 at 0.5 s and 0.8 at 3 s.
#[test]
fn the_scorer_agrees_with_mir_eval() {
    let known = [10.2, 30.5, 52.0, 75.25];
    let found = [10.6, 29.0, 33.0, 54.9, 55.1, 75.25];
    assert!((f_measure(&known, &found, 0.5) - 0.4).abs() < 1e-12);
    assert!((f_measure(&known, &found, 3.0) - 0.8).abs() < 1e-12);
}
