//! What is open, in two lists: what the client is asked, and what the engineer decides. What is answered stands apart.

use std::fmt::Write;

use loadin_record::finding::Severity;
use loadin_record::manifest::Manifest;
use loadin_record::session::SessionFile;

use super::names::name;
use super::rows::{answer, sign};
use super::sheet::{Act, Sheet};
use crate::note;
use crate::open;
use crate::session::session;
use crate::session_mid::session_mid;
use crate::text::{count, file, href, html};

/// Points of a list that a phone's first screen has room for.
const FIRST: usize = 3;

/// Points that a desk's first screen has room for.
const ROOM: usize = 7;

/// Both lists, what is answered, and where the papers lie.
pub(super) fn lists(sheet: &Sheet<'_>) -> String {
    let manifest = sheet.manifest;
    let asked: Vec<String> = note::questions(manifest, quoted)
        .iter()
        .map(|question| point(manifest, question.stem, question.finding.severity, &question.found))
        .collect();
    let decisions: Vec<String> = open::decisions(manifest)
        .iter()
        .map(|decision| point(manifest, decision.stem, decision.severity, decision.text))
        .collect();
    let mut text = "<div class=lists>\n".to_owned();
    for (id, heading, small, points, nothing) in [
        (
            "client",
            "The client is asked",
            "in <a href=\"client-note.md\">client-note.md</a>",
            asked,
            "No question.",
        ),
        ("engineer", "You decide", "", decisions, "Nothing is left to decide."),
    ] {
        let small = if points.is_empty() { "" } else { small };
        let _ = writeln!(
            text,
            "<section class=needs aria-labelledby={id}-title><h2 id={id}-title>{heading}: {} <small>{small}</small></h2>{}</section>",
            points.len(),
            if points.is_empty() { format!("<p>{nothing}</p>") } else { list(&points) }
        );
    }
    text + "</div>\n" + &answered(manifest) + &papers(sheet)
}

/// One point: how much it matters, the stem's label, and what it is.
fn point(manifest: &Manifest, stem: Option<usize>, severity: Severity, text: &str) -> String {
    let name = match stem {
        Some(index) => {
            let name = name(&manifest.stems[index], manifest);
            format!("<a href=\"#s{}\">{}</a>", index + 1, file(&name))
        }
        None => "<a href=\"#delivery-title\">the whole delivery</a>".to_owned(),
    };
    format!("<li>{}<span>{name} {}</span></li>", sign(severity), html(text))
}

/// A name inside a sentence.
fn quoted(name: &str) -> String {
    format!("“{name}”")
}

/// A list of which every screen shows the first points, and a wide one as many as it has room for.
fn list(points: &[String]) -> String {
    let (first, rest) = points.split_at(points.len().min(FIRST));
    // One point more takes as much room as the line that says so.
    let room = if points.len() == ROOM + 1 { ROOM + 1 } else { ROOM };
    let (few, many) = rest.split_at(rest.len().min(room - FIRST));
    let many = folded("many", many, "");
    format!("<ul>{}</ul>{}", first.concat(), folded("few", few, &many))
}

/// Points that are folded, with what is folded inside them; the line above says how many there are.
fn folded(class: &str, points: &[String], inner: &str) -> String {
    if points.is_empty() {
        return String::new();
    }
    let all = points.len() + inner.matches("<li>").count();
    format!(
        "<details class={class}><summary>{all} more</summary><ul>{}</ul>{inner}</details>",
        points.concat()
    )
}

/// Questions that are answered, folded: what was found, and what was said, by whom and when.
fn answered(manifest: &Manifest) -> String {
    let of_delivery = manifest.findings.iter().map(|finding| ("the whole delivery", finding));
    let of_stems =
        manifest.stems.iter().flat_map(|stem| stem.findings.iter().map(|f| (stem.source.path.as_str(), f)));
    let all: Vec<String> = of_delivery
        .chain(of_stems)
        .filter(|(_, finding)| finding.answer.is_some())
        .map(|(name, finding)| {
            let (name, text) = (file(name), html(&finding.text));
            format!("<li>{}<span>{name} {text}{}</span></li>", sign(finding.severity), answer(finding))
        })
        .collect();
    if all.is_empty() {
        return String::new();
    }
    let count = count(all.len(), "answered question", "answered questions");
    format!("<details class=answered><summary>{count}</summary><ul>{}</ul></details>\n", all.concat())
}

/// Links to what lies beside the page.
fn papers(sheet: &Sheet<'_>) -> String {
    let manifest = sheet.manifest;
    let mut links: Vec<String> = Vec::new();
    let mut link = |to: &str, words: &str| links.push(format!("<a href=\"{to}\">{}</a>", html(words)));
    if open::asked_of_client(manifest) > 0 {
        link("client-note.md", "client note");
    }
    if sheet.act == Act::Audit {
        return line(&links, "");
    }
    link("audio/", "prepared audio");
    link("track-sheet.csv", "track sheet");
    if manifest.late.is_some() {
        link("late-files.md", "late files");
    }
    let file = manifest.session_file.as_ref();
    let written = file.and_then(SessionFile::written);
    if let Some(name) = written {
        link(&format!("./{}", href(name)), name);
    }
    if session(manifest).as_ref().and_then(session_mid).is_some() {
        link("session.mid", "session.mid");
    }
    link("manifest.json", "manifest");
    let of_session = match (written, file.and_then(|file| file.left_out.as_ref())) {
        (Some(_), _) => {
            " No workstation was tried with the session (DAWproject): at the first opening turn the monitors down, and check \
             levels, places and groups."
                .to_owned()
        }
        (None, Some(why)) => format!(" No session file: {}.", html(why)),
        (None, None) => String::new(),
    };
    line(&links, &of_session)
}

fn line(links: &[String], more: &str) -> String {
    if links.is_empty() {
        String::new()
    } else {
        format!("<p class=papers>Beside this page: {}.{more}</p>\n", links.join(", "))
    }
}
