//! A file of two hours at 96 kHz in 32-bit floats, more than 5 GB: in and out, frame by frame, in little memory.
//!
//! It needs 12 GB of disk and some minutes, so it runs when asked: `LOADIN_LARGE=1 cargo test -p loadin-tests large`.

use std::fs::File;
use std::io::{BufWriter, Read};
use std::path::Path;
use std::process::{Command, Stdio};

use loadin_audio::{Block, signal};
use loadin_codec::{Container, SampleKind, WavSpec, WavWriter};
use loadin_tests::Delivery;

use crate::job::recipe;

const RATE: u32 = 96_000;
/// A prime beyond two hours, so that no block or window ends with it.
const FRAMES: u64 = 691_200_007;
/// Frames of the noise that is repeated; a prime too, so that every place differs from its neighbours.
const PERIOD: usize = 65_521;
const MOST_KB: u64 = 150 * 1024;

fn noise() -> [Vec<f32>; 2] {
    [11, 29].map(|seed| signal::noise(seed, 0.4, PERIOD).iter().map(|sample| *sample as f32).collect())
}

fn write(path: &Path) {
    let spec = WavSpec {
        rate_hz: RATE,
        channels: 2,
        kind: SampleKind::F32,
        frames: FRAMES,
        channel_mask: None,
        bext: None,
        chunks_before: Vec::new(),
        chunks_after: Vec::new(),
    };
    let mut writer = WavWriter::new(BufWriter::new(File::create(path).unwrap()), spec).unwrap();
    let [left, right] = noise().map(|channel| channel.into_iter().map(f64::from).collect::<Vec<f64>>());
    let mut left_over = FRAMES;
    while left_over > 0 {
        let frames = left_over.min(PERIOD as u64) as usize;
        let block = Block::from_channels(vec![left[..frames].to_vec(), right[..frames].to_vec()]);
        writer.write_floats(&block).unwrap();
        left_over -= frames as u64;
    }
    writer.finish().unwrap();
}

/// Runs the program and gives the greatest resident set that was seen, in kB.
fn peak_kb(arguments: &[&str]) -> u64 {
    let mut child = Command::new(env!("CARGO_BIN_EXE_loadin-under-test"))
        .args(arguments)
        .stdout(Stdio::null())
        .spawn()
        .unwrap();
    let status = format!("/proc/{}/status", child.id());
    let mut peak = 0;
    loop {
        if let Some(ended) = child.try_wait().unwrap() {
            assert!(ended.success(), "{ended}");
            return peak;
        }
        let text = std::fs::read_to_string(&status).unwrap_or_default();
        let line = text.lines().find_map(|line| line.strip_prefix("VmHWM:")?.trim().strip_suffix(" kB"));
        peak = line.and_then(|number| number.trim().parse().ok()).unwrap_or(0).max(peak);
        std::thread::sleep(std::time::Duration::from_millis(20));
    }
}

#[expect(clippy::disallowed_methods, reason = "whether the test runs changes no output")]
fn is_wanted() -> bool {
    std::env::var("LOADIN_LARGE").is_ok()
}

#[expect(clippy::print_stdout, reason = "figures for whoever asks with --nocapture")]
#[test]
fn two_hours_at_96_khz_go_in_and_come_out_frame_by_frame() {
    if !is_wanted() {
        println!("not asked for: LOADIN_LARGE=1");
        return;
    }
    let delivery = Delivery::new("large");
    write(&delivery.file("Room.wav", &[]));
    let (out, stages) = (
        delivery.out("out"),
        "[[stage]]\nstage = \"decode\"\n[[stage]]\nstage = \"gain-stage\"\n\
        target = \"-1.9382 dBFS\"\n[[stage]]\nstage = \"label\"\n[[stage]]\nstage = \"re-encode\"\ndepth = \"source\"\n",
    );
    let recipe = recipe(&delivery.out(""), stages);
    let peak = peak_kb(&[
        "prep",
        delivery.path().to_str().unwrap(),
        "--out",
        out.to_str().unwrap(),
        "--recipe",
        &recipe,
        "--memory",
        "64M",
        "--progress",
        "none",
    ]);
    println!("peak {peak} kB resident");
    assert!(peak <= MOST_KB, "{peak} kB");
    let prepared = std::fs::read_dir(out.join("audio")).unwrap().next().unwrap().unwrap().path();
    let mut head = [0; 4];
    File::open(&prepared).unwrap().read_exact(&mut head).unwrap();
    assert_eq!(&head, b"RF64");
    let mut decoder = loadin_codec::open(File::open(&prepared).unwrap(), true).unwrap();
    assert_eq!((decoder.format().container, decoder.format().frames), (Container::Rf64, Some(FRAMES)));
    let noise = noise();
    let (mut block, mut at, mut factor) = (Block::default(), 0usize, None);
    while decoder.next_block(&mut block).unwrap() {
        for (channel, source) in block.iter().zip(&noise) {
            for (frame, sample) in channel.iter().enumerate() {
                let delivered = f64::from(source[(at + frame) % PERIOD]);
                // The factor of the first sample is that of all; a slip of one frame would show at once.
                let factor = *factor.get_or_insert(sample / delivered);
                assert!((sample - delivered * factor).abs() < 1e-6, "frame {}", at + frame);
            }
        }
        at += block.frames();
    }
    assert_eq!(at as u64, FRAMES);
}
