//! The first screen, which is the answer, and the foot, which says how the page came about.

use std::fmt::Write;

use loadin_record::late::{LateFile, in_short};
use loadin_record::manifest::{Manifest, State};
use loadin_record::rough_mix::missing_stems;
use loadin_record::survey::Ignored;
use loadin_record::verdict::Verdict;
use loadin_session::is_read;

use super::rows::{answer, sign};
use super::shared::shared;
use super::sheet::{Act, Sheet};
use crate::note;
use crate::open;
use crate::text::{count, file, href, html, number};
use crate::words;

/// Everything above the stems.
pub(super) fn top(sheet: &Sheet<'_>) -> String {
    let manifest = sheet.manifest;
    format!(
        "<header>\n<p class=kind>{}</p>\n<h1>{}</h1>\n<p class=verdict>{}</p>\n{}{}{}{}</header>\n<main>\n\
         <div class=answer>\n{}{}</div>\n{}",
        sheet.act.word("Audit: nothing has been changed", "Load-in report"),
        html(&manifest.delivery.name),
        verdict(manifest),
        missing(manifest),
        late(manifest),
        session(sheet),
        tally(manifest),
        needs(sheet),
        shared(sheet),
        caution(sheet),
    )
}

pub(crate) fn number_in(manifest: &Manifest, state: State) -> usize {
    manifest.stems.iter().filter(|stem| stem.state == state).count()
}

/// The answer in two sentences.
pub(crate) fn verdict(manifest: &Manifest) -> String {
    let verdict = Verdict::of(manifest);
    let (asked, to_decide) = (open::asked_of_client(manifest), open::decisions(manifest).len());
    let needs = match (asked, to_decide) {
        (0, 0) => "Nothing needs a person.".to_owned(),
        (asked, 0) => format!("{} the client.", count(asked, "question goes to", "questions go to")),
        (0, decide) => format!("{} your eyes or ears.", count(decide, "finding needs", "findings need")),
        (asked, decide) => format!(
            "{} the client, {} your eyes or ears.",
            count(asked, "question goes to", "questions go to"),
            count(decide, "finding needs", "findings need")
        ),
    };
    format!("{verdict}. {needs}")
}

/// Whether stems are missing, or why nobody knows.
fn missing(manifest: &Manifest) -> String {
    let text = missing_stems(manifest.rough_mix.as_ref()).text;
    format!("<p class=missing><b>Missing stems:</b> {}.</p>\n", html(&text))
}

/// What came late, in one line.
fn late(manifest: &Manifest) -> String {
    let short = manifest.late.as_ref().and_then(|late| in_short(&late.files));
    short.map_or_else(String::new, |short| {
        format!("<p class=late>Late: <a href=\"#late-title\">{short}</a>; see late-files.md.</p>\n")
    })
}

/// The session file, in one line, or why there is none.
fn session(sheet: &Sheet<'_>) -> String {
    let file = sheet.manifest.session_file.as_ref().filter(|_| sheet.act == Act::Prepared);
    match file.map(|file| (file.written(), &file.left_out)) {
        Some((Some(name), _)) => format!(
            "<p class=late>Session: <a href=\"{}\">{}</a> (DAWproject). No workstation was tried: at the first opening turn the \
             monitors down, and check levels, places and groups.</p>\n",
            href(name),
            html(name)
        ),
        Some((None, Some(why))) => format!("<p class=late>No session file: {}.</p>\n", html(why)),
        _ => String::new(),
    }
}

fn tally(manifest: &Manifest) -> String {
    let states = [State::Prepared, State::Unchanged, State::SetAside, State::Failed];
    let cells: String = states
        .iter()
        .map(|&state| {
            let n = number_in(manifest, state);
            let class = if n == 0 { " class=zero" } else { "" };
            format!("<div{class}><dt>{}</dt><dd>{n}</dd></div>", state.as_str())
        })
        .collect();
    format!("<dl class=tally>{cells}</dl>\n")
}

/// A name inside a sentence.
fn quoted(name: &str) -> String {
    format!("“{name}”")
}

/// What needs a person: first what the client is asked, then what the engineer looks at.
fn needs(sheet: &Sheet<'_>) -> String {
    let manifest = sheet.manifest;
    let mut asked = Vec::new();
    for question in note::questions(manifest, quoted) {
        let (link, name) = match question.stem {
            Some(index) => (format!("s{}", index + 1), manifest.stems[index].source.path.as_str()),
            None => ("stems-title".to_owned(), "the whole delivery"),
        };
        asked.push(format!(
            "<li>{}<span><a href=\"#{link}\">{}</a> {}</span></li>",
            sign(question.finding.severity),
            file(name),
            html(&question.found)
        ));
    }
    let mut seen = Vec::new();
    for decision in open::decisions(manifest) {
        let name = decision.stem.map_or("the whole delivery".to_owned(), |index| {
            let label = file(words::label(&manifest.stems[index]));
            format!("<a href=\"#s{}\">{label}</a>", index + 1)
        });
        seen.push(format!("<li>{}<span>{name} {}</span></li>", sign(decision.severity), html(decision.text)));
    }
    let mut text =
        "<section class=needs aria-labelledby=needs-title><h2 id=needs-title>What needs a person</h2>\n"
            .to_owned();
    if !asked.is_empty() {
        let _ = writeln!(
            text,
            "<h3>For the client to answer <small>in client-note.md</small></h3>{}",
            first_screen(&asked)
        );
    }
    if !seen.is_empty() {
        let _ = writeln!(text, "<h3>For your eyes and ears</h3>{}", first_screen(&seen));
    }
    if asked.is_empty() && seen.is_empty() {
        text.push_str("<p>Nothing: no stem that came is damaged or doubtful.</p>\n");
    }
    text + &answered(manifest) + "</section>\n"
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

/// A list of which the first screen shows what it has room for.
fn first_screen(items: &[String]) -> String {
    const ROOM: usize = 7;
    if items.len() <= ROOM + 1 {
        return format!("<ul>{}</ul>", items.concat());
    }
    let (first, rest) = items.split_at(ROOM);
    format!(
        "<ul>{}</ul><details><summary>{} more</summary><ul>{}</ul></details>",
        first.concat(),
        rest.len(),
        rest.concat()
    )
}

fn caution(sheet: &Sheet<'_>) -> String {
    let louder = sheet.manifest.louder_db().map_or_else(
        || "No stem became louder than it was delivered".to_owned(),
        |db| format!("Playback can be up to {} dB louder than the delivered files", number(db, 1, false)),
    );
    format!(
        "<aside class=caution aria-label=Caution><p><b>Turn the monitors down before the first playback.</b> {louder}, \
         and all stems together are louder than each. Keep the client's originals and a second copy of them. Hearing safety \
         follows your local rules; where your work needs a licence, its rules come first.</p></aside>\n"
    )
}

/// Files that took no part, and the record.
pub(super) fn foot(sheet: &Sheet<'_>) -> String {
    let manifest = sheet.manifest;
    let mut text = String::new();
    if !manifest.findings.is_empty() {
        let list: String = manifest
            .findings
            .iter()
            .map(|f| {
                let (id, text) = (f.id.as_str(), html(&f.text));
                format!("<li>{} <b>{id}</b> {text}{}</li>", sign(f.severity), answer(f))
            })
            .collect();
        let _ = writeln!(
            text,
            "<section aria-labelledby=delivery-title><h2 id=delivery-title>The delivery as a whole</h2><ul class=findings>{list}</ul></section>"
        );
    }
    if let Some(late) = &manifest.late {
        let item = |late: &LateFile| {
            let what = late.what.as_str();
            format!(
                "<li><span class=file>{}</span> <b>{what}</b> {}</li>",
                file(&late.path),
                html(&late.text)
            )
        };
        let list: String = late.files.iter().map(item).collect();
        let _ = writeln!(
            text,
            "<section aria-labelledby=late-title><h2 id=late-title>Late files <small>in late-files.md</small></h2>\
             <ul class=ignored>{list}</ul></section>"
        );
    }
    text += &no_stems(manifest);
    let _ = write!(
        text,
        "<section class=about aria-labelledby=about-title><h2 id=about-title>How to read this page</h2>\n{}\
         <p>Recipe {} revision {} (SHA-256 {}…), {} {}, manifest {}….</p></section>\n</main>\n",
        ABOUT,
        html(&manifest.recipe.name),
        manifest.recipe.revision,
        html(manifest.recipe.sha256.get(..12).unwrap_or_default()),
        html(&manifest.tool.name),
        html(&manifest.tool.version),
        html(manifest.digest.get(..12).unwrap_or_default()),
    );
    text
}

/// The files beside the stems.
fn no_stems(manifest: &Manifest) -> String {
    if manifest.ignored.is_empty() {
        return String::new();
    }
    let item = |ignored: &Ignored| {
        let read = if is_read(&ignored.path) { "read: " } else { "" };
        format!("<li><span class=file>{}</span> {read}{}</li>", file(&ignored.path), html(&ignored.why))
    };
    let list: String = manifest.ignored.iter().map(item).collect();
    format!(
        "<section aria-labelledby=ignored-title><h2 id=ignored-title>Files that are no stems</h2><ul class=ignored>{list}</ul></section>\n"
    )
}

const ABOUT: &str = "<p>All waveforms stand on one time axis, whose zero is the first frame of the prepared files: what \
     was cut from the head lies left of zero. Both waveforms of a stem have one scale; “drawn ×8” means eight times \
     magnified. The lower one is the envelope that was measured, with the decided gain, offset and cut; its levels are \
     those that were measured on the written file, save the true peak and the loudness, which follow from the decisions.</p>\n\
     <p>A dotted middle line is silence below −90 dBFS. A bar along the edges is where the sound reaches the level of a \
     clipping finding. A hatched stretch is missing from the file, or cut off. A dashed line is a steady offset. The small numbers \
     are those of the findings below the picture. Two halves in one picture are left above and right below. “All stems together” adds \
     up powers, as of stems that have nothing to do with each other: related ones can be louder or cancel.</p>\n";
