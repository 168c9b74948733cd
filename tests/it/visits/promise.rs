//! The promise against the record: what a manifest says after a visit, held against what it must say. What it rightly
//! says is taken over as what the next visit has to keep.

use std::collections::BTreeSet;
use std::path::{Path, PathBuf};

use serde_json::Value;

use super::oracle::{Ask, Assigned, Fate, Fault, Oracle, Shared, Stem, Touched, Visit, hold};
use super::recipe::{Recipe, plain};
use crate::job::findings;

/// Names that Windows keeps for devices ("Naming Files, Paths, and Namespaces", Win32 documentation; from memory).
const RESERVED: &[&str] = &["con", "prn", "aux", "nul"];

impl Oracle {
    /// Holds the manifest of a visit that went through against the promise, and takes it over.
    pub(super) fn take_over(&mut self, visit: &Visit, manifest: &Value) -> Result<(), Fault> {
        if !self.is_prepared() || visit.ask == Ask::Relink {
            self.begin_anew(visit);
            hold!(manifest["late"].is_null(), "a new preparation speaks of late files: {}", manifest["late"]);
        }
        let assigned = self.assign(&visit.delivered);
        let fates: Vec<Fate> =
            (0..self.stems.len()).map(|index| self.fate(index, visit, &assigned)).collect();
        for (index, fate) in fates.into_iter().enumerate() {
            self.keeps(index, fate, visit, &assigned, manifest)?;
        }
        let recipe = self.recipe_at(visit).clone();
        for path in &assigned.new {
            let given = &visit.delivered[path];
            let wanted = given.readable && !recipe.leaves_out(path) && !visit.heard.leaves_out(path);
            let entry = entry(manifest, path, &given.sha256)
                .ok_or_else(|| Fault(format!("{path:?} is not in the manifest")))?;
            hold!(wanted != entry["output"].is_null(), "{path:?}: {} {}", entry["state"], entry["error"]);
            if wanted {
                self.greets(path, visit, &recipe, entry, manifest)?;
            }
        }
        self.lists_nothing_else(manifest)?;
        let sources = entries(manifest).iter().filter_map(|entry| entry["source"]["sha256"].as_str());
        self.known = sources.map(str::to_owned).collect();
        hold!(
            manifest["recipe"]["sha256"] == recipe.sha256().as_str(),
            "the manifest names another recipe than {recipe}"
        );
        self.recipe = Some(recipe);
        let title = manifest["facts"]["title"]["value"].as_str().map(str::to_owned);
        let wanted = visit.said.title();
        hold!(wanted.is_none() || title == wanted, "the title is {title:?}, said was {wanted:?}");
        let answers = manifest["answers"]["sha256"].as_str().map(str::to_owned);
        hold!(answers == visit.said.sha256(), "the manifest names other answers than {}", visit.said);
        self.remember(visit);
        Ok(())
    }

    /// Forgets the preparation. Outputs that nobody could make again must be found in `set-aside`.
    fn begin_anew(&mut self, visit: &Visit) {
        for stem in std::mem::take(&mut self.stems).into_iter().filter(|stem| stem.listed) {
            match stem.touched {
                Some(Touched::Edited(bytes)) => drop(self.foreign.insert(stem.output, bytes)),
                Some(Touched::Deleted) => {}
                None if visit.delivered.values().any(|given| given.sha256 == stem.source) => {}
                None => drop(self.owed.insert(stem.made)),
            }
        }
        self.shared = None;
    }

    /// A stem that had a label before.
    fn keeps(
        &mut self,
        index: usize,
        fate: Fate,
        visit: &Visit,
        assigned: &Assigned,
        manifest: &Value,
    ) -> Result<(), Fault> {
        let before = self.stems[index].clone();
        let path = assigned.paths.get(&index).unwrap_or(&before.path);
        let given = assigned.paths.get(&index).map(|path| &visit.delivered[path]);
        let entry = given
            .and_then(|given| entry(manifest, path, &given.sha256))
            .or_else(|| entry(manifest, path, &before.seen));
        match fate {
            Fate::LeftOut | Fate::Absent => {
                let has_output = entry.is_some_and(|entry| !entry["output"].is_null());
                hold!(!has_output, "{path:?} ({fate:?}) has an output");
                self.loses(index, fate, path);
                if let Some(given) = given {
                    self.stems[index].seen.clone_from(&given.sha256);
                }
                return Ok(());
            }
            Fate::Gone | Fate::Unreadable => stands_in(&before, fate, entry)?,
            _ => {}
        }
        let entry = entry.ok_or_else(|| Fault(format!("{path:?} ({fate:?}) is not in the manifest")))?;
        let coarse = self.recipe_at(visit).is_coarse(path);
        let renamed = fate == Fate::Renewed && self.is_renamed(index, path, visit);
        if renamed {
            let recipe = self.recipe_at(visit).clone();
            self.is_called(index, visit.heard.label(path), &recipe, entry)?;
        }
        let before = self.stems[index].clone();
        let same_source = given.is_some_and(|given| given.sha256 == before.source);
        let differs = match fate {
            Fate::Replaced => true,
            Fate::Renewed | Fate::LetIn => !same_source || coarse != before.coarse,
            _ => false,
        };
        if !renamed {
            self.is_the_output_of(&before, path, differs, entry)?;
        }
        self.shares(path, before.unstamped && given.is_none_or(|given| !given.stamped), entry, manifest)?;
        let touched = match (fate, self.foreign.remove(&before.output)) {
            (Fate::LetIn, Some(bytes)) => Some(Touched::Edited(bytes)),
            (Fate::Remade | Fate::Replaced | Fate::Renewed | Fate::LetIn, _) => None,
            _ => before.touched,
        };
        says(path, fate, touched.as_ref(), entry)?;
        if fate == Fate::Replaced && plain(path).is_some() {
            hold!(late(manifest, path) == Some("replaced"), "{path:?} was replaced: {}", manifest["late"]);
        }
        let stem = &mut self.stems[index];
        (stem.touched, stem.listed, stem.made) = (touched, true, text(&entry["output"]["sha256"]));
        stem.path.clone_from(path);
        if !matches!(fate, Fate::Kept | Fate::Gone | Fate::Unreadable) {
            stem.coarse = coarse;
        }
        if let Some(given) = given.filter(|given| given.readable) {
            stem.source.clone_from(&given.sha256);
            stem.seen.clone_from(&given.sha256);
            stem.unstamped &= !given.stamped;
        }
        Ok(())
    }

    /// An output has the label that it had, and the bytes too, where there is no reason for others.
    fn is_the_output_of(
        &mut self,
        before: &Stem,
        path: &Path,
        differs: bool,
        entry: &Value,
    ) -> Result<(), Fault> {
        let output = &entry["output"];
        hold!(output["path"] == before.output.as_str(), "{path:?} was {} and is {output}", before.output);
        let made = text(&output["sha256"]);
        if !differs {
            hold!(made == before.made, "{path:?}: the output has other bytes than it had");
            return Ok(());
        }
        // What passes full scale is written in floats, whatever depth is asked for.
        hold!(made != before.made || output["float"] == true, "{path:?}: the output is the old one");
        if before.listed && before.touched.is_none() {
            self.owed.insert(before.made.clone());
        }
        Ok(())
    }

    /// A stem that was made anew and is called otherwise keeps its number; its old output goes out of the way.
    fn is_called(
        &mut self,
        index: usize,
        label: Option<&String>,
        recipe: &Recipe,
        entry: &Value,
    ) -> Result<(), Fault> {
        let stem = &self.stems[index];
        let words = label.map(|label| label.replace(' ', &recipe.separator.to_string())).unwrap_or_default();
        let number = stem.output.trim_start_matches("audio/").chars().take_while(char::is_ascii_digit);
        let number: String = number.collect();
        let wanted = if recipe.number {
            format!("audio/{number}{}{words}.wav", recipe.separator)
        } else {
            format!("audio/{words}.wav")
        };
        let (output, made) = (text(&entry["output"]["path"]), text(&entry["output"]["sha256"]));
        hold!(output == wanted, "{:?} is called {output} and not {wanted}", stem.path);
        if stem.touched.is_none() {
            self.owed.insert(stem.made.clone());
        }
        let stem = &mut self.stems[index];
        (stem.output, stem.made) = (output, made);
        Ok(())
    }

    /// A stem that is left out has no output any more; what a person edited stays theirs.
    fn loses(&mut self, index: usize, fate: Fate, path: &Path) {
        let stem = &mut self.stems[index];
        path.clone_into(&mut stem.path);
        stem.listed = false;
        match stem.touched.take() {
            Some(Touched::Edited(bytes)) => drop(self.foreign.insert(stem.output.clone(), bytes)),
            None if fate == Fate::LeftOut => drop(self.owed.insert(stem.made.clone())),
            _ => {}
        }
    }

    /// A stem that comes new: its label and number were never another's.
    fn greets(
        &mut self,
        path: &Path,
        visit: &Visit,
        recipe: &Recipe,
        entry: &Value,
        manifest: &Value,
    ) -> Result<(), Fault> {
        let (given, output) = (&visit.delivered[path], text(&entry["output"]["path"]));
        for other in &self.stems {
            let number = |output: &str| recipe.number.then(|| number(output)).flatten();
            hold!(
                other.output.to_lowercase() != output.to_lowercase(),
                "{path:?} gets the label {output} of {:?}",
                other.path
            );
            hold!(
                number(&output).is_none() || number(&other.output) != number(&output),
                "{path:?} gets {output}, the number of {:?}, which is {}",
                other.path,
                other.output
            );
        }
        hold!(!self.foreign.contains_key(&output), "{path:?} gets {output}, which is somebody's own file");
        let label = output.trim_start_matches("audio/").split('.').next().unwrap_or_default();
        hold!(!RESERVED.contains(&label.to_lowercase().as_str()), "{path:?} gets {output}");
        self.shares(path, !given.stamped, entry, manifest)?;
        if self.is_prepared() && visit.ask != Ask::Relink && plain(path).is_some() {
            hold!(late(manifest, path) == Some("added"), "{path:?} was added: {}", manifest["late"]);
        }
        self.stems.push(Stem {
            path: path.to_owned(),
            source: given.sha256.clone(),
            seen: given.sha256.clone(),
            output,
            made: text(&entry["output"]["sha256"]),
            listed: true,
            coarse: recipe.is_coarse(path),
            unstamped: !given.stamped,
            touched: None,
        });
        Ok(())
    }

    /// What all stems of a preparation share, whenever they came.
    fn shares(&mut self, path: &Path, unstamped: bool, entry: &Value, manifest: &Value) -> Result<(), Fault> {
        let changes = entry["changes"].as_array().cloned().unwrap_or_default();
        let gain = changes.iter().find(|change| change["stage"] == "gain-stage");
        let found = Shared {
            gain_db: gain.and_then(|gain| gain["to"].as_f64()).unwrap_or(0.0),
            frames: entry["output"]["frames"].as_u64().unwrap_or(0),
            rate_hz: entry["output"]["rate_hz"].as_u64().unwrap_or(0),
            timestamp: entry["output"]["timestamp_frames"].as_u64(),
            unstamped_shift: entry["time_map"]["shift_frames"].as_i64().filter(|_| unstamped),
        };
        let shared = self.shared.get_or_insert_with(|| found.clone());
        shared.unstamped_shift = shared.unstamped_shift.or(found.unstamped_shift);
        let wanted =
            Shared { unstamped_shift: shared.unstamped_shift.filter(|_| unstamped), ..shared.clone() };
        hold!(found == wanted, "{path:?} has {found:?}, the others have {wanted:?}");
        let link = &manifest["link"];
        hold!(
            link["gains"][0]["gain_db"].as_f64() == Some(shared.gain_db)
                && link["length_frames"].as_u64() == Some(shared.frames),
            "the link is {link}, its stems have {shared:?}"
        );
        Ok(())
    }

    /// The manifest lists the outputs of the known stems, each once.
    fn lists_nothing_else(&self, manifest: &Value) -> Result<(), Fault> {
        let listed: Vec<String> = entries(manifest)
            .iter()
            .filter(|entry| !entry["output"].is_null())
            .map(|entry| text(&entry["output"]["path"]))
            .collect();
        let wanted: BTreeSet<&str> =
            self.stems.iter().filter(|stem| stem.listed).map(|stem| stem.output.as_str()).collect();
        let found: BTreeSet<&str> = listed.iter().map(String::as_str).collect();
        hold!(
            found == wanted && found.len() == listed.len(),
            "the manifest lists {listed:?}, wanted are {wanted:?}"
        );
        let written: Vec<String> =
            entries(manifest).iter().map(|entry| text(&entry["source"]["path"])).collect();
        let apart: BTreeSet<&String> = written.iter().collect();
        hold!(apart.len() == written.len(), "two sources are written alike: {written:?}");
        let lossless = |path: &&String| !path.contains(['\u{fffd}', '\n', '\r']);
        hold!(written.iter().all(|path| lossless(&path)), "a path is written with loss: {written:?}");
        Ok(())
    }
}

/// An output that stands in for a source that is gone, or is no sound any more, is said to be one.
fn stands_in(stem: &Stem, fate: Fate, entry: Option<&Value>) -> Result<(), Fault> {
    let entry = entry.ok_or_else(|| Fault(format!("{:?} ({fate:?}) left the manifest", stem.path)))?;
    let of_weight = |finding: &Value| matches!(text(&finding["severity"]).as_str(), "attention" | "problem");
    let said = entry["findings"].as_array().is_some_and(|all| all.iter().any(of_weight));
    hold!(said || fate == Fate::Gone, "{:?} ({fate:?}): no finding says so", stem.path);
    Ok(())
}

/// What is not as it should be is said, and nothing else is.
fn says(path: &Path, fate: Fate, touched: Option<&Touched>, entry: &Value) -> Result<(), Fault> {
    let has = |id: &str| findings(entry).contains(&id);
    hold!(has("source-gone") == (fate == Fate::Gone), "{path:?} ({fate:?}): {:?}", findings(entry));
    let edited = matches!(touched, Some(Touched::Edited(_)));
    hold!(has("output-edited") == edited, "{path:?}, edited: {edited}: {:?}", findings(entry));
    Ok(())
}

fn entries(manifest: &Value) -> &[Value] {
    manifest["stems"].as_array().map_or(&[], Vec::as_slice)
}

/// What the manifest says of the source at this path; one whose name is more than text is known by its content.
fn entry<'a>(manifest: &'a Value, path: &Path, sha256: &str) -> Option<&'a Value> {
    entries(manifest).iter().find(|entry| match plain(path) {
        Some(path) => entry["source"]["path"] == path,
        None => entry["source"]["sha256"] == sha256,
    })
}

/// What the manifest says that a file did late.
fn late<'a>(manifest: &'a Value, path: &Path) -> Option<&'a str> {
    let files = manifest["late"]["files"].as_array()?;
    files.iter().find(|file| Some(PathBuf::from(text(&file["path"]))).as_deref() == Some(path))?["what"]
        .as_str()
}

fn text(value: &Value) -> String {
    value.as_str().unwrap_or_default().to_owned()
}

/// The number in front of a label.
fn number(output: &str) -> Option<u32> {
    let digits: String =
        output.trim_start_matches("audio/").chars().take_while(char::is_ascii_digit).collect();
    digits.parse().ok()
}
