//! What a user says after a preparation: what changes an output is refused with the list, and made by `--renew`; what changes
//! facts and questions takes effect at once; and nobody else's output changes by a byte.

use std::fs;

use loadin_tests::Delivery;
use serde_json::json;

use super::{HZ, Left, answers, band, noise, open, outputs, prep, verify, visit};
use crate::job::{Files, assert_same_files, loadin, tree};

/// All outputs but those of the stems at these paths, which changed.
fn others(left: &Left, changed: &[&str]) -> Files {
    let mut files = left.audio();
    for path in changed {
        if let Some(output) = left.stem(path)["output"]["path"].as_str() {
            files.remove(output.trim_start_matches("audio/"));
        }
    }
    files
}

fn only_outputs(files: Files, of: &Files) -> Files {
    files.into_iter().filter(|(name, _)| of.contains_key(name)).collect()
}

#[test]
fn a_role_is_corrected_by_renewing_its_stem_alone() {
    let delivery = band();
    let before = prep(&delivery, "out", &[]);
    let (whole, was) = (outputs(&before.out), before.output("Audio 07.wav").0);
    let audio = before.audio();
    let said = "[[stem]]\nstem = \"Audio 07.wav\"\nrole = \"snare\"\nlabel = \"Snare Top\"";
    let file = answers(&delivery, said);
    let refused = visit(&delivery, "out", &["--answers", &file]);
    assert_eq!(refused.ran.code, 2, "{}{}", refused.ran.out, refused.ran.err);
    for word in ["Audio 07.wav", "group unsorted → drums", "Snare Top", "--renew", "nothing was written"] {
        assert!(refused.ran.err.contains(word), "{word}: {}", refused.ran.err);
    }
    assert!(!refused.ran.err.contains("Thing.wav"), "{}", refused.ran.err);
    assert_same_files(&outputs(&refused.out), &whole, "after a refusal");
    let after = prep(&delivery, "out", &["--answers", &file, "--renew", "Audio 07.wav"]);
    let stem = after.stem("Audio 07.wav");
    assert_eq!((&stem["identity"]["role"], &stem["group"]), (&json!("snare"), &json!("drums")));
    let is = after.output("Audio 07.wav").0;
    let number = |name: &str| name.trim_start_matches("audio/").chars().take(2).collect::<String>();
    assert_eq!(number(&is), number(&was), "its number stays");
    assert!(is.ends_with("_Snare_Top.wav"), "{is}");
    let rest = others(&after, &["Audio 07.wav"]);
    assert_same_files(&rest, &only_outputs(audio, &rest), "of the others");
    assert_eq!(after.manifest["link"]["gains"], before.manifest["link"]["gains"], "nobody's gain is touched");
    assert!(!after.out.join(&was).exists() && tree(&after.out.join("set-aside")).len() == 1);
    verify(&delivery, &after.out);
    let again = prep(&delivery, "out", &[]);
    assert_same_files(&outputs(&again.out), &outputs(&after.out), "at a visit that says nothing");
}

#[test]
fn one_of_two_duplicates_is_left_out() {
    let delivery = band();
    let before = prep(&delivery, "out", &[]);
    let audio = before.audio();
    let asked = ["Piano.wav", "Piano again.wav"]
        .into_iter()
        .find(|path| before.open(path).contains(&"duplicate".to_owned()));
    let asked = asked.expect("one of the two is asked about");
    // The one that is left out is the other one: the question is over all the same.
    let out = if asked == "Piano.wav" { "Piano again.wav" } else { "Piano.wav" };
    let file = answers(&delivery, &format!("[[stem]]\nstem = \"{out}\"\nleave-out = true"));
    let after = prep(&delivery, "out", &["--answers", &file]);
    assert_eq!(after.stem(out)["output"], json!(null));
    assert!(!after.open(asked).contains(&"duplicate".to_owned()));
    assert!(!after.paper("client-note.md").contains("Piano"), "{}", after.paper("client-note.md"));
    let rest = others(&after, &[]);
    assert_same_files(&rest, &only_outputs(audio.clone(), &rest), "of the others");
    verify(&delivery, &after.out);
}

/// The client sorts the files after they were spoken of, twice: what was said of a stem follows its file, and is known in the
/// next answers by the old path.
#[test]
fn what_is_said_of_a_stem_follows_its_file() {
    let delivery = band();
    let table = |path: &str, line: &str| format!("[[stem]]\nstem = \"{path}\"\n{line}\n");
    let said = table("Piano.wav", "leave-out = true") + &table("Audio 07.wav", "label = \"Snare Top\"");
    let file = answers(&delivery, &said);
    let before = prep(&delivery, "out", &["--answers", &file]);
    let audio = before.audio();
    for (round, folder) in [(1, "Sorted"), (2, "Sorted again")] {
        fs::create_dir_all(delivery.path().join(folder)).unwrap();
        let old = if round == 1 { delivery.path() } else { delivery.path().join("Sorted") };
        for name in ["Piano.wav", "Audio 07.wav", "Kick.wav"] {
            fs::rename(old.join(name), delivery.path().join(folder).join(name)).unwrap();
        }
        let after = prep(&delivery, "out", &[]);
        assert_same_files(&after.audio(), &audio, "of a delivery whose files were sorted");
        let (left_out, named) =
            (after.stem(&format!("{folder}/Piano.wav")), after.stem(&format!("{folder}/Audio 07.wav")));
        assert_eq!(
            (&left_out["output"], &left_out["said_as"]),
            (&json!(null), &json!("Piano.wav")),
            "{round}"
        );
        assert_eq!(named["said_as"], json!("Audio 07.wav"), "{round}");
        assert_eq!(
            after.stem(&format!("{folder}/Kick.wav"))["said_as"],
            json!(null),
            "nothing is said of it"
        );
        verify(&delivery, &after.out);
    }
    // By the old paths, and one by the path of now: nothing that was prepared would change.
    for (path, title) in [("Audio 07.wav", "One"), ("Sorted again/Audio 07.wav", "Two")] {
        let said = table("Piano.wav", "leave-out = true") + &table(path, "label = \"Snare Top\"");
        let file = answers(&delivery, &format!("[song]\ntitle = \"{title}\"\n{said}"));
        let again = prep(&delivery, "out", &["--answers", &file]);
        assert_eq!(again.fact("title"), &json!(title));
        assert_same_files(&again.audio(), &audio, "by other paths");
        verify(&delivery, &again.out);
    }
    // A new file at the old path is the one that has it.
    delivery.wav("Piano.wav", HZ, 24, &[noise(77, 2.0)]);
    let after = prep(&delivery, "out", &[]);
    assert_eq!(after.stem("Piano.wav")["output"], json!(null));
    assert_ne!(after.stem("Sorted again/Piano.wav")["output"], json!(null), "nothing is said of it now");
    verify(&delivery, &after.out);
}

/// Two files whose names differ in case alone: a path means one of them.
#[test]
fn a_path_in_answers_is_one_file_byte_for_byte() {
    let delivery = band();
    delivery.wav("KICK.WAV", HZ, 24, &[noise(78, 2.0)]);
    if fs::read(delivery.path().join("Kick.wav")).unwrap()
        == fs::read(delivery.path().join("KICK.WAV")).unwrap()
    {
        return; // This disk does not tell the two apart.
    }
    let file = answers(&delivery, "[[stem]]\nstem = \"KICK.WAV\"\nleave-out = true");
    let left = prep(&delivery, "out", &["--answers", &file]);
    assert_eq!(left.stem("KICK.WAV")["output"], json!(null));
    assert_ne!(left.stem("Kick.wav")["output"], json!(null));
    let file = answers(&delivery, "[[stem]]\nstem = \"kick.wav\"\nleave-out = true");
    let refused = visit(&delivery, "out", &["--answers", &file]);
    assert_eq!(refused.ran.code, 2, "{}", refused.ran.out);
    assert!(refused.ran.err.contains("Kick.wav"), "the nearest is named: {}", refused.ran.err);
}

/// Left out by the engineer is no failure: without the silent stem the run ends with 0.
#[test]
fn what_is_left_out_by_answers_is_no_failure() {
    let delivery = band();
    let file = answers(&delivery, "[[stem]]\nstem = \"Empty.wav\"\nleave-out = true");
    let left = prep(&delivery, "out", &["--answers", &file]);
    assert_eq!(left.ran.code, 0, "{}", left.ran.out);
    let plan = loadin(&["plan", delivery.path().to_str().unwrap(), "--answers", &file, "--progress", "none"]);
    assert_eq!(plan.code, 0, "{}", plan.out);
}

#[test]
fn another_rough_mix_is_chosen() {
    let delivery = Delivery::new("mixes");
    let (kick, bass) = (noise(1, 6.0), noise(2, 6.0));
    let sum = |a: f64, b: f64| kick.iter().zip(&bass).map(|(x, y)| a * x + b * y).collect::<Vec<f64>>();
    delivery.wav("Kick.wav", HZ, 24, std::slice::from_ref(&kick));
    delivery.wav("Bass.wav", HZ, 24, std::slice::from_ref(&bass));
    delivery.wav("Rough Mix v2.wav", HZ, 24, &[sum(1.0, 0.0)]);
    delivery.wav("Rough Mix v3.wav", HZ, 24, &[sum(1.0, 1.0)]);
    let before = prep(&delivery, "out", &[]);
    let audio = before.audio();
    assert_eq!(before.manifest["rough_mix"]["path"], "Rough Mix v2.wav");
    let file = answers(
        &delivery,
        "[[stem]]\nstem = \"Rough Mix v3.wav\"\nreference = true\nnewer-of = \"Rough Mix v2.wav\"",
    );
    let after = prep(&delivery, "out", &["--answers", &file]);
    assert_eq!(after.manifest["rough_mix"]["path"], "Rough Mix v3.wav");
    let rest = others(&after, &[]);
    assert_same_files(&rest, &only_outputs(audio.clone(), &rest), "of the others");
    verify(&delivery, &after.out);
}

#[test]
fn a_dead_channel_is_answered() {
    let delivery = Delivery::new("dead");
    delivery.wav("Kick.wav", HZ, 24, &[noise(1, 1.0)]);
    delivery.wav("Gtr.wav", HZ, 24, &[noise(2, 1.0), vec![0.0; HZ as usize]]);
    let before = prep(&delivery, "out", &[]);
    let audio = before.audio();
    assert!(before.paper("client-note.md").contains("Gtr.wav"));
    let file = answers(
        &delivery,
        "[[finding]]\nfinding = \"dead-channel\"\nstem = \"Gtr.wav\"\nanswer = \"one microphone\"\naccept = true",
    );
    let after = prep(&delivery, "out", &["--answers", &file]);
    assert_eq!(after.ran.code, 0);
    assert_eq!(after.paper("client-note.md"), "");
    assert!(after.paper("report.html").contains("Nothing needs a person."));
    assert!(after.paper("report.html").contains("1 answered question"));
    assert_same_files(&after.audio(), &audio.clone(), "by an answer");
    verify(&delivery, &after.out);
}

/// Facts, by `report` without the delivery: record, page, `session.mid` follow, and no output.
#[test]
fn facts_and_sections_take_effect_at_once_without_audio() {
    let delivery = band();
    let before = prep(&delivery, "out", &[]);
    let audio = before.audio();
    let text = "[song]\ntempo = 240\nkey = \"Em\"\n[[section]]\nname = \"opening\"\nat = \"bar 1\"\n[[section]]\nname = \"rest\"\nat = \"bar 2\"\n\
                [[stem]]\nstem = \"Kick.wav\"\npart = \"in\"\n[[finding]]\nfinding = \"silent\"\nstem = \"Empty.wav\"\nanswer = \"leave it\"";
    let file = answers(&delivery, text);
    let hidden = delivery.out("elsewhere");
    fs::rename(delivery.path(), &hidden).unwrap();
    let ran = loadin(&["report", before.out.to_str().unwrap(), "--answers", &file]);
    assert_eq!(ran.code, 0, "{}", ran.err);
    let manifest = fs::read_to_string(before.out.join("manifest.json")).unwrap();
    let after = Left { ran, manifest: serde_json::from_str(&manifest).unwrap(), out: before.out.clone() };
    assert_eq!((after.fact("tempo_bpm"), after.fact("key")), (&json!(240.0), &json!("E minor")));
    assert_eq!(after.fact("markers")[1], json!({ "seconds": 1.0, "name": "rest" }));
    assert!(after.paper("session.mid").contains("opening") && after.paper("report.html").contains("opening"));
    assert!(!after.paper("client-note.md").contains("Empty.wav"));
    assert!(after.paper("track-sheet.csv").contains("part: in"));
    assert_eq!(after.stem("Kick.wav")["identity"]["part"], "in");
    assert_same_files(&after.audio(), &audio.clone(), "by facts");
    fs::rename(hidden, delivery.path()).unwrap();
    // A visit with the same answers, and one that does not name them, find nothing to do.
    let again = prep(&delivery, "out", &["--answers", &file]);
    let facts = |left: &Left| left.manifest["facts"].clone();
    assert_eq!(facts(&again), facts(&after));
    assert_same_files(&again.audio(), &audio.clone(), "at the next visit");
    verify(&delivery, &again.out);
    // What would change an output is refused there too.
    let file = answers(&delivery, &format!("{text}\n[[stem]]\nstem = \"Thing.wav\"\nrole = \"pad\""));
    let ran = loadin(&["report", before.out.to_str().unwrap(), "--answers", &file]);
    assert_eq!(ran.code, 2, "{}", ran.out);
    assert!(ran.err.contains("group unsorted → synths"), "{}", ran.err);
    // And what was taken back needs the delivery.
    let file = answers(&delivery, "");
    let ran = loadin(&["report", before.out.to_str().unwrap(), "--answers", &file]);
    assert_eq!(ran.code, 2, "{}", ran.out);
    let back = prep(&delivery, "out", &["--answers", &file]);
    assert_eq!((back.fact("tempo_bpm"), back.fact("key")), (&json!(100.0), &json!("C major")));
    assert_same_files(&back.audio(), &audio.clone(), "when all is taken back");
}

#[test]
fn three_answers_files_in_succession() {
    let delivery = band();
    let first = answers(&delivery, "[song]\ntempo = 92");
    let one = prep(&delivery, "out", &["--answers", &first]);
    let audio = one.audio();
    let second = answers(
        &delivery,
        "[song]\ntempo = 92\nkey = \"G major\"\n[[finding]]\nfinding = \"silent\"\nstem = \"Empty.wav\"\nanswer = \"meant\"\naccept = true",
    );
    let two = prep(&delivery, "out", &["--answers", &second]);
    assert_eq!((one.ran.code, two.ran.code), (1, 0), "{}", two.ran.out);
    assert_same_files(&two.audio(), &audio.clone(), "by the second");
    let third =
        answers(&delivery, "[song]\nkey = \"G major\"\n[[stem]]\nstem = \"Thing.wav\"\nlabel = \"Shaker\"");
    assert_eq!(visit(&delivery, "out", &["--answers", &third]).ran.code, 2);
    let three = prep(&delivery, "out", &["--answers", &third, "--renew", "Thing.wav"]);
    assert_eq!(
        (three.ran.code, three.fact("tempo_bpm"), three.fact("key")),
        (1, &json!(100.0), &json!("G major"))
    );
    assert_eq!(three.open("Empty.wav"), ["silent"], "an answer that is taken back is a question again");
    assert!(three.output("Thing.wav").0.ends_with("_Shaker.wav"));
    let rest = others(&three, &["Thing.wav"]);
    assert_same_files(&rest, &only_outputs(audio.clone(), &rest), "of the others");
    verify(&delivery, &three.out);
    // The file in the folder may be edited and given again.
    let own = three.out.join("answers.toml");
    let edited = fs::read_to_string(&own).unwrap().replace("G major", "A major");
    fs::write(&own, edited).unwrap();
    let four = prep(&delivery, "out", &["--answers", own.to_str().unwrap()]);
    assert_eq!(four.fact("key"), &json!("A major"));
    verify(&delivery, &four.out);
}

/// A file that goes takes its answer with it, and is no mistake of the file that is bound; one that comes gets what is said of it.
#[test]
fn answers_hold_for_files_that_come_and_go() {
    let delivery = band();
    let file = answers(
        &delivery,
        "[[stem]]\nstem = \"*.wav\"\ntake = 2\n[[stem]]\nstem = \"Thing.wav\"\npart = \"low\"",
    );
    prep(&delivery, "out", &["--answers", &file]);
    fs::rename(delivery.path().join("Thing.wav"), delivery.path().join("Thing moved.wav")).unwrap();
    delivery.wav("Late.wav", HZ, 24, &[noise(77, 2.0)]);
    let after = prep(&delivery, "out", &[]);
    assert_eq!(after.stem("Late.wav")["identity"]["take"], 2);
    assert_eq!(after.stem("Thing moved.wav")["identity"]["part"], "low", "it is the same stem");
    verify(&delivery, &after.out);
}

/// What was edited or damaged in the folder is found.
#[test]
fn verify_reads_the_answers() {
    let delivery = band();
    let file = answers(&delivery, "[song]\ntempo = 92");
    let left = prep(&delivery, "out", &["--answers", &file]);
    let own = left.out.join("answers.toml");
    fs::write(&own, "answers = 1\n").unwrap();
    let ran = loadin(&["verify", left.out.to_str().unwrap(), "--progress", "none"]);
    assert_eq!(ran.code, 4);
    assert!(ran.out.contains("answers.toml") || ran.err.contains("answers.toml"), "{}{}", ran.out, ran.err);
    // A visit that names none goes on with those that are bound.
    let again = prep(&delivery, "out", &[]);
    assert_eq!(again.fact("tempo_bpm"), &json!(92.0));
    assert_eq!(open(&again.manifest["findings"]).len(), open(&left.manifest["findings"]).len());
}
