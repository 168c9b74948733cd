//! What listening costs beside all the rest of a run, on one thread: siblings, places, missing stems, tempo, sections, key
//! and proposals of a song with a rough mix. `cargo bench -p loadin-benches --bench estimates`.

use std::path::Path;
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};

use loadin_audio::{Block, Sketcher};
use loadin_benches::{SONG, is_asked, prepare, write_song};
use loadin_pipeline::work::event::{Event, Step};
use loadin_plan::recipe::Recipe;

const RATE_HZ: u32 = 48_000;
const SECONDS: usize = 180;
const TURNS: usize = 5;

/// When the last survey ended, and when the first render began.
#[derive(Default)]
struct Times {
    surveyed: Option<Instant>,
    rendering: Option<Instant>,
}

/// Seconds of a whole run, and of what it does between survey and render: all comparisons, and the plan.
fn run(delivery: &Path, out: &Path, recipe: &Recipe) -> (f64, f64) {
    let times = Arc::new(Mutex::new(Times::default()));
    let heard = Arc::clone(&times);
    let listen = move |event: Event<'_>| {
        let mut times = heard.lock().expect("nobody panics with it");
        match event {
            Event::Ended { step: Step::Survey, .. } => times.surveyed = Some(Instant::now()),
            Event::Step { step: Step::Render, .. } => times.rendering = Some(Instant::now()),
            _ => {}
        }
    };
    let start = Instant::now();
    prepare(delivery, out, recipe, listen);
    let whole = start.elapsed();
    let times = times.lock().expect("nobody panics with it");
    let between = times.rendering.zip(times.surveyed).map_or(Duration::ZERO, |(to, from)| to - from);
    (whole.as_secs_f64(), between.as_secs_f64())
}

/// Seconds that drawing the sketches takes in the survey.
fn sketching() -> f64 {
    let second = Block::from_channels(vec![vec![0.1; RATE_HZ as usize]; 2]);
    let start = Instant::now();
    for _ in 0..=SONG.len() {
        let mut sketcher = Sketcher::new(RATE_HZ, RATE_HZ);
        for _ in 0..SECONDS {
            sketcher.push(&second);
        }
        std::hint::black_box(sketcher.finish());
    }
    start.elapsed().as_secs_f64()
}

#[expect(clippy::print_stdout, reason = "a bench prints its figures")]
fn main() {
    if !is_asked() {
        return;
    }
    let folder = tempfile::tempdir().expect("a folder");
    let delivery = folder.path().join("delivery");
    std::fs::create_dir(&delivery).expect("a folder");
    write_song(&delivery, RATE_HZ, SECONDS).expect("a song");
    let text = loadin_plan::recipe::find_shipped("mix-prep").expect("the default recipe").text;
    let recipe = Recipe::parse(text).expect("a sound recipe");
    let pool = rayon::ThreadPoolBuilder::new().num_threads(1).build().expect("one thread");
    let mut ratios: Vec<f64> = (0..TURNS)
        .map(|_| {
            let out = tempfile::tempdir_in(folder.path()).expect("a folder");
            let (whole, between) = pool.install(|| run(&delivery, out.path(), &recipe));
            let listening = between + sketching();
            println!("{whole:.2} s in all, {between:.2} s between survey and render, {listening:.2} s with sketches");
            listening / (whole - listening)
        })
        .collect();
    ratios.sort_by(f64::total_cmp);
    println!(
        "{} stems and a rough mix of {SECONDS} s: listening takes {:.2} of the time of all the rest ({:.2} to {:.2})",
        SONG.len(),
        ratios[TURNS / 2],
        ratios[0],
        ratios[TURNS - 1]
    );
}
