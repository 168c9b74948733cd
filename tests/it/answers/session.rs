//! A whole session as a new user has it: a delivery with ten problems, a file to begin with, two edits, and one run that leaves
//! nothing open. And a client's reply, which is read and decides nothing.

use std::fs;

use loadin_audio::signal;
use loadin_tests::Delivery;

use super::{HZ, band, noise, open, prep, verify};
use crate::job::loadin;

/// Ten problems: silent, half dead, doubled, clipped, upside down, two stems without a role, and three facts that are stated
/// differently.
fn ten_problems() -> Delivery {
    let delivery = Delivery::new("Ten");
    let mono = |name: &str, seed: u64| drop(delivery.wav(name, HZ, 24, &[noise(seed, 2.0)]));
    mono("Kick.wav", 1);
    mono("Bass.wav", 2);
    mono("Audio 07.wav", 3);
    mono("Audio 08.wav", 4);
    mono("Piano.wav", 5);
    mono("Piano again.wav", 5);
    delivery.wav("Empty.wav", HZ, 24, &[vec![0.0; 2 * HZ as usize]]);
    delivery.wav("Gtr.wav", HZ, 24, &[noise(6, 2.0), vec![0.0; 2 * HZ as usize]]);
    let hot: Vec<f64> =
        signal::sine(220.0, 4.0, HZ, 2 * HZ as usize).iter().map(|x| x.clamp(-1.0, 1.0)).collect();
    delivery.wav("Vox.wav", HZ, 24, &[hot]);
    let pad = noise(7, 2.0);
    delivery.wav("Pad.wav", HZ, 24, &[pad.clone(), pad.iter().map(|x| -x).collect()]);
    delivery.file("one.txt", b"Tempo: 100 bpm\nKey: C major\nTitle: North\n");
    delivery.file("two.txt", b"Tempo: 120 bpm\nKey: D minor\nTitle: South\n");
    delivery
}

/// Takes the comment signs away from the tables that begin with `heading`, and fills in what is empty.
fn fill_in(text: &str, heading: &str, key: &str, value: &str) -> String {
    let mut inside = false;
    let mut lines: Vec<String> = Vec::new();
    for line in text.lines() {
        let bare = line.strip_prefix("# ").unwrap_or(line);
        // A table goes on as long as there are keys.
        inside = bare == heading || (inside && bare.contains(" = "));
        let filled = bare.replace(&format!("{key} = \"\""), &format!("{key} = \"{value}\""));
        lines.push(if inside { filled } else { line.to_owned() });
    }
    lines.join("\n") + "\n"
}

#[test]
fn a_new_user_ends_ten_problems_with_two_edits_and_one_run() {
    let delivery = ten_problems();
    let path = delivery.path();
    let path = path.to_str().unwrap();
    let first = prep(&delivery, "first", &[]);
    assert_eq!(first.ran.code, 1);
    let stems = first.manifest["stems"].as_array().unwrap();
    let matters = |finding: &&serde_json::Value| finding["severity"] != "note";
    let findings = stems.iter().flat_map(|stem| stem["findings"].as_array().unwrap());
    let of_delivery = first.manifest["findings"].as_array().unwrap();
    let unsorted = stems.iter().filter(|stem| stem["group"] == "unsorted" && stem["error"].is_null()).count();
    let problems = findings.chain(of_delivery).filter(matters).count() + unsorted;
    assert!(problems >= 10, "{problems}");

    // loadin answers Ten > song.toml
    let begun = loadin(&["answers", path, "--progress", "none"]);
    assert_eq!(begun.code, 0, "{}", begun.err);
    let file = delivery.out("song.toml");
    fs::write(&file, &begun.out).unwrap();
    let name = file.to_str().unwrap();
    let plan = loadin(&["plan", path, "--answers", name, "--progress", "none"]);
    assert_eq!(plan.code, 1, "as it is printed, it says nothing: {}", plan.err);
    let order = |id: &str| begun.out.find(&format!("finding = \"{id}\"")).unwrap_or(usize::MAX);
    assert!(order("silent") < begun.out.find("role = \"").unwrap(), "the urgent comes first:\n{}", begun.out);

    // The first edit: the questions. The second: who is who.
    let edited = fill_in(&begun.out, "[[finding]]", "answer", "I have looked at it");
    let edited = fill_in(&edited, "[[stem]]", "role", "percussion");
    let edited = edited.replace("leave-out = true\n", "# leave-out = true\n");
    fs::write(&file, without_empty_stems(&edited)).unwrap();

    // loadin prep Ten --out out --answers song.toml
    let left = prep(&delivery, "out", &["--answers", name]);
    assert_eq!(left.ran.code, 0, "{}{}", left.ran.out, left.ran.err);
    for stem in left.manifest["stems"].as_array().unwrap() {
        let open = open(&stem["findings"]);
        let attention: Vec<&String> = open.iter().filter(|id| id.as_str() != "sounds-like").collect();
        assert!(attention.iter().all(|id| is_note(id)), "{}: {open:?}", stem["source"]["path"]);
        assert!(stem["group"] != "unsorted" || stem["output"].is_null(), "{}", stem["source"]["path"]);
    }
    assert!(!left.out.join("client-note.md").exists());
    assert!(left.paper("report.html").contains("Nothing needs a person."));
    verify(&delivery, &left.out);

    // Printed again, the file is what was said, and nothing is added.
    let again = loadin(&["answers", left.out.to_str().unwrap()]);
    assert!(again.out.starts_with(&fs::read_to_string(&file).unwrap()), "{}", again.out);
    let added = &again.out[fs::read_to_string(&file).unwrap().len()..];
    assert!(!added.contains("[[finding]]"), "{added}");
}

/// Whether a finding is a mere note, which asks for nothing.
fn is_note(id: &str) -> bool {
    matches!(
        id,
        "dual-mono"
            | "dc-doubt"
            | "gain-by-one"
            | "side-pair"
            | "mixed-lengths"
            | "near-mono"
            | "layout-kept"
    )
}

/// A `[[stem]]` table that only proposed to leave something out stays a comment.
fn without_empty_stems(text: &str) -> String {
    let lines: Vec<&str> = text.lines().collect();
    let mut kept: Vec<String> = Vec::new();
    for (at, line) in lines.iter().enumerate() {
        let proposes = |from: usize| lines.get(from).is_some_and(|line| line.starts_with("# leave-out"));
        let of_it =
            *line == "[[stem]]" && proposes(at + 2) || line.starts_with("stem = ") && proposes(at + 1);
        kept.push(if of_it { format!("# {line}") } else { (*line).to_owned() });
    }
    kept.join("\n") + "\n"
}

/// The numbers of the note lead an answer to its question, also when others have been answered since.
#[test]
fn a_reply_is_proposed_by_its_numbers() {
    let delivery = band();
    let before = prep(&delivery, "out", &[]);
    let note = before.paper("client-note.md");
    let (send, confirm) =
        (note.find("## Please send again").unwrap(), note.find("## Please confirm").unwrap());
    assert!(send < confirm);
    let number = |name: &str| -> String {
        let heading =
            note.lines().find(|line| line.starts_with("### ") && line.contains(&format!("`{name}`")));
        heading.unwrap_or_else(|| panic!("{name}: {note}"))[4..].split('.').next().unwrap().to_owned()
    };
    let (empty, gtr) = (number("Empty.wav"), number("Gtr.wav"));
    let reply = delivery.out("reply.txt");
    fs::write(&reply, format!("Hi,\n\n> ### {empty}. `Empty.wav`\n> The file is silent.\n\nleave it out\n\n{gtr}) one \"microphone\"\n   only\n99. and this?\n")).unwrap();
    let reads = |out: &str| loadin(&["answers", out, "--reply", reply.to_str().unwrap()]);
    let out = before.out.to_str().unwrap().to_owned();
    let proposed = reads(&out);
    assert_eq!(proposed.code, 0, "{}", proposed.err);
    assert!(
        proposed.out.lines().all(|line| line.is_empty() || line.starts_with('#')),
        "it decides nothing:\n{}",
        proposed.out
    );
    for lines in [
        "# finding = \"silent\"\n# stem = \"Empty.wav\"\n# answer = \"leave it out\"\n",
        "# finding = \"dead-channel\"\n# stem = \"Gtr.wav\"\n# answer = \"one \\\"microphone\\\" only\"\n",
        "# 99: the note has no question of this number: and this?\n",
    ] {
        assert!(proposed.out.contains(lines), "{lines}\n{}", proposed.out);
    }
    // One is answered meanwhile: the numbers of the others stay.
    let file = super::answers(
        &delivery,
        "[[finding]]\nfinding = \"silent\"\nstem = \"Empty.wav\"\nanswer = \"it is a placeholder\"",
    );
    let after = prep(&delivery, "out", &["--answers", &file]);
    assert!(
        after.paper("client-note.md").contains(&format!("### {gtr}. `Gtr.wav`")),
        "{}",
        after.paper("client-note.md")
    );
    assert!(reads(&out).out.contains("# stem = \"Gtr.wav\"\n# answer = \"one"));
    // Uncommented, what is proposed can be read.
    let said: String = proposed
        .out
        .lines()
        .filter(|line| !line.contains(": "))
        .map(|line| line.trim_start_matches("# ").to_owned() + "\n")
        .collect();
    let file = super::answers(&delivery, &said);
    let end = prep(&delivery, "out", &["--answers", &file]);
    assert_eq!(
        (end.ran.code, end.open("Gtr.wav").contains(&"dead-channel".to_owned())),
        (0, false),
        "{}",
        end.ran.err
    );
}
