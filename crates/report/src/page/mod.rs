//! report.html: one file that shows what came, what was changed and why, and what needs a person.

#[cfg(test)]
mod colours;
mod rows;
mod security;
mod shared;
mod sheet;
mod siblings;
mod top;

pub(crate) use rows::colour;
pub(crate) use sheet::Act;
pub(crate) use top::{number_in, verdict};

use loadin_record::manifest::Manifest;
use loadin_record::survey::Survey;

use self::sheet::Sheet;
use crate::text::html;
use crate::timeline::{Axis, Surveys};

/// The line by which a page of ours is known.
pub const GENERATOR: &str = "<meta name=generator content=loadin>";

const STYLE: &str = include_str!("style.css");
const SCRIPT: &str = include_str!("script.js");

/// Makes the page.
pub(crate) fn page(manifest: &Manifest, surveys: &[Survey], act: Act) -> String {
    let surveys = Surveys::new(surveys);
    let axis = Axis::of(manifest, &surveys);
    let sheet = Sheet { manifest, surveys, axis, act };
    let title = format!("{}: {}", manifest.delivery.name, act.word("audit", "load-in report"));
    let body = format!(
        "{}{}{}{}",
        top::top(&sheet),
        rows::stems(&sheet),
        siblings::siblings(manifest),
        top::foot(&sheet)
    );
    document(&title, &body, SCRIPT)
}

/// A whole document. Without a script there is none.
pub(crate) fn document(title: &str, body: &str, script: &str) -> String {
    let policy = security::policy(script);
    let script = if script.is_empty() { String::new() } else { format!("<script>{script}</script>\n") };
    format!(
        "<!doctype html>\n<html lang=en>\n<head>\n<meta charset=utf-8>\n\
         <meta name=viewport content=\"width=device-width,initial-scale=1\">\n\
         <meta name=color-scheme content=\"light dark\">\n\
         {GENERATOR}\n<meta http-equiv=Content-Security-Policy content=\"{policy}\">\n\
         <title>{}</title>\n<style>{STYLE}</style>\n</head>\n<body>\n{body}{script}</body>\n</html>\n",
        html(title)
    )
}
