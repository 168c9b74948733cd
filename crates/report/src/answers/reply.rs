//! The client's reply to the note, as commented lines of an answers file: what stands behind each number is the answer to the
//! question of that number. It decides nothing.

use std::collections::BTreeMap;
use std::fmt::Write;

use loadin_record::manifest::Manifest;

use super::{are_several, quoted, table};
use crate::note::numbered;
use crate::text::visible;

/// The lines that a reply proposes, each in a comment.
pub fn answers_of_reply(manifest: &Manifest, reply: &str) -> String {
    let questions: BTreeMap<usize, _> = numbered(manifest).into_iter().collect();
    let mut text = String::new();
    for (number, words) in answered(reply) {
        text.push('\n');
        let Some(question) = questions.get(&number) else {
            let _ =
                writeln!(text, "# {number}: the note has no question of this number: {}", visible(&words));
            continue;
        };
        let path = question.stem.map(|index| manifest.stems[index].source.path.as_str());
        let name = path.unwrap_or("the delivery as a whole");
        let _ = writeln!(text, "# {number}: {}: {}", visible(name), visible(&question.finding.text));
        let findings = question.stem.map_or(&manifest.findings, |index| &manifest.stems[index].findings);
        for line in table(question.finding, path, are_several(findings, question.finding)) {
            let _ = writeln!(text, "# {line}");
        }
        let _ = write!(
            text,
            "# answer = {}\n# by = \"the client\"\n# accept = true # where it is meant so\n",
            quoted(&words)
        );
    }
    if text.is_empty() {
        return "# The reply has no line that begins with the number of a question, such as \"3. it is meant so\".\n".to_owned();
    }
    text
}

/// What a reply says, by the numbers in it: on the line of a number, and on the lines below it up to the next one. Lines of
/// the note that are quoted name a number and say nothing.
fn answered(reply: &str) -> Vec<(usize, String)> {
    let mut all: Vec<(usize, Vec<&str>)> = Vec::new();
    for line in reply.lines() {
        let bare = line.trim_start_matches(['>', ' ', '\t', '|']);
        let of_note = bare.len() < line.trim_start().len() && line.trim_start().starts_with(['>', '|']);
        let heading = bare.starts_with('#');
        match number_of(bare.trim_start_matches(['#', ' ', '*'])) {
            Some((number, rest)) => {
                let said = if of_note || heading || rest.is_empty() { Vec::new() } else { vec![rest] };
                all.push((number, said));
            }
            None if of_note || heading => {}
            None => {
                if let Some((_, said)) = all.last_mut().filter(|_| !bare.trim().is_empty()) {
                    said.push(bare.trim());
                }
            }
        }
    }
    let words = all.into_iter().map(|(number, said)| (number, said.join(" ")));
    words.filter(|(_, said)| !said.is_empty()).collect()
}

/// "3. yes", "3) yes", "3: yes".
fn number_of(line: &str) -> Option<(usize, &str)> {
    let digits = line.bytes().take_while(u8::is_ascii_digit).count();
    let number = line.get(..digits)?.parse().ok().filter(|_| digits <= 4)?;
    let rest = line[digits..].strip_prefix(['.', ')', ':'])?;
    (rest.is_empty() || rest.starts_with(' ')).then_some((number, rest.trim()))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_reply_is_read_by_its_numbers() {
        let reply = "Hi!\n\n1. meant so\n2) we send it again\n   tomorrow\n\n> ### 4. `Gtr.wav`\n> Only one channel\nyes, leave it\n7: ok\n3rd take is the one";
        let wanted = [
            (1, "meant so"),
            (2, "we send it again tomorrow"),
            (4, "yes, leave it"),
            (7, "ok 3rd take is the one"),
        ];
        assert_eq!(answered(reply), wanted.map(|(number, said)| (number, said.to_owned())));
        assert_eq!(answered("no numbers here, 12.5 dB"), []);
    }
}
