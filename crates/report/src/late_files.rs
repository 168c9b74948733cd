//! The difference note: what came, was replaced or went after the first preparation (Markdown).

use std::fmt::Write;

use loadin_record::late::{FileSummary, Late, LateFile};

use crate::text::code;

/// Makes the note.
pub(crate) fn late_files(late: &Late) -> String {
    let mut text = String::from(
        "# Late files\n\n\
        These files changed after the delivery was prepared.\n\
        Gain, start, length and names of all other stems are as they were, so a session in which they are at work stays true.\n\
        `--relink` gives all stems a new common gain, start and length.\n",
    );
    for file in &late.files {
        describe(file, &mut text);
    }
    text
}

fn describe(file: &LateFile, text: &mut String) {
    let name = code(&file.path);
    // Writing to a string cannot fail.
    let _ = write!(text, "\n## {name}: {}\n\n{}.\n", file.what.as_str(), capital(&file.text));
    if file.before.is_none() && file.after.is_none() {
        return;
    }
    text.push_str("\n| | length | rate | channels | peak |\n|---|---|---|---|---|\n");
    for (word, facts) in [("before", &file.before), ("now", &file.after)] {
        if let Some(facts) = facts {
            let _ = writeln!(text, "| {word} | {} |", cells(facts).join(" | "));
        }
    }
    let spans = file.comparison.iter().flat_map(|comparison| &comparison.differs);
    let spans: Vec<String> = spans.map(|(from, to)| format!("{from:.2} s to {to:.2} s")).collect();
    if !spans.is_empty() {
        let _ = writeln!(text, "\nListen at: {}.", spans.join(", "));
    }
}

fn cells(facts: &FileSummary) -> [String; 4] {
    let seconds = facts.frames.zip(facts.rate_hz).map(|(frames, rate)| frames as f64 / f64::from(rate));
    [
        seconds.map(|seconds| format!("{seconds:.3} s")).unwrap_or_default(),
        facts.rate_hz.map(|rate| format!("{rate} Hz")).unwrap_or_default(),
        facts.channels.map(|channels| channels.to_string()).unwrap_or_default(),
        facts.peak_dbfs.map(|peak| format!("{peak:.2} dBFS")).unwrap_or_default(),
    ]
}

fn capital(text: &str) -> String {
    let mut chars = text.chars();
    chars.next().map(|first| first.to_uppercase().collect::<String>() + chars.as_str()).unwrap_or_default()
}
