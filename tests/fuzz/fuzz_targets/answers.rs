//! Answers: whatever the text, there are answers that can be asked or mistakes that can be printed.
#![no_main]

use loadin_plan::answers::Answers;

libfuzzer_sys::fuzz_target!(|text: &str| {
    match Answers::parse(text, "answers.toml") {
        Err(mistakes) => assert!(!mistakes.to_string().is_empty()),
        Ok(answers) => {
            let paths = ["Kick.wav", "Drums/Snare [1].wav", "Voc\\xff.wav"];
            // Who is spoken of, and whether there is such a stem.
            if let Err(mistakes) = answers.check(&paths) {
                assert!(!mistakes.in_file(&answers.file).to_string().is_empty());
            }
            for path in paths {
                let _ = (answers.of(path), answers.leaves_out(path), answers.said_as(path));
            }
            assert_eq!(
                Answers::parse(&answers.text, "answers.toml").ok().map(|a| a.sha256()),
                Some(answers.sha256())
            );
        }
    }
});
