//! Makes structure-aware mutants, reads each with our own reader, and says in a line of JSON what came of it.
//!
//! `mutants FIRST COUNT [FOLDER]`: with a folder, the mutants are left there, and with COUNT 0 the seeds, for other readers. The
//! last line has the most memory that the process has had. Panics are caught; what stands still for ten seconds ends it.

use std::error::Error;
use std::fs;
use std::io::{Cursor, Write};
use std::panic::catch_unwind;
use std::path::Path;
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::{Duration, Instant};

use loadin_audio::Block;
use loadin_tests::mutants::{Seed, mutant, seeds};
use serde_json::json;

/// What a reader has made of a file.
struct Read {
    /// Samples by frames; of a mutant no more than this many are kept.
    samples: Vec<f64>,
    values: u64,
    is_finite: bool,
    /// What is said of the file.
    said: Vec<String>,
}

/// Values kept of a file: more than any seed has.
const MOST_VALUES: usize = 40_000;

/// Frames after which nobody reads on: years of silence may be what a head says.
const MOST_FRAMES: u64 = 200_000_000;

fn read(bytes: Vec<u8>) -> Result<Read, loadin_codec::Error> {
    let mut decoder = loadin_codec::open(Cursor::new(bytes), true)?;
    let mut block = Block::default();
    let mut read = Read { samples: Vec::new(), values: 0, is_finite: true, said: Vec::new() };
    while decoder.next_block(&mut block)? {
        for frame in 0..block.frames() {
            for channel in block.iter() {
                read.is_finite &= channel[frame].is_finite();
                read.values += 1;
                if read.samples.len() < MOST_VALUES {
                    read.samples.push(channel[frame]);
                }
            }
        }
        if decoder.frames_read() > MOST_FRAMES {
            break;
        }
    }
    read.said = decoder.repairs().iter().map(ToString::to_string).collect();
    read.said.extend(decoder.damage().iter().map(|damage| damage.cause.clone()));
    Ok(read)
}

/// The word for what came of a mutant, and what is said of it.
fn verdict(bytes: Vec<u8>, whole: &Read) -> (&'static str, String) {
    match catch_unwind(|| read(bytes)) {
        Err(_) => ("panicked", String::new()),
        Ok(Err(error)) => ("refused", error.to_string()),
        Ok(Ok(read)) if !read.is_finite => ("not finite", String::new()),
        Ok(Ok(read)) => {
            let is_same = read.values == whole.values && read.samples == whole.samples;
            match (is_same, read.said.is_empty()) {
                (true, _) => ("same", read.said.join("; ")),
                (false, false) => ("named", read.said.join("; ")),
                (false, true) => ("other", format!("{} values instead of {}", read.values, whole.values)),
            }
        }
    }
}

/// The most memory that this process has had, in kilobytes; 0 where the system does not say.
fn peak_kb() -> u64 {
    let status = fs::read_to_string("/proc/self/status").unwrap_or_default();
    let line = status.lines().find_map(|line| line.strip_prefix("VmHWM:"));
    line.and_then(|line| line.trim().trim_end_matches(" kB").parse().ok()).unwrap_or(0)
}

/// The number that is read now; the process ends when it stays.
static NOW: AtomicU64 = AtomicU64::new(0);

#[expect(
    clippy::exit,
    clippy::print_stderr,
    reason = "whoever waits for this process wants to know which file hangs"
)]
fn watch() {
    std::thread::spawn(|| {
        loop {
            let before = NOW.load(Ordering::Relaxed);
            std::thread::sleep(Duration::from_secs(10));
            if NOW.load(Ordering::Relaxed) == before {
                eprintln!("mutant {before} hangs");
                std::process::exit(99);
            }
        }
    });
}

fn say(
    seed: &Seed,
    whole: &Read,
    number: u64,
    folder: Option<&str>,
) -> Result<serde_json::Value, Box<dyn Error>> {
    let mutant = mutant(seed, number);
    if let Some(folder) = folder {
        fs::write(Path::new(folder).join(format!("{number}.{}", seed.extension)), &mutant.bytes)?;
    }
    let begun = Instant::now();
    let (word, text) = verdict(mutant.bytes, whole);
    Ok(json!({
        "number": number,
        "seed": seed.name,
        "changes": mutant.changes,
        "touched": mutant.touched,
        "speaks_otherwise": mutant.speaks_otherwise,
        "verdict": word,
        "text": text,
        "seconds": begun.elapsed().as_secs_f64(),
    }))
}

fn main() -> Result<(), Box<dyn Error>> {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    let [first, count, rest @ ..] = &arguments[..] else { return Err("mutants FIRST COUNT [FOLDER]".into()) };
    let (first, count): (u64, u64) = (first.parse()?, count.parse()?);
    let folder = rest.first().map(String::as_str);
    let mut out = std::io::stdout().lock();
    let seeds = seeds();
    if count == 0 {
        for (index, seed) in seeds.iter().enumerate() {
            fs::write(
                Path::new(folder.unwrap_or(".")).join(format!("seed-{index}.{}", seed.extension)),
                &seed.bytes,
            )?;
        }
        return Ok(());
    }
    // A panic is a line and no page.
    std::panic::set_hook(Box::new(|panic| drop(writeln!(std::io::stderr(), "{panic}"))));
    watch();
    let whole: Vec<Read> = seeds.iter().map(|seed| read(seed.bytes.clone())).collect::<Result<_, _>>()?;
    if let Some((seed, _)) = seeds.iter().zip(&whole).find(|(_, read)| !read.said.is_empty()) {
        return Err(format!("{} has a fault before it is changed", seed.name).into());
    }
    for number in first..first + count {
        NOW.store(number + 1, Ordering::Relaxed);
        let at = number as usize % seeds.len();
        writeln!(out, "{}", say(&seeds[at], &whole[at], number, folder)?)?;
    }
    writeln!(out, "{}", json!({ "peak_kb": peak_kb() }))?;
    Ok(())
}
