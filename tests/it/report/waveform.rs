//! The drawn waveform against the samples of the files: the delivered one, and the prepared one as it lies on the disk.

use loadin_audio::signal;
use loadin_tests::{Delivery, samples};

use super::read;
use crate::job::{prep, stem};

/// Columns of a picture, and units from the middle to full scale, as the page's view box says.
const COLUMNS: usize = 300;
const REACH: f64 = 250.0;

/// Least and greatest height of every column of the path of a picture, as a reader of SVG sees it (SVG 2, section 9.3:
/// `M` is absolute, `l` relative, `z` closes).
fn columns(page: &str, stem: usize, line: &str) -> Vec<Option<(f64, f64)>> {
    let part = page.split(&format!("<tbody id=s{stem} ")).nth(1).expect("the stem is on the page");
    let picture = part.split(&format!("<svg class=\"wave {line}\"")).nth(1).expect("its picture");
    let picture = picture.split("</svg>").next().unwrap();
    let path = picture.split("<path class=sound d=\"").nth(1).expect("its sound").split('"').next().unwrap();
    let spaced = path.replace('-', " -").replace('M', " M ").replace('l', " l ").replace('z', " ");
    let mut found = vec![None; COLUMNS];
    let (mut at, mut absolute, mut numbers) = ((0i64, 0i64), true, Vec::new());
    for word in spaced.split_whitespace() {
        match word {
            "M" => absolute = true,
            "l" => absolute = false,
            number => numbers.push(number.parse::<i64>().unwrap()),
        }
        if let [x, y] = numbers[..] {
            at = if absolute { (x, y) } else { (at.0 + x, at.1 + y) };
            let amplitude = (REACH - at.1 as f64) / REACH;
            let (low, high): (f64, f64) = found[at.0 as usize].unwrap_or((amplitude, amplitude));
            found[at.0 as usize] = Some((low.min(amplitude), high.max(amplitude)));
            numbers.clear();
        }
    }
    found
}

/// Least and greatest of the samples of a column; the windows of 480 frames that touch it count as a whole.
fn truth(samples: &[f64], from: f64, to: f64) -> (f64, f64) {
    let first = (from / 480.0).floor() as usize * 480;
    let last = ((to / 480.0).ceil() as usize * 480).min(samples.len());
    let part = &samples[first.min(last)..last];
    (
        part.iter().copied().fold(f64::INFINITY, f64::min),
        part.iter().copied().fold(f64::NEG_INFINITY, f64::max),
    )
}

fn compare(
    drawn: &[Option<(f64, f64)>],
    samples: &[f64],
    start: f64,
    per_column: f64,
    zoom: f64,
    which: &str,
) {
    let mut seen = 0;
    for (column, drawn) in drawn.iter().enumerate() {
        let from = column as f64 * per_column - start;
        let to = from + per_column;
        if from < 0.0 || to > samples.len() as f64 {
            continue;
        }
        let (low, high) = truth(samples, from, to);
        // Silence has no path, and neither has a column with less than the silence threshold of -90 dBFS.
        let (drawn_low, drawn_high) = drawn.unwrap_or((0.0, 0.0));
        // Half a unit of rounding in the path; in the prepared file also a step of 24 bits, which is far less.
        let allowed = 0.502 / REACH;
        let (wanted_low, wanted_high) = (low.min(0.0) * zoom, high.max(0.0) * zoom);
        assert!(
            (drawn_low - wanted_low).abs() <= allowed && (drawn_high - wanted_high).abs() <= allowed,
            "{which}, column {column}: {drawn_low}..{drawn_high} drawn, {wanted_low}..{wanted_high} in the samples"
        );
        seen += usize::from(high > 0.01);
    }
    assert!(seen > 100, "{which}: only {seen} columns with sound were compared");
}

/// A tone of 300 Hz (three whole waves a window, so that every window reaches both its extremes) that swells, with a
/// loud spot and silence around it. The delivery is 10 s long, one column is 1600 frames.
#[test]
fn both_pictures_show_the_extremes_of_the_samples() {
    let delivery = Delivery::new("Truth");
    let mut sound = vec![0.0; 480_000];
    for (index, (sample, tone)) in
        sound[96_000..432_000].iter_mut().zip(signal::sine(300.0, 0.3, 48_000, 336_000)).enumerate()
    {
        *sample = tone * (0.2 + 0.8 * index as f64 / 336_000.0);
    }
    sound[240_000] = 0.45;
    delivery.wav("Kick.wav", 48_000, 24, std::slice::from_ref(&sound));
    let out = delivery.out("out");
    let (_, manifest) = prep(&delivery.path(), &out, &[]);
    let page = read(&out.join("report.html"));
    let record = stem(&manifest, "Kick.wav");
    let shift = record["time_map"]["shift_frames"].as_f64().unwrap();
    assert!(shift > 0.0, "a head was cut, so the two pictures do not begin together");
    let written = &samples(&out.join(record["output"]["path"].as_str().unwrap()))[0];
    assert!(page.contains("aria-label=\"As delivered: from −0:"), "what was cut lies left of zero");
    // The axis is as long as the delivery. The peak is at -6 dBFS afterwards, so nothing is magnified by more than 1:
    // 0.501 twice would not fit.
    let per_column = 480_000.0 / COLUMNS as f64;
    compare(&columns(&page, 1, "was"), &sound, 0.0, per_column, 1.0, "as delivered");
    compare(&columns(&page, 1, "now"), written, shift, per_column, 1.0, "as prepared");
}
