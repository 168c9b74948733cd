//! Decoding of 24-bit stereo WAV and FLAC beside libsndfile, on the same file, by turns: `cargo bench -p loadin-benches
//! --bench decode`. libsndfile comes with `soundfile` of the Python Package Index; `PYTHON` names the interpreter that has it (default
//! `python3`). Both give blocks of `f64`; libsndfile checks no digest, so ours is shown without and with.

use std::fs::File;
use std::io::{BufReader, Write};
use std::path::Path;
use std::process::{Command, ExitCode};
use std::sync::{Arc, Mutex};
use std::time::Instant;

use loadin_audio::Block;
use loadin_benches::{flac, is_asked, wav};
use loadin_pipeline::event::{Event, Step};
use loadin_pipeline::stop::Stop;
use loadin_pipeline::{Bench, run};
use loadin_plan::recipe::Recipe;

const RATE_HZ: u32 = 48_000;
const SECONDS: usize = 120;
const TURNS: usize = 7;

/// Reads a file in blocks of 4096 frames into one array, and prints the seconds.
const BY_LIBSNDFILE: &str = "
import sys, time, numpy, soundfile
with soundfile.SoundFile(sys.argv[1]) as file:
    block = numpy.empty((4096, file.channels))
    start = time.perf_counter()
    while len(file.read(out=block)): pass
    print(time.perf_counter() - start)
";

fn ours(path: &Path, verify: bool) -> f64 {
    let file = BufReader::with_capacity(1 << 16, File::open(path).expect("the file"));
    let start = Instant::now();
    let mut decoder = loadin_codec::open(file, verify).expect("audio");
    let mut block = Block::new(2);
    while decoder.next_block(&mut block).expect("samples") {}
    assert_eq!(decoder.frames_read(), SECONDS as u64 * u64::from(RATE_HZ));
    start.elapsed().as_secs_f64()
}

/// Seconds that the survey takes of the only stem of a delivery, on two threads: decoding, all digests, all meters.
fn surveyed(delivery: &Path) -> f64 {
    let recipe = Recipe::parse(loadin_plan::recipe::find_shipped("mix-prep").expect("a recipe").text)
        .expect("a sound recipe");
    let begun = Instant::now();
    let seconds = Arc::new(Mutex::new((0.0, 0.0)));
    let seen = Arc::clone(&seconds);
    let listen = move |event: Event<'_>| {
        let mut seen = seen.lock().expect("no listener panics");
        match event {
            Event::Started { step: Step::Survey, .. } => seen.0 = begun.elapsed().as_secs_f64(),
            Event::Ended { step: Step::Survey, .. } => seen.1 = begun.elapsed().as_secs_f64(),
            _ => {}
        }
    };
    let pool = rayon::ThreadPoolBuilder::new().num_threads(2).build().expect("two threads");
    let bench = Bench::new(Stop::new(), Arc::new(listen));
    pool.install(|| run::study(delivery, &recipe, &bench, None)).expect("a survey");
    let (start, end) = *seconds.lock().expect("no listener panics");
    end - start
}

fn theirs(path: &Path, python: &str) -> Option<f64> {
    let output = Command::new(python).args(["-c", BY_LIBSNDFILE]).arg(path).output().ok()?;
    String::from_utf8(output.stdout).ok()?.trim().parse().ok()
}

fn middle(mut seconds: Vec<f64>) -> f64 {
    seconds.sort_by(f64::total_cmp);
    seconds[seconds.len() / 2]
}

#[expect(clippy::print_stdout, clippy::print_stderr, reason = "a bench prints its figures")]
fn main() -> ExitCode {
    if !is_asked() {
        return ExitCode::SUCCESS;
    }
    let folder = tempfile::tempdir().expect("a temporary folder");
    #[expect(clippy::disallowed_methods, reason = "a bench is a program of its own")]
    let python = std::env::var("PYTHON").unwrap_or_else(|_| "python3".to_owned());
    let create = |name: &str| (folder.path().join(name), File::create(folder.path().join(name)).expect(name));
    let (wav_path, file) = create("sound.wav");
    wav(file, 1, RATE_HZ, SECONDS).expect("a WAV file");
    let (flac_path, mut file) = create("sound.flac");
    file.write_all(&flac(1, RATE_HZ, SECONDS).expect("a FLAC file")).expect("room on the disk");
    println!(
        "24-bit stereo, {SECONDS} s at {RATE_HZ} Hz, middle of {TURNS} turns; ratio above 1: faster than libsndfile"
    );
    for (name, path, verify) in
        [("WAV", &wav_path, false), ("FLAC", &flac_path, false), ("FLAC, digest checked", &flac_path, true)]
    {
        let (mut mine, mut other) = (Vec::new(), Vec::new());
        for _ in 0..TURNS {
            mine.push(ours(path, verify));
            let Some(seconds) = theirs(path, &python) else {
                eprintln!("libsndfile is not there: {python} has no module `soundfile` (PyPI)");
                return ExitCode::FAILURE;
            };
            other.push(seconds);
        }
        let (mine, other) = (middle(mine), middle(other));
        let samples = (2 * SECONDS) as f64 * f64::from(RATE_HZ) / 1e6;
        println!(
            "{name}: {:.2} ({:.0} against {:.0} million samples a second)",
            other / mine,
            samples / mine,
            samples / other
        );
    }
    let alone = folder.path().join("alone");
    std::fs::create_dir(&alone).expect("a folder");
    std::fs::copy(&flac_path, alone.join("sound.flac")).expect("a copy");
    let turns = (0..TURNS).map(|_| (ours(&flac_path, false), surveyed(&alone)));
    let ratios = turns.map(|(decoded, surveyed)| decoded / surveyed).collect();
    println!("survey of that FLAC file on two threads: {:.2} of the decoder's own speed", middle(ratios));
    ExitCode::SUCCESS
}
