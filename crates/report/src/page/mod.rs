//! report.html: one file that shows what came, what was changed and why, and what needs a person.

#[cfg(test)]
mod colours;
mod families;
mod foot;
mod lists;
mod names;
mod overview;
mod rows;
mod ruler;
mod security;
mod shared;
mod sheet;
mod siblings;
mod song;
mod top;

pub(crate) use families::colour;
pub(crate) use sheet::Act;
pub(crate) use top::verdict;

use loadin_record::manifest::Manifest;
use loadin_record::survey::Survey;

use self::sheet::Sheet;
use crate::text::html;
use crate::timeline::{Axis, Surveys};

/// The line by which a page of ours is known.
pub const GENERATOR: &str = "<meta name=generator content=loadin>";

const STYLE: &str = include_str!("style.css");
const SCRIPT: &str = concat!(include_str!("players.js"), include_str!("script.js"));

/// Makes the page.
pub(crate) fn page(manifest: &Manifest, surveys: &[Survey], act: Act) -> String {
    let surveys = Surveys::new(surveys);
    let axis = Axis::of(manifest, &surveys);
    let sheet = Sheet { manifest, surveys, axis, act };
    let title = format!("{}: {}", song::title(manifest), act.word("audit", "load-in report"));
    let body = format!(
        "{}<main>\n<div class=first>\n{}{}</div>\n{}{}{}{}",
        top::top(&sheet),
        lists::lists(&sheet),
        overview::overview(&sheet, &top::listening(&sheet)),
        shared::beside(&sheet),
        rows::stems(&sheet),
        siblings::siblings(manifest),
        foot::foot(&sheet)
    );
    let about = format!("<meta name=description content=\"{}\">\n", html(&verdict(manifest)));
    let head = Head { title: &title, about: &about, sounds: act == Act::Prepared };
    document(&head, &body, SCRIPT)
}

/// What stands in the head of a document.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Head<'a> {
    /// Its title, as text.
    pub(crate) title: &'a str,
    /// Further lines, as HTML.
    pub(crate) about: &'a str,
    /// Whether it plays files beside it.
    pub(crate) sounds: bool,
}

/// A whole document. Without a script there is none.
pub(crate) fn document(head: &Head<'_>, body: &str, script: &str) -> String {
    let policy = security::policy(script, head.sounds);
    let script = if script.is_empty() { String::new() } else { format!("<script>{script}</script>\n") };
    format!(
        "<!doctype html>\n<html lang=en>\n<head>\n<meta charset=utf-8>\n\
         <meta name=viewport content=\"width=device-width,initial-scale=1\">\n\
         <meta name=color-scheme content=\"light dark\">\n\
         {GENERATOR}\n<meta http-equiv=Content-Security-Policy content=\"{policy}\">\n\
         <title>{}</title>\n{}<style>{STYLE}</style>\n</head>\n<body>\n{body}{script}</body>\n</html>\n",
        html(head.title),
        head.about,
    )
}
