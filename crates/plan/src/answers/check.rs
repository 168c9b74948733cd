//! Checks answers against the delivery that they are about: paths that mean nothing, and answers that contradict each other
//! there.

use super::answers::{Answers, At, StemTable};
use crate::mistakes::{Mistake, Mistakes, nearest};

impl Answers {
    /// Checks the answers against the paths of a delivery, and of what was prepared of it before.
    ///
    /// # Errors
    /// All mistakes, each with line and column.
    pub fn check(&self, paths: &[&str]) -> Result<(), Mistakes> {
        let mut found = Vec::new();
        for table in &self.stems {
            self.check_stem(table, paths, &mut found);
        }
        for table in &self.findings {
            if let Some(stem) = table.stem.as_ref().filter(|stem| !paths.iter().any(|path| stem.means(path)))
            {
                found.push(nothing(&stem.text, table.at, paths));
            }
        }
        for path in paths {
            self.contradictions(path, &mut found);
        }
        self.same_labels(paths, &mut found);
        found.sort_by_key(|mistake| (mistake.line, mistake.column));
        found.dedup();
        if found.is_empty() { Ok(()) } else { Err(Mistakes(found)) }
    }

    fn check_stem(&self, table: &StemTable, paths: &[&str], found: &mut Vec<Mistake>) {
        let meant: Vec<&str> = paths.iter().copied().filter(|path| table.pattern.means(path)).collect();
        if meant.is_empty() {
            return found.push(nothing(&table.pattern.text, table.at, paths));
        }
        let said = &table.said;
        let single = [
            ("label", said.label.is_some()),
            ("newer-of", said.newer_of.is_some()),
            ("pair-with", said.pair_with.is_some()),
        ];
        if meant.len() > 1
            && let Some((key, _)) = single.iter().find(|(_, is)| *is)
        {
            let text = format!(
                "found {key} for \"{}\", which means {} stems: allowed is a path that means one",
                table.pattern.text,
                meant.len()
            );
            found.push(at(table.at, text));
        }
        for (key, other) in [("newer-of", &said.newer_of), ("pair-with", &said.pair_with)] {
            let Some(other) = other else { continue };
            let place = table.other_at.unwrap_or(table.at);
            if !paths.contains(&other.as_str()) {
                found.push(nothing(other, place, paths));
                continue;
            }
            let back = self.of(other);
            if key == "newer-of" && back.newer_of.as_deref() == meant.first().copied() {
                let text = format!(
                    "found \"{other}\" as the older one, but it is called the newer one of this: allowed is one of the two"
                );
                found.push(at(place, text));
            }
            if key == "pair-with" && back.pair_with.as_deref().is_some_and(|third| !meant.contains(&third)) {
                let text = format!(
                    "found a pair with \"{other}\", which is in another pair already: allowed is one pair for each stem"
                );
                found.push(at(place, text));
            }
            if back.leave_out == Some(true) && key == "pair-with" {
                let text =
                    format!("found a pair with \"{other}\", which is left out: allowed is one of the two");
                found.push(at(place, text));
            }
        }
    }

    /// Two globs that say different things of one stem; a path goes before a glob.
    fn contradictions(&self, path: &str, found: &mut Vec<Mistake>) {
        let exact: Vec<String> = self
            .stems
            .iter()
            .filter(|table| table.pattern.is(path))
            .flat_map(|table| table.said.words().into_keys())
            .collect();
        let mut seen: Vec<(String, String, At)> = Vec::new();
        for table in self.stems.iter().filter(|table| table.pattern.means(path) && !table.pattern.is(path)) {
            for (key, words) in table.said.words().into_iter().filter(|(key, _)| !exact.contains(key)) {
                match seen.iter().find(|(known, ..)| *known == key) {
                    Some((_, other, place)) if *other != words => {
                        let text = format!(
                            "found {key} \"{words}\" for \"{path}\", which line {} calls \"{other}\": allowed is one of the two, or a table for this path alone",
                            place.0
                        );
                        found.push(at(table.at, text));
                    }
                    Some(_) => {}
                    None => seen.push((key, words, table.at)),
                }
            }
        }
    }

    fn same_labels(&self, paths: &[&str], found: &mut Vec<Mistake>) {
        let labelled: Vec<(&StemTable, &String)> =
            self.stems.iter().filter_map(|table| Some((table, table.said.label.as_ref()?))).collect();
        for (index, (table, label)) in labelled.iter().enumerate() {
            let same = |(_, other): &&(&StemTable, &String)| other.to_lowercase() == label.to_lowercase();
            let different = |other: &StemTable| {
                paths.iter().any(|path| other.pattern.means(path) && !table.pattern.means(path))
            };
            if let Some((other, _)) =
                labelled[..index].iter().find(same).filter(|(other, _)| different(other))
            {
                let text = format!(
                    "found label \"{label}\" for \"{}\", which is that of \"{}\" in line {}: allowed is a label for one stem",
                    table.pattern.text, other.pattern.text, other.at.0
                );
                found.push(at(table.at, text));
            }
        }
    }
}

fn at((line, column): At, text: String) -> Mistake {
    Mistake { line, column, text }
}

fn nothing(pattern: &str, place: At, paths: &[&str]) -> Mistake {
    let text = format!(
        "found \"{pattern}\", which means no file of the delivery: allowed is a path inside it or a glob{}",
        nearest(pattern, paths)
    );
    at(place, text)
}
