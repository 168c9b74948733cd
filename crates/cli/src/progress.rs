//! Turns events into bars, lines or JSON on stderr. Knows nothing of the work that they come from.

use std::collections::BTreeMap;
use std::io::Write;
use std::sync::Mutex;

use indicatif::{MultiProgress, ProgressBar, ProgressDrawTarget, ProgressStyle};
use loadin_pipeline::work::event::{Event, Step};
use serde_json::json;

use crate::args::Progress;
use crate::plain::{count, printable, printable_json};

/// Shows what a run tells. Can be used from several threads.
pub(crate) struct Reporter {
    mode: Mode,
    notes: Mutex<Vec<Note>>,
}

/// A sentence about an output folder, for the screen of the result.
pub(crate) struct Note {
    pub(crate) text: String,
    /// Whether anything is otherwise than at the last visit.
    pub(crate) news: bool,
}

enum Mode {
    Silent,
    Lines,
    Json,
    Bars(Bars),
}

/// One bar for the step, and one for every stem that is being worked on.
struct Bars {
    all: MultiProgress,
    step: Mutex<Option<ProgressBar>>,
    stems: Mutex<BTreeMap<String, ProgressBar>>,
}

impl Reporter {
    pub(crate) fn new(wanted: Progress, terminal: bool) -> Self {
        let mode = match wanted {
            Progress::None => Mode::Silent,
            Progress::Json => Mode::Json,
            Progress::Auto if terminal => Mode::Bars(Bars::new()),
            Progress::Bar => Mode::Bars(Bars::new()),
            Progress::Lines | Progress::Auto => Mode::Lines,
        };
        Self { mode, notes: Mutex::default() }
    }

    /// Takes one event.
    pub(crate) fn show(&self, event: &Event<'_>) {
        if let Event::Noted { text, news } = event {
            lock(&self.notes).push(Note { text: (*text).to_owned(), news: *news });
        }
        match &self.mode {
            Mode::Silent => {}
            Mode::Lines => line(event),
            Mode::Json => json_line(event),
            Mode::Bars(bars) => bars.show(event),
        }
    }

    /// What was noted since this was asked last.
    pub(crate) fn take_notes(&self) -> Vec<Note> {
        std::mem::take(&mut lock(&self.notes))
    }

    /// Takes what is left off the screen.
    pub(crate) fn close(&self) {
        if let Mode::Bars(bars) = &self.mode {
            bars.end_step();
        }
    }
}

/// Progress is a courtesy: when stderr is gone, the work goes on.
fn print(text: &str) {
    let _ = writeln!(std::io::stderr().lock(), "{}", printable(text));
}

fn scanned(delivery: &str, files: usize) -> String {
    printable(&format!("{delivery}: {}", count(files, "audio file", "audio files")))
}

fn line(event: &Event<'_>) {
    match event {
        Event::Scanned { delivery, files } => print(&scanned(delivery, *files)),
        Event::Ended { step, path, error: None } => print(&format!("{}: {path}", step.as_str())),
        Event::Ended { step, path, error: Some(error) } => {
            print(&format!("{}: {path}: {error}", step.as_str()));
        }
        Event::Reused { step, path } => print(&format!("{}: {path}: done before", step.as_str())),
        // What is noted stands on the screen of the result.
        Event::Noted { .. } | Event::Step { .. } | Event::Started { .. } | Event::Advanced { .. } => {}
    }
}

fn json_line(event: &Event<'_>) {
    let value = match event {
        Event::Scanned { delivery, files } => {
            json!({ "event": "scanned", "delivery": delivery, "files": files })
        }
        Event::Noted { text, news } => json!({ "event": "noted", "text": text, "news": news }),
        Event::Step { step, stems } => json!({ "event": "step", "step": step.as_str(), "stems": stems }),
        Event::Started { step, path, frames } => {
            json!({ "event": "started", "step": step.as_str(), "path": path, "frames": frames })
        }
        Event::Advanced { .. } => return,
        Event::Reused { step, path } => {
            json!({ "event": "reused", "step": step.as_str(), "path": path })
        }
        Event::Ended { step, path, error } => {
            json!({ "event": "ended", "step": step.as_str(), "path": path, "error": error })
        }
    };
    let _ = writeln!(std::io::stderr().lock(), "{}", printable_json(&value.to_string()));
}

impl Bars {
    fn new() -> Self {
        let all = MultiProgress::with_draw_target(ProgressDrawTarget::stderr_with_hz(8));
        Self { all, step: Mutex::new(None), stems: Mutex::new(BTreeMap::new()) }
    }

    fn show(&self, event: &Event<'_>) {
        match event {
            Event::Scanned { delivery, files } => {
                let _ = self.all.println(scanned(delivery, *files));
            }
            Event::Noted { .. } => {}
            Event::Step { step, stems } => self.begin_step(*step, *stems),
            Event::Started { path, frames, .. } => self.begin_stem(path, *frames),
            Event::Advanced { path, frames, .. } => {
                if let Some(bar) = lock(&self.stems).get(*path) {
                    bar.set_position(*frames);
                }
            }
            Event::Reused { path, .. } => self.end_stem(path, None),
            Event::Ended { path, error, .. } => self.end_stem(path, *error),
        }
    }

    fn begin_step(&self, step: Step, stems: usize) {
        self.end_step();
        let style = ProgressStyle::with_template("{msg:8} {bar:30} {pos} of {len}, {elapsed}").ok();
        let bar = self.all.add(ProgressBar::new(stems as u64).with_message(step.as_str()));
        if let Some(style) = style {
            bar.set_style(style);
        }
        bar.tick();
        *lock(&self.step) = Some(bar);
    }

    fn end_step(&self) {
        for bar in std::mem::take(&mut *lock(&self.stems)).into_values() {
            bar.finish_and_clear();
        }
        if let Some(bar) = lock(&self.step).take() {
            bar.finish_and_clear();
        }
    }

    fn begin_stem(&self, path: &str, frames: u64) {
        let bar = self.all.add(ProgressBar::new(frames.max(1)).with_message(printable(path)));
        if let Ok(style) = ProgressStyle::with_template("         {bar:30} {percent:>3} % {wide_msg}") {
            bar.set_style(style);
        }
        lock(&self.stems).insert(path.to_owned(), bar);
    }

    fn end_stem(&self, path: &str, error: Option<&str>) {
        if let Some(bar) = lock(&self.stems).remove(path) {
            bar.finish_and_clear();
            self.all.remove(&bar);
        }
        if let Some(error) = error {
            let _ = self.all.println(printable(&format!("{path}: {error}")));
        }
        if let Some(step) = &*lock(&self.step) {
            step.inc(1);
        }
    }
}

/// A thread that panicked while it drew has left nothing that could be wrong.
fn lock<T>(mutex: &Mutex<T>) -> std::sync::MutexGuard<'_, T> {
    mutex.lock().unwrap_or_else(std::sync::PoisonError::into_inner)
}
