//! Answers to begin with: every open question, every stem without a role, every reference and every estimate as commented lines
//! of an answers file, the most urgent first; and the client's reply as such lines. It decides nothing: a person uncomments.

mod reply;

use std::fmt::Write;

use loadin_record::evidence::{SECTIONS, TEMPO};
use loadin_record::finding::{Finding, Id, Severity};
use loadin_record::manifest::{Manifest, StemRecord};
use loadin_record::music::Confidence;
use loadin_record::role::StemRole;
use serde_json::Value;

pub use self::reply::answers_of_reply;
use crate::text::visible;

const HEAD: &str = "\
answers = 1

# What you say of this delivery. Take the # away before what holds, fill in what is empty, and give the file with --answers.
# A path names one stem; a glob such as \"Old/*\" several. `loadin answers --schema` prints what may stand here, for editors.
";

/// A block of commented lines.
struct Block {
    severity: Severity,
    /// Lines that name what it is about: a text that has them has the block already.
    about: Vec<String>,
    lines: Vec<String>,
}

/// The file; `before` is what was said already, which stays as it is. What it does not speak of is added.
pub fn answers_to_begin_with(manifest: &Manifest, before: Option<&str>) -> String {
    let mut text = before.map_or_else(|| HEAD.to_owned(), str::to_owned);
    if !text.ends_with('\n') {
        text.push('\n');
    }
    let known = uncommented(&text);
    let mut blocks = questions(manifest);
    blocks.extend(unsorted(manifest));
    blocks.extend(references(manifest));
    blocks.extend(song(manifest, &known));
    blocks.sort_by_key(|block| std::cmp::Reverse(block.severity));
    for block in blocks.iter().filter(|block| !known.contains(&block.about.join("\n"))) {
        text.push('\n');
        for line in &block.lines {
            let _ = writeln!(text, "# {line}");
        }
    }
    text
}

/// The text without its comment signs, so that what is there in comments counts as there.
fn uncommented(text: &str) -> String {
    let bare = |line: &str| line.trim_start_matches(['#', ' ']).trim_end().to_owned();
    text.lines().map(bare).collect::<Vec<_>>().join("\n")
}

/// A TOML string.
fn quoted(text: &str) -> String {
    let mut all = "\"".to_owned();
    for c in text.chars() {
        match c {
            '"' | '\\' => all.extend(['\\', c]),
            c if c.is_control() => drop(write!(all, "\\u{:04X}", u32::from(c))),
            c => all.push(c),
        }
    }
    all + "\""
}

/// Lines of the table that answers a finding; `several` says that there are more of its kind.
fn table(finding: &Finding, path: Option<&str>, several: bool) -> Vec<String> {
    let mut lines = vec!["[[finding]]".to_owned(), format!("finding = {}", quoted(finding.id.as_str()))];
    lines.extend(path.map(|path| format!("stem = {}", quoted(path))));
    let told =
        ["what", "same_as", "beside", "right"].iter().find_map(|key| finding.evidence.get(*key)?.as_str());
    let about = told.filter(|about| finding.text.contains(about)).unwrap_or(&finding.text);
    lines.extend(several.then(|| format!("about = {}", quoted(about))));
    lines
}

/// Whether there are several findings of a kind about one stem, or about the delivery as a whole.
fn are_several(findings: &[Finding], one: &Finding) -> bool {
    findings.iter().filter(|finding| finding.id == one.id).count() > 1
}

/// Open findings that a person should look at.
fn questions(manifest: &Manifest) -> Vec<Block> {
    let open = |finding: &&Finding| finding.severity >= Severity::Attention && finding.answer.is_none();
    let of_delivery = std::iter::once((None, &manifest.findings));
    let of_stems = manifest.stems.iter().map(|stem| (Some(stem.source.path.as_str()), &stem.findings));
    let all = of_delivery.chain(of_stems);
    let of_one = |(path, findings): (Option<&str>, &Vec<Finding>)| -> Vec<Block> {
        let open = findings.iter().filter(open);
        open.map(|finding| question(path, finding, are_several(findings, finding))).collect()
    };
    all.flat_map(of_one).collect()
}

fn question(path: Option<&str>, finding: &Finding, several: bool) -> Block {
    let name = path.unwrap_or("the delivery as a whole");
    let mut lines =
        vec![format!("{}: {}: {}", finding.severity.as_str(), visible(name), visible(&finding.text))];
    let about = table(finding, path, several);
    lines.extend(about.iter().cloned());
    lines.extend(
        ["answer = \"\"", "by = \"the client\"", "accept = true # where it is meant so"].map(str::to_owned),
    );
    let leaves = matches!(finding.id, Id::Duplicate | Id::NearDuplicate | Id::Silent | Id::NotInRough);
    if let Some(path) = path.filter(|_| leaves) {
        lines.push("or leave it out:".to_owned());
        lines.extend([
            "[[stem]]".to_owned(),
            format!("stem = {}", quoted(path)),
            "leave-out = true".to_owned(),
        ]);
    }
    Block { severity: finding.severity, about: about[1..].to_vec(), lines }
}

fn stem_block(severity: Severity, stem: &StemRecord, what: &str, answer: &str) -> Block {
    let about = vec![
        format!("stem = {}", quoted(&stem.source.path)),
        answer.split(" = ").next().unwrap_or_default().to_owned() + " = ",
    ];
    let lines = vec![
        format!("{}: {}: {what}", severity.as_str(), visible(&stem.source.path)),
        "[[stem]]".to_owned(),
        about[0].clone(),
        answer.to_owned(),
    ];
    Block { severity, about, lines }
}

/// Stems whose names say nothing, with what they sound like.
fn unsorted(manifest: &Manifest) -> impl Iterator<Item = Block> {
    let stems = manifest.stems.iter().filter(|stem| stem.role == StemRole::Stem && stem.error.is_none());
    stems.filter(|stem| stem.group == "unsorted" && stem.corrected.is_empty()).map(|stem| {
        let like = stem.proposal.as_ref();
        let what = like.map_or_else(
            || "nothing says what it is".to_owned(),
            |like| {
                format!(
                    "nothing says what it is; it sounds like {} ({:.0} %)",
                    like.sounds_like,
                    100.0 * like.confidence
                )
            },
        );
        let role = like.and_then(|like| role_of_sound(&like.sounds_like)).unwrap_or_default();
        stem_block(Severity::Note, stem, &what, &format!("role = {}", quoted(role)))
    })
}

/// The role that comes nearest to what is heard.
fn role_of_sound(sounds_like: &str) -> Option<&'static str> {
    [
        ("a kick", "kick"),
        ("a bass", "bass"),
        ("drums", "drum loop"),
        ("hats", "hat"),
        ("one gliding", "lead vocal"),
        ("held", "pad"),
    ]
    .into_iter()
    .find_map(|(begins, role)| sounds_like.starts_with(begins).then_some(role))
}

/// Files that are, or may be, the rough mix.
fn references(manifest: &Manifest) -> impl Iterator<Item = Block> {
    let all: Vec<&StemRecord> = manifest
        .stems
        .iter()
        .filter(|stem| stem.role == StemRole::Reference && stem.error.is_none())
        .collect();
    let used = manifest.rough_mix.as_ref().map(|mix| mix.path.as_str());
    let several = all.len() > 1;
    all.into_iter().filter(move |stem| stem.corrected.is_empty() && (several || used.is_none())).map(
        move |stem| {
            let what = match used {
                Some(path) if path == stem.source.path => "a reference; the stems are compared with this one",
                _ => "a reference; with this line the stems are compared with this one",
            };
            stem_block(Severity::Note, stem, what, "reference = true")
        },
    )
}

/// Estimates of the song that nobody has stated, and names for its sections.
fn song(manifest: &Manifest, known: &str) -> Vec<Block> {
    let fact = |name: &str| manifest.facts.get(name).filter(|fact| !fact.value.is_null());
    let mut blocks = Vec::new();
    let mut lines = Vec::new();
    for (stated, estimate, key) in [("tempo_bpm", TEMPO, "tempo"), ("key", "key_estimate", "key")] {
        let Some(found) = fact(estimate).filter(|_| fact(stated).is_none()) else { continue };
        let sure = if found.confidence == Confidence::Estimated { "" } else { ", unsure" };
        let value = found.value.as_str().map_or_else(|| found.value.to_string(), quoted);
        lines.push(format!("{key} = {value} # {}{sure}", visible(&found.source)));
    }
    let new: Vec<String> =
        lines.into_iter().filter(|line| !known.contains(line.split(" # ").next().unwrap_or(line))).collect();
    if !new.is_empty() {
        let place = if known.contains("\n[song]") { "in [song]:" } else { "[song]" };
        let lines = std::iter::once("note: the song, as it is heard".to_owned())
            .chain([place.to_owned()])
            .chain(new)
            .collect();
        blocks.push(Block {
            severity: Severity::Note,
            about: vec!["the song, as it is heard".to_owned()],
            lines,
        });
    }
    let sections = fact(SECTIONS).and_then(|fact| fact.value.as_array());
    let mut letters: Vec<&str> = sections.into_iter().flatten().filter_map(|s| s["name"].as_str()).collect();
    letters.sort_unstable();
    letters.dedup();
    let unnamed = sections.is_some_and(|all| all.iter().all(|section| section["letter"] == Value::Null));
    if unnamed && fact("sections").is_none() && !letters.is_empty() {
        let mut lines =
            vec!["note: names for the sections that are heard".to_owned(), "[section-names]".to_owned()];
        lines.extend(letters.iter().map(|letter| format!("{letter} = \"\"")));
        blocks.push(Block { severity: Severity::Note, about: vec!["[section-names]".to_owned()], lines });
    }
    blocks
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn strings_are_those_of_toml() {
        for (text, wanted) in
            [("a b", "\"a b\""), ("a\"b", r#""a\"b""#), (r"\xFF", r#""\\xFF""#), ("a\nb", "\"a\\u000Ab\"")]
        {
            assert_eq!(quoted(text), wanted);
        }
    }

    #[test]
    fn comment_signs_do_not_hide_what_is_there() {
        assert_eq!(
            uncommented("# [[stem]]\n#stem = \"a\"\nrole = \"kick\" \n"),
            "[[stem]]\nstem = \"a\"\nrole = \"kick\""
        );
    }
}
