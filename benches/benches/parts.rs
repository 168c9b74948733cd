//! The parts of a run on ten seconds of stereo in memory: meters, resampler, quantiser, unpacking, packing, digest.

use std::io::Cursor;

use criterion::{Criterion, Throughput, criterion_group, criterion_main};
use loadin_audio::{
    Activity, Block, ClipRuns, DitherKey, Envelope, Loudness, Quantiser, Relation, Resampler, Sketcher,
    TruePeak,
};
use loadin_benches::{sound, wav, wav_spec};
use loadin_codec::WavWriter;
use sha2::{Digest, Sha256};

const RATE: u32 = 48_000;
const FRAMES: usize = 10 * RATE as usize;

/// The sound in blocks, as a decoder gives it.
fn blocks() -> Vec<Block> {
    let whole = sound(1, RATE, FRAMES);
    (0..FRAMES)
        .step_by(8192)
        .map(|start| {
            let mut block = Block::new(2);
            block.append(&whole, start, (start + 8192).min(FRAMES));
            block
        })
        .collect()
}

/// Writes samples into nothing, as a run does: some thousand at once.
fn pack(codes: &[i32]) {
    let mut writer = WavWriter::new(std::io::sink(), wav_spec(RATE, 10)).expect("a header");
    for codes in codes.chunks(8192) {
        writer.write_ints(codes).expect("room for the samples");
    }
    writer.finish().expect("all samples");
}

fn parts(criterion: &mut Criterion) {
    let blocks = blocks();
    let mut group = criterion.benchmark_group("parts, samples");
    group.throughput(Throughput::Elements(2 * FRAMES as u64));
    macro_rules! meter {
        ($name:literal, $new:expr) => {
            group.bench_function($name, |bench| {
                bench.iter(|| {
                    let mut meter = $new;
                    for block in &blocks {
                        meter.push(block);
                    }
                    meter
                });
            });
        };
    }
    meter!("envelope", Envelope::new(2, RATE));
    meter!("true peak", TruePeak::new(2, RATE));
    meter!("clipped runs", ClipRuns::new(2));
    meter!("channel relation", Relation::new(RATE, 0.0));
    meter!("activity", Activity::new(RATE));
    meter!("loudness", Loudness::new(2, RATE));
    meter!("sketch", Sketcher::new(RATE, RATE));
    for (from_hz, to_hz) in [(44_100, 48_000), (48_000, 44_100), (96_000, 48_000)] {
        group.bench_function(format!("resample {from_hz} to {to_hz}"), |bench| {
            bench.iter(|| {
                let mut resampler = Resampler::new(from_hz, to_hz, 2);
                for block in &blocks {
                    resampler.process(&mut block.clone());
                }
            });
        });
    }
    for (name, key) in [("quantise", None), ("quantise with dither", Some(DitherKey(7)))] {
        group.bench_function(name, |bench| {
            let mut codes = Vec::new();
            bench.iter(|| {
                let mut quantiser = Quantiser::new(24, 2, key);
                for block in &blocks {
                    codes.clear();
                    quantiser.process(block, &mut codes);
                }
            });
        });
    }
    let file = wav(Vec::new(), 1, RATE, 10).expect("a file in memory");
    group.bench_function("pack 24-bit WAV", |bench| {
        let codes = vec![0x12_3456; 2 * FRAMES];
        bench.iter(|| pack(&codes));
    });
    group.bench_function("SHA-256 of a 24-bit WAV", |bench| bench.iter(|| Sha256::digest(&file)));
    group.bench_function("unpack 24-bit WAV", |bench| {
        bench.iter(|| {
            let mut decoder = loadin_codec::open(Cursor::new(file.clone()), false).expect("audio");
            let mut block = Block::new(2);
            while decoder.next_block(&mut block).expect("samples") {}
        });
    });
    group.finish();
}

criterion_group!(benches, parts);
criterion_main!(benches);
