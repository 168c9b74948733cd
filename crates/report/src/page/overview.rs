//! All stems at one look: a thin row each, on one amplitude scale and one time axis with bars and sections.
//!
//! A row's height is its amplitude, so what is quiet looks quiet. It says nothing that the stems below do not say longer.

use std::fmt::Write;

use loadin_record::finding::{Id, Readiness};
use loadin_record::manifest::{OutputRecord, StemRecord};
use loadin_record::role::StemRole;

use super::families::key;
use super::names::name;
use super::ruler::{grid, ruler};
use super::sheet::{Act, Sheet};
use crate::picture::{Shape, delivered, mark, prepared};
use crate::text::{clock, href, html, number};
use crate::timeline::{COLUMNS, output_span, source_span};
use crate::wave::{Lane, Trace, strokes};

/// Units from the middle of a row to the loudest sample of the delivery. A stem 40 dB below has 50 of them.
const REACH: i32 = 5000;
const LANE: Lane = Lane { middle: REACH, reach: REACH };

/// One row: the record of a stem, or of the first half of a joined pair.
struct Row<'a> {
    order: usize,
    stem: &'a StemRecord,
    trace: Option<Trace>,
    /// Columns where the source is clipped.
    clips: Vec<(usize, usize)>,
}

/// The section, with whatever stands at its head.
pub(super) fn overview(sheet: &Sheet<'_>, head: &str) -> String {
    let rows = rows(sheet);
    if rows.is_empty() {
        return String::new();
    }
    let peak = rows.iter().filter_map(|row| row.trace.as_ref()).map(Trace::peak).fold(0.0, f64::max);
    let scale = if peak > 0.0 { 1.0 / peak } else { 1.0 };
    let items: String = rows.iter().map(|row| row.item(sheet, scale)).collect();
    let loudest = if peak > 0.0 {
        format!("full height is {} dBFS, the loudest of all", number(20.0 * libm::log10(peak), 1, false))
    } else {
        "all is silent".to_owned()
    };
    format!(
        "<section class=overview aria-labelledby=overview-title style=\"--rows:{}\"><h2 id=overview-title>All stems on one \
         scale <small>{loudest}</small></h2>\n{DEFINITIONS}{head}<div class=field data-start={:.6} data-end={:.6}>\n{}{}\
         <ol class=rows role=list>\n{items}</ol></div>\n{}</section>\n",
        rows.len(),
        sheet.axis.start,
        sheet.axis.end,
        ruler(sheet),
        grid(sheet),
        legend(&rows),
    )
}

/// A pattern for what is cut off, once for all rows.
const DEFINITIONS: &str = "<svg class=defs aria-hidden=true><defs><pattern id=cut width=4 height=4000 \
     patternUnits=userSpaceOnUse><path d=\"M0 4000L4 0\"/></pattern></defs></svg>\n";

/// Stems in their order, references such as the rough mix below them.
fn rows<'a>(sheet: &Sheet<'a>) -> Vec<Row<'a>> {
    let stems = &sheet.manifest.stems;
    let mut rows: Vec<Row<'a>> = Vec::new();
    for (index, stem) in stems.iter().enumerate() {
        let one = row(sheet, index, stem);
        let path = |stem: &StemRecord| stem.output.as_ref().map(|output| output.path.clone());
        // The halves of a joined pair are one file.
        match rows.iter_mut().find(|row| path(stem).is_some() && path(row.stem) == path(stem)) {
            Some(row) => row.join(one),
            None => rows.push(one),
        }
    }
    rows.sort_by_key(|row| row.stem.role == StemRole::Reference);
    rows
}

fn row<'a>(sheet: &Sheet<'a>, index: usize, stem: &'a StemRecord) -> Row<'a> {
    let measures = sheet.surveys.of(stem);
    let (mut trace, mut clips) = (None, Vec::new());
    if let Some(measures) = measures {
        let as_delivered = delivered(stem, sheet.manifest, measures, 0..measures.envelope.channels.len());
        for finding in stem.findings.iter().filter(|f| matches!(f.id, Id::ClippedRuns | Id::FlatTops)) {
            if let Some(Shape::Reaching(level)) = mark(finding, stem, sheet.manifest).map(|mark| mark.shape) {
                clips.extend(as_delivered.reaching(&sheet.axis, level));
            }
        }
        let drawn = prepared(stem, sheet.manifest, measures).unwrap_or(as_delivered);
        trace = Some(drawn.trace(&sheet.axis));
    }
    Row { order: index + 1, stem, trace, clips }
}

impl Row<'_> {
    /// Takes the other half of a joined pair in.
    fn join(&mut self, other: Self) {
        self.clips.extend(other.clips);
        match (&mut self.trace, other.trace) {
            (Some(Trace(own)), Some(Trace(others))) => {
                for (own, other) in own.iter_mut().zip(others) {
                    let Some((low, high)) = other else { continue };
                    let (least, greatest) = own.unwrap_or((low, high));
                    *own = Some((least.min(low), greatest.max(high)));
                }
            }
            (own, other) => *own = own.take().or(other),
        }
    }

    fn item(&self, sheet: &Sheet<'_>, scale: f64) -> String {
        let (stem, order) = (self.stem, self.order);
        let name = name(stem, sheet.manifest);
        // No break inside: a row has one line.
        let label = html(&name);
        format!(
            "<li class=row data-stem={order}><span class=who>{}<a href=\"#s{order}\">{label}</a>{}</span>{}{}</li>\n",
            key(&stem.group),
            doubt(stem),
            self.strip(sheet, scale),
            hear(sheet, stem, &name),
        )
    }

    /// The picture of a row: what is cut, what is added, where it sounds, how loud, and where it is clipped.
    fn strip(&self, sheet: &Sheet<'_>, scale: f64) -> String {
        let Some(trace) = &self.trace else {
            let why = if self.stem.source.frames.is_some() { "no picture" } else { "cannot be read" };
            return format!("<span class=strip>{why}</span>");
        };
        let mut body = String::new();
        let (source, output) = (source_span(self.stem, sheet.manifest, None), output_span(self.stem));
        if let Some(output) = output {
            let mut stretch = |class: &str, from: f64, to: f64| {
                let (from, to) = (sheet.axis.column(from) - 0.5, sheet.axis.column(to) - 0.5);
                if to - from > 0.01 {
                    let fill = if class == "cut" { " fill=\"url(#cut)\"" } else { "" };
                    let _ = write!(
                        body,
                        "<path class={class}{fill} d=\"M{from:.2} 0h{:.2}v{}H{from:.2}z\"/>",
                        to - from,
                        2 * REACH
                    );
                }
            };
            stretch("cut", source.0, output.0.min(source.1));
            stretch("cut", output.1.max(source.0), source.1);
            stretch("pad", output.0, source.0.min(output.1));
            stretch("pad", source.1.max(output.0), output.1);
        }
        let (there, sound) = (strokes(&trace.sounds(), REACH), trace.path(LANE, scale));
        let clips = strokes(&self.clips, REACH / 5);
        for (class, path) in [("there", there), ("sound", sound), ("clip", clips)] {
            if !path.is_empty() {
                let _ = write!(body, "<path class={class} d=\"{path}\"/>");
            }
        }
        format!(
            "<svg class=\"strip{}\" viewBox=\"-0.5 0 {COLUMNS} {}\" preserveAspectRatio=none role=img \
             aria-label=\"{}\">{body}</svg>",
            if output.is_none() { " lost" } else { "" },
            2 * REACH,
            html(&in_words(trace, self.clips.len())),
        )
    }
}

/// The row for those who do not see it.
fn in_words(trace: &Trace, clips: usize) -> String {
    let all = trace.0.iter().flatten().count().max(1);
    let sounding: usize = trace.sounds().iter().map(|(from, to)| to - from).sum();
    let peak = trace.peak();
    if sounding == 0 {
        return "silent".to_owned();
    }
    let clipped = if clips > 0 { ", clipped" } else { "" };
    format!(
        "peak {} dBFS, sounds {} % of the time{clipped}",
        number(20.0 * libm::log10(peak), 1, false),
        (sounding * 100 + all / 2) / all
    )
}

/// A shape with its word where a stem is not ready.
fn doubt(stem: &StemRecord) -> String {
    let (shape, class) = match stem.readiness() {
        Some(Readiness::InQuestion) => ("▲", "attention"),
        Some(Readiness::NotUsable) => ("■", "problem"),
        Some(Readiness::Ready) | None => return String::new(),
    };
    let word = stem.readiness().map_or("", Readiness::as_str);
    format!(
        "<span class=\"doubt {class}\" title=\"{word}\"><i aria-hidden=true>{shape}</i><span class=sr> {word}</span></span>"
    )
}

/// A link to the prepared file; the script makes a player's button of it.
fn hear(sheet: &Sheet<'_>, stem: &StemRecord, label: &str) -> String {
    match playable(sheet, stem) {
        Some(output) => format!(
            "<a class=hear href=\"{}\"><span aria-hidden=true>▶</span><span class=sr>hear {}</span></a>",
            path_href(&output.path),
            html(label)
        ),
        None => "<span class=hear></span>".to_owned(),
    }
}

/// The file that can be heard: an audit has written none.
pub(super) fn playable<'a>(sheet: &Sheet<'_>, stem: &'a StemRecord) -> Option<&'a OutputRecord> {
    stem.output.as_ref().filter(|_| sheet.act == Act::Prepared)
}

/// A path inside the output folder as a relative link.
pub(super) fn path_href(path: &str) -> String {
    // `./` first, so that no name is taken for a scheme.
    format!("./{}", path.split('/').map(href).collect::<Vec<_>>().join("/"))
}

/// What the marks mean: the groups that are there, and the signs of the rows.
fn legend(rows: &[Row<'_>]) -> String {
    let mut groups: Vec<&str> = Vec::new();
    for row in rows {
        if !groups.contains(&row.stem.group.as_str()) {
            groups.push(&row.stem.group);
        }
    }
    let groups: String =
        groups.iter().map(|group| format!("<span>{}{}</span> ", key(group), html(group))).collect();
    format!(
        "<p class=legend>{groups}<span><i class=hatched></i>cut off</span> <span><i class=dotted></i>silence added</span> \
         <span><i class=clipped></i>clipped</span> <span>▲ in question</span> <span>■ not usable</span></p>\n"
    )
}

/// The span of the axis in words.
pub(super) fn span(sheet: &Sheet<'_>) -> String {
    format!("{} to {}", clock(sheet.axis.start, 2), clock(sheet.axis.end, 2))
}
