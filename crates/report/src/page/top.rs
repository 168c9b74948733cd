//! The first screen's head: whose song it is, the verdict in three numbers, and what bounds it.

use std::fmt::Write;

use loadin_record::finding::Readiness;
use loadin_record::late::in_short;
use loadin_record::manifest::Manifest;
use loadin_record::rough_mix::missing_stems;
use loadin_record::verdict::Verdict;

use super::overview::span;
use super::sheet::{Act, Sheet};
use super::song;
use crate::open;
use crate::text::{count, html, number};

/// The head of the page.
pub(super) fn top(sheet: &Sheet<'_>) -> String {
    let manifest = sheet.manifest;
    let title = song::title(manifest);
    let folder = if title == manifest.delivery.name {
        String::new()
    } else {
        format!(" <span class=file>{}</span>", html(&manifest.delivery.name))
    };
    format!(
        "<header>\n<p class=kind>{}{folder}</p>\n<h1>{}</h1>\n<p class=song>{}</p>\n{}{}{}</header>\n",
        sheet.act.word("Audit: nothing has been changed", "Load-in report"),
        html(title),
        song::words(manifest),
        tally(manifest),
        missing(manifest),
        late(manifest),
    )
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

/// The three numbers.
fn tally(manifest: &Manifest) -> String {
    let verdict = Verdict::of(manifest);
    let mut cells = String::new();
    let mut cell = |n: usize, class: &str, words: &str| {
        let zero = if n == 0 { " zero" } else { "" };
        let _ = write!(cells, "<div class=\"{class}{zero}\"><dt>{words}</dt> <dd>{n}</dd></div>");
    };
    for readiness in Readiness::ALL {
        let class = match readiness {
            Readiness::Ready => "ready",
            Readiness::InQuestion => "doubtful",
            Readiness::NotUsable => "unusable",
        };
        cell(verdict.number_of(readiness), class, readiness.as_str());
    }
    if verdict.left_out > 0 {
        cell(verdict.left_out, "aside", "left out on purpose");
    }
    format!("<dl class=tally>{cells}</dl>\n")
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
        format!("<p class=late><b>Late:</b> <a href=\"#late-title\">{short}</a>.</p>\n")
    })
}

/// The head of the overview: the caution, and the controls that only a script can serve.
pub(super) fn listening(sheet: &Sheet<'_>) -> String {
    let louder = sheet.manifest.louder_db().map_or_else(
        || "No stem became louder than it was delivered".to_owned(),
        |db| format!("Playback can be up to {} dB louder than the delivered files", number(db, 1, false)),
    );
    let caution = format!(
        "<aside class=caution aria-label=Caution><p><b>Turn the monitors down before the first playback.</b> {louder}, \
         and all stems together are louder than each. Keep the client's originals and a second copy of them. Hearing safety \
         follows your local rules; where your work needs a licence, its rules come first.</p></aside>\n"
    );
    if sheet.act == Act::Audit {
        return caution;
    }
    format!(
        "{caution}<noscript><p class=hint>Without scripts a link plays its file in the browser's own player, which starts at \
         full volume: turn down first. The time axis goes from {}.</p></noscript>\n\
         <div id=hearing hidden><button id=stop type=button>Stop</button><label>Volume <input id=volume type=range min=0 max=1 \
         step=0.01 value=0.25></label><output id=heard aria-live=polite>One stem sounds at a time, at one place in the song.</output>\
         <span class=hint><kbd>↑</kbd> <kbd>↓</kbd> stem, <kbd>Space</kbd> solo and stop, <kbd>←</kbd> <kbd>→</kbd> five seconds; \
         a click on a row sets the place</span></div>\n",
        span(sheet)
    )
}
