//! The invariants of the design, each with a test that would fail.

use std::fs;

use loadin_audio::{Decibels, signal};
use loadin_tests::{Delivery, codes, samples};
use sha2::{Digest, Sha256};

use super::assert_same_files;
use super::comparable;
use super::loadin;
use super::prep;
use super::stem;
use super::tree;

const RATE: u32 = 48_000;

/// Six stems of one rate that start with two seconds of silence, one of them late by its time stamp.
fn band() -> Delivery {
    let delivery = Delivery::new("band");
    let lead = |mut sound: Vec<f64>| {
        let mut all = vec![0.0; 2 * RATE as usize];
        all.append(&mut sound);
        all
    };
    let frames = 3 * RATE as usize;
    delivery.wav("Kick.wav", RATE, 24, &[lead(signal::decay(60.0, 0.4, 0.5, RATE, frames))]);
    delivery.wav("Bass.wav", RATE, 24, &[lead(signal::sine(82.4, 0.2, RATE, frames))]);
    delivery.wav(
        "Keys.wav",
        RATE,
        16,
        &[lead(signal::sine(440.0, 0.1, RATE, frames)), lead(signal::noise(1, 0.1, frames))],
    );
    delivery.wav(
        "Pad.wav",
        RATE,
        24,
        &[lead(signal::noise(2, 0.1, frames)), lead(signal::noise(3, 0.05, frames))],
    );
    delivery.wav("Vox.wav", RATE, 24, &[lead(signal::sine(311.1, 0.3, RATE, frames))]);
    delivery.wav("Shaker.wav", RATE, 24, &[lead(signal::noise(4, 0.02, frames))]);
    delivery
}

#[test]
fn threads_order_and_repetition_change_no_byte() {
    let delivery = band();
    delivery.wav("Arp.wav", 44_100, 24, &[signal::noise(9, 0.2, 200_000)]);
    let mut seen = Vec::new();
    for (run, jobs) in ["1", "2", "8", "2"].iter().enumerate() {
        let out = delivery.out(&format!("out{run}"));
        let (ran, _) = prep(&delivery.path(), &out, &["--jobs", jobs]);
        assert_eq!(ran.code, 0, "{}{}", ran.out, ran.err);
        seen.push(comparable(&out));
    }
    for other in &seen[1..] {
        assert_same_files(other, &seen[0], "at another number of threads");
    }
}

/// Whether the sound is kept between survey and render or made again must not show: of a converted stem, of one whose
/// offset goes before the conversion, of a pair of files that become one.
#[test]
fn memory_changes_no_byte() {
    let delivery = band();
    let offset: Vec<f64> = signal::sine(200.0, 0.2, 44_100, 200_000).iter().map(|x| x + 0.02).collect();
    delivery.wav("Arp.wav", 44_100, 24, &[offset.clone(), signal::noise(9, 0.2, 200_000)]);
    delivery.wav("Strings L.wav", 44_100, 24, &[offset]);
    delivery.wav("Strings R.wav", 44_100, 24, &[signal::noise(10, 0.2, 200_000)]);
    // Behind a shorter half the conversion goes on in silence, and what was kept of it ends with the file.
    delivery.wav("Choir L.wav", 44_100, 24, &[signal::noise(11, 0.2, 200_000)]);
    delivery.wav("Choir R.wav", 44_100, 24, &[signal::noise(12, 0.2, 150_001)]);
    let shipped = loadin_plan::recipe::find_shipped("mix-prep").unwrap().text;
    let joined = shipped.replace("pairs = \"report\"", "pairs = \"join\"");
    let (before, stages) = joined.split_once("[[stage]]\nstage = \"resample\"").unwrap();
    let (resample, rest) = stages.split_once("[[stage]]\nstage = \"gain-stage\"").unwrap();
    let (own, removal) = resample.split_once("[[stage]]\nstage = \"channel-fix\"").unwrap();
    let (fix, removal) = removal.split_once("[[stage]]\nstage = \"dc-removal\"").unwrap();
    let late = [
        before,
        "[[stage]]\nstage = \"channel-fix\"",
        fix,
        "[[stage]]\nstage = \"dc-removal\"",
        removal,
        "[[stage]]\nstage = \"resample\"",
        own,
        "[[stage]]\nstage = \"gain-stage\"",
        rest,
    ]
    .concat();
    for (name, text) in [("early", joined), ("late", late)] {
        let recipe = delivery.out(&format!("{name}.toml"));
        fs::write(&recipe, text).unwrap();
        let mut seen = Vec::new();
        for memory in ["0", "4M", "1G"] {
            let out = delivery.out(&format!("{name}-{memory}"));
            let options = ["--memory", memory, "--recipe", recipe.to_str().unwrap()];
            let (ran, _) = prep(&delivery.path(), &out, &options);
            assert_eq!(ran.code, 0, "{}{}", ran.out, ran.err);
            seen.push(comparable(&out));
        }
        for other in &seen[1..] {
            assert_same_files(other, &seen[0], "at another size of memory");
        }
    }
}

#[test]
fn a_run_into_its_own_output_gives_the_same_and_verifies() {
    let delivery = band();
    let out = delivery.out("out");
    prep(&delivery.path(), &out, &[]);
    let first = comparable(&out);
    prep(&delivery.path(), &out, &[]);
    assert_same_files(&comparable(&out), &first, "after a second run");
    let ran = loadin(&["verify", out.to_str().unwrap(), "--delivery", delivery.path().to_str().unwrap()]);
    assert_eq!(ran.code, 0, "{}{}", ran.out, ran.err);
}

/// With nothing to change, the sample data is the source's: the contents of the `data` chunk are compared.
#[test]
fn an_untouched_stem_keeps_its_sample_data() {
    let delivery = band();
    let out = delivery.out("out");
    let (_, manifest) = prep(&delivery.path(), &out, &["--recipe", "archive"]);
    for name in ["Kick.wav", "Keys.wav", "Pad.wav"] {
        let record = stem(&manifest, name);
        assert_eq!(record["state"], "unchanged", "{name}");
        let source = fs::read(delivery.path().join(name)).unwrap();
        let at = source.windows(4).position(|window| window == b"data").unwrap() + 8;
        let size = u32::from_le_bytes(source[at - 4..at].try_into().unwrap()) as usize;
        let digest: String =
            Sha256::digest(&source[at..at + size]).iter().map(|byte| format!("{byte:02x}")).collect();
        assert_eq!(record["output"]["audio_sha256"], digest.as_str(), "{name}");
        let output = out.join(record["output"]["path"].as_str().unwrap());
        assert_eq!(codes(&output), codes(&delivery.path().join(name)), "{name}");
    }
}

/// The sum of all outputs is the sum of the aligned sources times the one gain: residual below -120 dBFS.
#[test]
fn the_sum_of_the_outputs_is_the_sum_of_the_sources_times_one_gain() {
    let delivery = band();
    let out = delivery.out("out");
    let (_, manifest) = prep(&delivery.path(), &out, &[]);
    let link = &manifest["link"];
    let gains = link["gains"].as_array().unwrap();
    assert_eq!(gains.len(), 1, "one gain per delivery (common practice, no source)");
    let gain = Decibels(gains[0]["gain_db"].as_f64().unwrap()).ratio();
    let (head, length) = (
        link["trim_head_frames"].as_u64().unwrap() as usize,
        link["length_frames"].as_u64().unwrap() as usize,
    );
    assert!(head > 0, "there is dead air to cut");
    let mut residual = vec![[0.0f64; 2]; length];
    for record in manifest["stems"].as_array().unwrap() {
        let source = samples(&delivery.path().join(record["source"]["path"].as_str().unwrap()));
        let output = samples(&out.join(record["output"]["path"].as_str().unwrap()));
        assert_eq!(output[0].len(), length);
        for (frame, sums) in residual.iter_mut().enumerate() {
            for (side, sum) in sums.iter_mut().enumerate() {
                let of = |channels: &[Vec<f64>], at: usize| {
                    channels[side.min(channels.len() - 1)].get(at).copied().unwrap_or(0.0)
                };
                *sum += of(&output, frame) - gain * of(&source, frame + head);
            }
        }
    }
    let peak = residual.iter().flatten().fold(0.0f64, |peak, value| peak.max(value.abs()));
    let level = Decibels::from_ratio(peak).0;
    assert!(level < -120.0, "residual peak {level:.1} dBFS");
}

#[test]
fn the_delivery_is_only_read() {
    let delivery = band();
    let before = tree(&delivery.path());
    let times = |path: &std::path::Path| fs::metadata(path).unwrap().modified().unwrap();
    let stamp = times(&delivery.path().join("Kick.wav"));
    prep(&delivery.path(), &delivery.out("out"), &[]);
    loadin(&["audit", delivery.path().to_str().unwrap(), "--progress", "none"]);
    loadin(&["plan", delivery.path().to_str().unwrap(), "--progress", "none"]);
    assert!(before == tree(&delivery.path()));
    assert_eq!(stamp, times(&delivery.path().join("Kick.wav")));
}

/// The dry run's plan is the real run's plan: labels, fates and expected frames agree with the manifest.
#[test]
fn the_dry_run_is_the_real_run() {
    let delivery = band();
    let planned =
        loadin(&["plan", delivery.path().to_str().unwrap(), "--format", "json", "--progress", "none"]);
    let plan: serde_json::Value = serde_json::from_str(&planned.out).unwrap();
    let (_, manifest) = prep(&delivery.path(), &delivery.out("out"), &[]);
    assert_eq!(plan["link"], manifest["link"]);
    let (stems, records) = (plan["stems"].as_array().unwrap(), manifest["stems"].as_array().unwrap());
    assert_eq!(stems.len(), records.len());
    for (stem, record) in stems.iter().zip(records) {
        let path = format!("audio/{}.wav", stem["output"]["label"].as_str().unwrap());
        assert_eq!(record["output"]["path"], path.as_str());
        assert_eq!(record["output"]["frames"], stem["output"]["frames"]);
        assert_eq!(record["findings"], stem["findings"]);
    }
}

#[test]
fn verify_finds_a_flipped_bit_anywhere() {
    let delivery = band();
    let out = delivery.out("out");
    prep(&delivery.path(), &out, &[]);
    // Journal and summary are no outputs; the records of the journal prove themselves (`overnight::resume`).
    for name in tree(&out).into_keys().filter(|name| !name.starts_with(".loadin") && name != "summary.json") {
        let path = out.join(&name);
        let whole = fs::read(&path).unwrap();
        let mut bytes = whole.clone();
        let middle = bytes.len() / 2;
        bytes[middle] ^= 1;
        fs::write(&path, &bytes).unwrap();
        let ran = loadin(&["verify", out.to_str().unwrap(), "--progress", "none"]);
        assert!(
            ran.code == 4 || (name == "manifest.json" && ran.code == 2),
            "{name}: {}{}",
            ran.out,
            ran.err
        );
        fs::write(&path, &whole).unwrap();
    }
    assert_eq!(loadin(&["verify", out.to_str().unwrap(), "--progress", "none"]).code, 0);
}

#[test]
fn checksums_are_in_the_form_that_the_usual_command_reads() {
    let delivery = band();
    let out = delivery.out("out");
    prep(&delivery.path(), &out, &[]);
    let list = fs::read_to_string(out.join("checksums.sha256")).unwrap();
    for line in list.lines() {
        let (sum, path) = line.split_once("  ").unwrap();
        let digest: String = Sha256::digest(fs::read(out.join(path)).unwrap())
            .iter()
            .map(|byte| format!("{byte:02x}"))
            .collect();
        assert_eq!(sum, digest, "{path}");
    }
    assert_eq!(
        list.lines().count(),
        6 + 4,
        "six stems, the recipe, the track sheet, the session file and the report"
    );
}
