//! A file that is written over while it is surveyed: what was read may be the half of one file and the half of another, and
//! nothing is prepared of it.

use std::fs::{self, OpenOptions};
use std::io::{Seek, SeekFrom, Write};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

use loadin_audio::signal;
use loadin_pipeline::run;
use loadin_pipeline::work::context::Context;
use loadin_pipeline::work::event::Event;
use loadin_pipeline::work::stop::Stop;
use loadin_plan::recipe::{Recipe, find_shipped};
use loadin_tests::Delivery;

#[test]
fn what_was_written_to_while_it_was_read_is_no_stem() {
    let recipe = Recipe::parse(find_shipped("mix-prep").unwrap().text).unwrap();
    for (touched, place) in [(false, 0), (true, 100), (true, 5_000_000)] {
        let delivery = Delivery::new("song");
        let channels = [signal::noise(1, 0.2, 48_000 * 20), signal::noise(2, 0.2, 48_000 * 20)];
        let path = delivery.wav("Pad.wav", 48_000, 24, &channels);
        delivery.wav("Kick.wav", 48_000, 24, &[signal::noise(3, 0.3, 48_000)]);
        // Somebody writes a few bytes, before or behind what is read by then; size and name stay.
        let done = AtomicBool::new(!touched);
        let listener = move |event: Event<'_>| {
            if matches!(event, Event::Advanced { path: "Pad.wav", .. }) && !done.swap(true, Ordering::SeqCst)
            {
                let mut file = OpenOptions::new().write(true).open(&path).unwrap();
                file.seek(SeekFrom::Start(place)).unwrap();
                file.write_all(&[1; 6]).unwrap();
            }
        };
        let work = Context::new(Stop::new(), Arc::new(listener));
        let study = run::study(&delivery.path(), &recipe, &work, None).unwrap();
        let of = |path: &str| study.surveys.iter().find(|survey| survey.path == path).unwrap();
        assert!(of("Kick.wav").measures.is_ok());
        let said = of("Pad.wav").measures.as_ref().map(drop).map_err(|failure| failure.text.clone());
        match said {
            Ok(()) => assert!(!touched, "written to at {place}"),
            Err(text) => assert!(touched && text.contains("somebody wrote to it"), "{text}"),
        }
        assert!(fs::metadata(delivery.path().join("Pad.wav")).is_ok());
    }
}
