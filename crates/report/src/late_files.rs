//! The difference note: what came, was replaced or went after the first preparation (Markdown).

use std::fmt::Write;

use loadin_record::late::{Comparison, FileSummary, Late, LateFile};

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
    let exact = read_alike(file.before.as_ref(), file.after.as_ref());
    for (word, facts) in [("before", &file.before), ("now", &file.after)] {
        if let Some(facts) = facts {
            let _ = writeln!(text, "| {word} | {} |", cells(facts, exact).join(" | "));
        }
    }
    let spans: Vec<String> = file.comparison.iter().flat_map(Comparison::spans).collect();
    if !spans.is_empty() {
        let _ = writeln!(text, "\nListen at: {}.", spans.join(", "));
    }
}

/// Whether two lengths would read alike although they differ.
fn read_alike(before: Option<&FileSummary>, after: Option<&FileSummary>) -> bool {
    before.zip(after).is_some_and(|(before, after)| {
        after.length_against(before).is_some() && length(before) == length(after)
    })
}

fn length(facts: &FileSummary) -> Option<String> {
    let seconds = facts.frames.zip(facts.rate_hz).map(|(frames, rate)| frames as f64 / f64::from(rate));
    seconds.map(|seconds| format!("{seconds:.3} s"))
}

fn cells(facts: &FileSummary, exact: bool) -> [String; 4] {
    let frames = facts.frames.filter(|_| exact).map(|frames| format!(" ({frames} frames)"));
    [
        length(facts).unwrap_or_default() + &frames.unwrap_or_default(),
        facts.rate_hz.map(|rate| format!("{rate} Hz")).unwrap_or_default(),
        facts.channels.map(|channels| channels.to_string()).unwrap_or_default(),
        facts.peak_dbfs.map(|peak| format!("{peak:.2} dBFS")).unwrap_or_default(),
    ]
}

fn capital(text: &str) -> String {
    let mut chars = text.chars();
    chars.next().map(|first| first.to_uppercase().collect::<String>() + chars.as_str()).unwrap_or_default()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn table(before: u64, after: u64) -> String {
        let facts = |frames| FileSummary {
            sha256: None,
            rate_hz: Some(48_000),
            channels: Some(1),
            frames: Some(frames),
            peak_dbfs: Some(-6.0),
        };
        let mut text = String::new();
        let file = LateFile {
            path: "Vox.wav".to_owned(),
            what: loadin_record::late::ChangeKind::Replaced,
            before: Some(facts(before)),
            after: Some(facts(after)),
            comparison: None,
            text: "another file has its name".to_owned(),
        };
        describe(&file, &mut text);
        text
    }

    #[test]
    fn lengths_that_read_alike_have_their_frames() {
        let text = table(288_000, 288_003);
        assert!(text.contains("| before | 6.000 s (288000 frames) |"), "{text}");
        assert!(text.contains("| now | 6.000 s (288003 frames) |"), "{text}");
        let text = table(288_000, 307_200);
        assert!(text.contains("| 6.000 s |") && text.contains("| 6.400 s |"), "{text}");
        assert!(!table(288_000, 288_000).contains("frames"));
    }
}
