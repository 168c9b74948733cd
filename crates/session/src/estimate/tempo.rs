//! The tempo, from the times of onsets.

/// Two tempi are one up to this share: a quarter of a second in four minutes. Common practice, no source.
const SAME_TEMPO: f64 = 0.001;

/// Ways to count one pulse: twice, half, three times, a third, and dotted.
const LEVELS: &[f64] = &[1.0, 2.0, 0.5, 4.0, 0.25, 3.0, 1.0 / 3.0, 1.5, 2.0 / 3.0];

/// Whether two tempi in beats a minute are the same pulse, however it is counted.
pub fn is_same_pulse(first: f64, second: f64) -> bool {
    LEVELS.iter().any(|level| (first * level / second - 1.0).abs() <= SAME_TEMPO)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn one_pulse_is_counted_in_several_ways() {
        assert!(is_same_pulse(140.0, 70.02) && is_same_pulse(60.0, 90.0) && is_same_pulse(92.0, 92.0));
        assert!(!is_same_pulse(92.0, 92.4) && !is_same_pulse(120.0, 128.0));
    }
}
