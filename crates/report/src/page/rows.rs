//! The table of stems: for each two lines, as delivered and as prepared, and below them what was done and found.

use std::fmt::Write;

use loadin_record::finding::{Finding, Severity};
use loadin_record::manifest::{Change, State, StemRecord};
use loadin_record::role::StemRole;

use super::families::key;
use super::overview::{path_href, playable};
use super::sheet::Sheet;
use crate::picture::{mark, pictures};
use crate::text::{clock, file, html, number};
use crate::together::Together;
use crate::words;

/// All stems.
pub(super) fn stems(sheet: &Sheet<'_>) -> String {
    let loudness = sheet.manifest.stems.iter().any(|stem| stem.source.loudness_lufs.is_some());
    let table = Table { sheet, loudness, common: common(sheet) };
    let rows: String =
        sheet.manifest.stems.iter().enumerate().map(|(i, stem)| table.stem(i + 1, stem)).collect();
    let loud = if loudness { "<th scope=col class=n>Loudness <small>LUFS</small></th>" } else { "" };
    let sizes = if loudness { "loud" } else { "" };
    format!(
        "<section aria-labelledby=stems-title>\n<h2 id=stems-title>Stems</h2>\n{}{}\n{DEFINITIONS}\
         <div class=scroll><table class=\"stems {sizes}\"><caption class=sr>Every stem, as delivered and as prepared, \
         on one time axis from {} to {}</caption>\n<thead><tr><th scope=col>Stem</th><th scope=col><span class=sr>State</span></th>\
         <th scope=col class=scale>{}</th><th scope=col>Format</th><th scope=col class=n>Peak <small>dBFS</small></th>\
         <th scope=col class=n>True peak <small>dBTP</small></th>{loud}</tr>{}</thead>\n{rows}</table></div>\n\
         <p id=none hidden>No stem fits the filter.</p>\n</section>\n",
        shared_changes(&table),
        tools(sheet),
        clock(sheet.axis.start, 2),
        clock(sheet.axis.end, 2),
        scale(sheet),
        together(sheet, loudness),
    )
}

/// A line above the stems: all of them together.
fn together(sheet: &Sheet<'_>, loudness: bool) -> String {
    let Some(sum) = Together::of(sheet.manifest, &sheet.surveys, &sheet.axis) else { return String::new() };
    format!(
        "<tr class=all><td>All stems together</td><td class=when>power sum</td><td class=pic>{}</td>\
         <td colspan={}>{}</td></tr>\n",
        sum.picture(&sheet.axis),
        if loudness { 4 } else { 3 },
        sum.words(&sheet.axis)
    )
}

/// What was done to most stems, and why.
fn shared_changes(table: &Table<'_>) -> String {
    if table.common.is_empty() {
        return String::new();
    }
    let list: Vec<String> =
        table.common.iter().map(|(what, why)| format!("<b>{}</b> ({})", html(what), html(why))).collect();
    let done = table.sheet.act.word("To most stems would be done", "Done to most stems");
    format!("<p class=common>{done}: {}.</p>\n", list.join(", "))
}

/// The pattern of missing audio, once for all pictures.
const DEFINITIONS: &str = "<svg class=defs aria-hidden=true><defs><pattern id=gap width=3 height=50 \
     patternUnits=userSpaceOnUse><path d=\"M0 50L3 0\"/></pattern></defs></svg>\n";

/// The time scale over the pictures.
fn scale(sheet: &Sheet<'_>) -> String {
    let ticks = sheet.axis.ticks();
    let digits = usize::from(ticks.windows(2).any(|pair| pair[1] - pair[0] < 1.0));
    let mut text = "<span class=sr>Waveform</span><span class=ticks aria-hidden=true>".to_owned();
    for tick in ticks {
        let at = sheet.axis.percent(tick);
        // The last label would hang over the edge.
        let label = if at > 94.0 { String::new() } else { clock(tick, digits) };
        let _ = write!(text, "<i style=\"left:{at:.2}%\">{label}</i>");
    }
    text + "</span>"
}

/// Controls for sorting and filtering; the script shows them, since without it they would do nothing.
fn tools(sheet: &Sheet<'_>) -> String {
    let stems = &sheet.manifest.stems;
    let mut states: Vec<State> = Vec::new();
    let mut ids: Vec<&str> = Vec::new();
    for stem in stems {
        if !states.contains(&stem.state) {
            states.push(stem.state);
        }
        ids.extend(stem.findings.iter().map(|finding| finding.id.as_str()));
    }
    ids.sort_unstable();
    ids.dedup();
    let mut options =
        "<option value=\"\">all stems</option><option value=\"needs\">stems that need a person</option>"
            .to_owned();
    for state in states {
        let _ = write!(options, "<option value=\"state {0}\">{0}</option>", state.as_str());
    }
    for id in ids {
        let _ = write!(options, "<option value=\"finding {id}\">finding: {id}</option>");
    }
    format!(
        "<form id=tools hidden><label>Show <select id=filter>{options}</select></label>\
         <label>Order <select id=order><option value=order>as prepared</option><option value=name>by source name</option>\
         <option value=group>by group</option><option value=peak>loudest first</option>\
         <option value=rise>most raised first</option><option value=worst>findings first</option></select></label>\
         <label>Search <input id=search type=search placeholder=\"name or text\"></label>\
         <output id=shown aria-live=polite></output>\
         <p class=hint>In the list: <kbd>↑</kbd> <kbd>↓</kbd> stem, <kbd>n</kbd> <kbd>p</kbd> stem with findings, \
         <kbd>/</kbd> search, <kbd>Esc</kbd> back.</p></form>"
    )
}

struct Table<'a> {
    sheet: &'a Sheet<'a>,
    loudness: bool,
    /// What most stems share is explained once, above the table.
    common: Vec<(String, String)>,
}

/// What was done to a stem, in words, each with its reason. Its name stands beside it anyway.
fn changes_of(stem: &StemRecord) -> impl Iterator<Item = (String, String)> {
    stem.changes.iter().filter(|change| change.stage != "label").map(|change| words::change(change, stem))
}

/// The changes that at least half of the outputs share.
fn common(sheet: &Sheet<'_>) -> Vec<(String, String)> {
    let outputs = sheet.manifest.stems.iter().filter(|stem| stem.output.is_some()).count();
    let mut counts: Vec<((String, String), usize)> = Vec::new();
    for change in sheet.manifest.stems.iter().flat_map(changes_of) {
        match counts.iter_mut().find(|(known, _)| *known == change) {
            Some((_, count)) => *count += 1,
            None => counts.push((change, 1)),
        }
    }
    counts
        .into_iter()
        .filter(|(_, count)| *count > 1 && count * 2 >= outputs)
        .map(|(change, _)| change)
        .collect()
}

impl Table<'_> {
    fn stem(&self, order: usize, stem: &StemRecord) -> String {
        let open = stem.findings.iter().filter(|finding| finding.answer.is_none());
        let worst = open.map(|finding| finding.severity as u8 + 1).max().unwrap_or(0);
        let lost = stem.is_missed();
        let ids: Vec<&str> = stem.findings.iter().map(|finding| finding.id.as_str()).collect();
        let after = stem.output.as_ref().and_then(|output| output.peak_dbfs);
        let peak = after.or(stem.source.peak_dbfs).unwrap_or(-999.0);
        let rise = after.zip(stem.source.peak_dbfs).map_or(-999.0, |(after, before)| after - before);
        format!(
            "<tbody id=s{order} class=\"stem {}\" data-order={order} data-name=\"{}\" data-group=\"{}\" \
             data-peak=\"{peak}\" data-rise=\"{rise:.3}\" data-worst={} data-state=\"{}\" data-findings=\"{}\">\n{}{}</tbody>\n",
            if lost { "lost" } else { "" },
            html(&stem.source.path),
            html(&stem.group),
            if lost { 3 } else { worst },
            stem.state.as_str(),
            ids.join(" "),
            self.lines(order, stem),
            self.said(order, stem),
        )
    }

    /// The two lines.
    fn lines(&self, order: usize, stem: &StemRecord) -> String {
        let measures = self.sheet.surveys.of(stem);
        let drawn = pictures(stem, self.sheet.manifest, measures, &self.sheet.axis);
        let act = self.sheet.act;
        let source = &stem.source;
        let head = head(order, stem, &drawn.scale);
        let mut form = words::format(source);
        let sounding = measures.filter(|measures| measures.active_frames > 0);
        form.extend(sounding.and_then(|m| m.relation.as_ref()).map(words::fold_down));
        let before = self.cells(&form, [source.peak_dbfs, source.true_peak_dbtp, source.loudness_lufs]);
        let flags = self.flags(stem);
        let folded = self.nothing_shows(stem);
        let none = "<span class=none>no picture: the measurements are not stored here</span>".to_owned();
        let picture = drawn.before.unwrap_or(if measures.is_none() && source.frames.is_some() {
            none
        } else {
            String::new()
        });
        let (picture_after, after) = match &stem.output {
            Some(output) => {
                let gain = stem.changes.iter().find(|change| change.stage == "gain-stage");
                let gain_db = gain.and_then(|change| change.to.as_f64()).unwrap_or(0.0);
                let form = [
                    words::rate(output.rate_hz),
                    words::depth(output.bits, output.float),
                    words::layout(output.channels),
                ];
                let levels = [
                    output.peak_dbfs,
                    output.true_peak_dbtp,
                    source.loudness_lufs.map(|lufs| lufs + gain_db),
                ];
                (drawn.after.unwrap_or_default(), self.cells(&form, levels))
            }
            None => (
                format!("<span class=none>{}</span>", act.word("would not be prepared", "not prepared")),
                self.cells(&[], [None; 3]),
            ),
        };
        let (before_picture, picture_after) = match folded {
            Some(why) if !picture_after.is_empty() => (
                format!(
                    "<details class=same><summary>{why} has changed: show both</summary>\
                     <div class=both>{picture}{flags}{picture_after}</div></details>"
                ),
                String::new(),
            ),
            _ => (format!("{picture}{flags}"), picture_after),
        };
        format!(
            "<tr class=was>{head}<td class=when>delivered</td><td class=pic>{before_picture}</td>{before}</tr>\n\
             <tr class=now><td class=when>{}</td><td class=pic>{picture_after}</td>{after}</tr>\n",
            act.word("planned", "prepared")
        )
    }

    /// Why the two pictures of a stem tell nothing: its level or its format has changed, and what has changed with most stems.
    /// What a person should look at stays open.
    fn nothing_shows(&self, stem: &StemRecord) -> Option<&'static str> {
        let shows = |change: &&Change| {
            let is_seen = !matches!(change.stage.as_str(), "gain-stage" | "label" | "re-encode" | "resample");
            is_seen && !self.common.contains(&words::change(change, stem))
        };
        let matters = |finding: &&Finding| finding.answer.is_none() && finding.severity > Severity::Note;
        if stem.findings.iter().any(|finding| matters(&finding))
            || stem.changes.iter().any(|change| shows(&change))
        {
            return None;
        }
        let has_gain = stem.changes.iter().any(|change| change.stage == "gain-stage");
        Some(if has_gain { "nothing of its own but the gain" } else { "nothing of its own" })
    }

    /// The browser's own player of the prepared file.
    fn player(&self, order: usize, stem: &StemRecord) -> String {
        let Some(output) = playable(self.sheet, stem) else { return String::new() };
        format!(
            "<audio controls preload=none data-stem={order} src=\"{}\" aria-label=\"{}\"></audio>",
            path_href(&output.path),
            html(words::label(stem))
        )
    }

    /// Format and levels.
    fn cells(&self, form: &[String], levels: [Option<f64>; 3]) -> String {
        const LEVELS: [&str; 3] = ["peak", "true", "LUFS"];
        let form: Vec<String> = form.iter().map(|word| format!("<span>{}</span>", html(word))).collect();
        let mut text = format!("<td class=form>{}</td>", form.join(" "));
        for (index, level) in levels.iter().enumerate() {
            if index < 2 || self.loudness {
                let words = level
                    .map_or("–".to_owned(), |level| number(level, if index < 2 { 2 } else { 1 }, false));
                let _ = write!(text, "<td class=n data-what={}>{words}</td>", LEVELS[index]);
            }
        }
        text
    }

    /// Small numbers over the picture that lead the eye from a finding to its place.
    fn flags(&self, stem: &StemRecord) -> String {
        let mut text = String::new();
        for (index, finding) in stem.findings.iter().enumerate() {
            if let Some(mark) = mark(finding, stem, self.sheet.manifest) {
                let at = self.sheet.axis.percent(mark.at);
                let _ = write!(
                    text,
                    "<i class=\"flag {}\" style=\"left:{at:.2}%\" aria-hidden=true>{}</i>",
                    finding.severity.as_str(),
                    index + 1
                );
            }
        }
        text
    }

    /// What was done, and what was found.
    fn said(&self, order: usize, stem: &StemRecord) -> String {
        let changes: Vec<String> = changes_of(stem)
            .map(|(what, why)| {
                let why =
                    if self.common.contains(&(what.clone(), why.clone())) { String::new() } else { why };
                format!("<li>{} <small>{}</small></li>", html(&what), html(&why))
            })
            .collect();
        let words = |(key, words): (&String, &String)| format!("{} {}", html(key), html(words));
        let corrected: Vec<String> = stem.corrected.iter().map(words).collect();
        let corrected = if corrected.is_empty() {
            String::new()
        } else {
            format!("<p>Corrected by hand: {}</p>", corrected.join(", "))
        };
        let done = match (&stem.error, changes.is_empty()) {
            (Some(error), _) => format!("<p class=error><b>{}:</b> {}</p>", stem.state.as_str(), html(error)),
            (None, true) => format!(
                "<p>{}</p>",
                self.sheet.act.word("nothing would change but its name", "nothing changed but its name")
            ),
            (None, false) => format!("<ul class=changes>{}</ul>", changes.concat()),
        };
        let findings: String = stem
            .findings
            .iter()
            .enumerate()
            .map(|(index, f)| self.finding(order, index + 1, f, stem))
            .collect();
        let findings =
            if findings.is_empty() { String::new() } else { format!("<ol class=findings>{findings}</ol>") };
        let columns = if self.loudness { 7 } else { 6 };
        format!(
            "<tr class=said><td colspan={columns}>{findings}{corrected}{done}{}</td></tr>\n",
            self.player(order, stem)
        )
    }

    fn finding(&self, order: usize, number: usize, finding: &Finding, stem: &StemRecord) -> String {
        let place = mark(finding, stem, self.sheet.manifest).filter(|mark| mark.in_file > 0.0);
        let place = place.map_or(String::new(), |mark| {
            format!(" <span class=at>at {} of the file</span>", clock(mark.in_file, 3))
        });
        format!(
            "<li id=s{order}f{number}>{} <b>{}</b> {}{place}{}</li>",
            sign(finding.severity),
            finding.id.as_str(),
            html(&finding.text),
            answer(finding)
        )
    }
}

/// What was answered to a finding, with who and when.
pub(super) fn answer(finding: &Finding) -> String {
    let Some(answer) = &finding.answer else { return String::new() };
    let given = answer.given();
    let given = if given.is_empty() { String::new() } else { format!(" ({})", html(&given)) };
    format!(" <small>Answered{given}: {}</small>", html(&answer.text))
}

/// The name of a stem, with its group and state.
fn head(order: usize, stem: &StemRecord, scale: &str) -> String {
    let label = file(words::label(stem));
    // Without an output there is no label, only the client's name for it.
    let class = if stem.output.is_some() { "label" } else { "file alone" };
    let source = if stem.output.is_some() {
        format!("<span class=file>{}</span>", file(&stem.source.path))
    } else {
        String::new()
    };
    let scale =
        if scale.is_empty() { String::new() } else { format!("<span class=zoom>drawn {scale}</span>") };
    let reference =
        if stem.role == StemRole::Reference && stem.group != "reference" { ", reference" } else { "" };
    format!(
        "<th scope=rowgroup rowspan=2 tabindex={}><b class=\"{class}\">{label}</b>{source}\
         <span class=meta>{}{}{reference}{}</span>{scale}</th>",
        if order == 1 { 0 } else { -1 },
        key(&stem.group),
        html(&stem.group),
        match stem.state {
            State::Prepared => String::new(),
            state => format!(" · <b>{}</b>", state.as_str()),
        },
    )
}

/// A severity as a shape with its word, so that colour is never needed.
pub(super) fn sign(severity: Severity) -> String {
    let (shape, word) = match severity {
        Severity::Problem => ("■", "problem"),
        Severity::Attention => ("▲", "attention"),
        Severity::Note => ("○", "note"),
    };
    format!("<span class=\"sign {word}\"><i aria-hidden=true>{shape}</i> {word}</span>")
}
