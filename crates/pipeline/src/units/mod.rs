//! The steps of a run one by one, for a workflow engine that spreads them over many machines with a shared file system.
//!
//! | unit | reads | writes, in the output folder |
//! |---|---|---|
//! | [`scan()`] | the delivery's headers | `.loadin/inventory.json` |
//! | [`survey`] | inventory, stems | one record a stem in `.loadin/journal` |
//! | [`plan`] | inventory, all surveys | `.loadin/plan.json` |
//! | [`render`] | plan, stems | `audio/<label>.wav`, and one record a stem in `.loadin/journal` |
//! | [`seal`] | all of these | manifest, checksums, papers |
//!
//! They are the functions that [`crate::run::prepare`] calls, over the same journal, with a file system on which many
//! tasks may write the same file (`shared_disk.rs`). Each leaves alone what is there and valid: its inputs by digest, the
//! recipe, the program's version. Nothing of scheduling is here.

mod error;
mod estimate;
mod files;
mod shared_disk;

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Instant;

use loadin_plan::{placed, starts};

use crate::manifest_file::read_manifest;
use crate::stated::read_music;

pub use self::error::UnitError;
pub use self::estimate::Estimate;
use loadin_analysis::Sketches;
use loadin_plan::music::Music;
use loadin_plan::plan::StemPlan;
use loadin_plan::recipe::Recipe;
use loadin_record::layout::MEMORY;
use loadin_record::manifest::{Manifest, State};
use loadin_record::survey::{FileFacts, Scope, Survey};
use loadin_storage::disk::RealDisk;
use loadin_storage::pieces::{digest, digest_file};
use loadin_storage::records::Records;

use self::files::{InventoryFile, PlanFile};
use self::shared_disk::{SharedDisk, clear_stale};
use crate::audio_folder;
use crate::bench::Bench;
use crate::event::{Event, Step};
use crate::journal::{self, JOURNAL, Renders, Surveys};
use crate::out_folder::{OutFolder, Packaging};
use crate::record::{self, Rendered};
use crate::render::{RenderError, Shop};
use crate::run::{self, Course, Job, Papers, RunError, Study};
use crate::scan;
use crate::turns::{self, in_parallel, with_hands};

/// Where a unit works, and with what.
pub struct Desk<'a> {
    /// Folder of the delivery; only read.
    pub delivery: &'a Path,
    /// Folder of its outputs.
    pub out: &'a Path,
    /// The recipe.
    pub recipe: &'a Recipe,
    /// What the work is done with.
    pub bench: &'a Bench,
}

/// How a delivery stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Standing {
    /// There is work to do.
    Open,
    /// It is prepared, and the delivery looks as it did then.
    Sealed,
    /// The same, but so many stems have failed: there is work for a person, or for another try.
    Failed(usize),
}

/// What [`scan()`] has found.
#[derive(Debug, Clone, PartialEq)]
pub struct Scanned {
    /// How the delivery stands.
    pub standing: Standing,
    /// What each listed file will need of the engine, by path.
    pub stems: Vec<(String, Estimate)>,
    /// What the plan will need.
    pub plan: Estimate,
}

impl Desk<'_> {
    fn memory(&self) -> PathBuf {
        self.out.join(MEMORY)
    }

    fn records<'d>(&self, disk: &'d dyn loadin_storage::disk::Disk) -> Records<'d> {
        journal::records(disk, &self.memory())
    }

    fn course<'c>(&'c self, records: Option<&'c Records<'c>>, earlier: Option<&'c Manifest>) -> Course<'c> {
        Course { delivery: self.delivery, recipe: self.recipe, bench: self.bench, records, earlier }
    }

    /// Whether a person or a shutdown wants the work to end.
    fn go_on(&self) -> Result<(), UnitError> {
        if self.bench.stop.is_asked() { Err(RunError::Stopped.into()) } else { Ok(()) }
    }
}

/// Lists a delivery for the other units, and says what work is left.
pub fn scan(desk: &Desk<'_>) -> Result<Scanned, UnitError> {
    OutFolder::check_place(desk.delivery, desk.out).map_err(RunError::from)?;
    let inventory = run::list(desk.delivery, desk.bench)?;
    let folder = OutFolder::claim(desk.out, Packaging::Plain)?;
    let scopes = desk.course(None, folder.earlier()).scopes(&inventory);
    let estimated = inventory
        .files
        .iter()
        .zip(&scopes)
        .map(|(file, scope)| (file.path.clone(), estimate::of(file, *scope)));
    let (stems, plan) = (estimated.collect(), estimate::of_plan(&inventory.files, &scopes));
    let standing = standing(desk, &folder, &inventory.files);
    if !matches!(standing, Standing::Sealed) {
        InventoryFile::new(desk.recipe, inventory, scopes).store(&desk.memory())?;
    }
    Ok(Scanned { standing, stems, plan })
}

/// Compares the listing with the manifest: cheap, since it is asked of every delivery of an archive. A stem that was
/// replaced is known by its size, or by being newer than the manifest.
fn standing(desk: &Desk<'_>, folder: &OutFolder, files: &[FileFacts]) -> Standing {
    let modified = |path: &Path| path.metadata().and_then(|data| data.modified()).ok();
    let Some(earlier) = folder.earlier().filter(|_| !folder.was_interrupted()) else { return Standing::Open };
    let sealed_at = modified(&desk.out.join("manifest.json"));
    let mut known: Vec<(&str, u64)> =
        earlier.stems.iter().map(|stem| (stem.source.path.as_str(), stem.source.bytes)).collect();
    known.sort_unstable();
    let there = files.iter().map(|file| (file.path.as_str(), file.bytes));
    let written = |file: &FileFacts| modified(scan::locate(desk.delivery, &file.path).ok()?.path());
    let older = |file: &FileFacts| written(file) < sealed_at;
    let failed = earlier.stems.iter().filter(|stem| stem.state == State::Failed).count();
    if earlier.recipe.sha256 != desk.recipe.sha256() || !there.eq(known) || !files.iter().all(older) {
        Standing::Open
    } else if failed > 0 {
        Standing::Failed(failed)
    } else {
        Standing::Sealed
    }
}

/// Surveys those stems of the delivery that `mine` chooses by path and rank, the largest being 0. A stem that gives no
/// measures is recorded as such: it costs itself, not the delivery. Gives the number of stems it was about.
pub fn survey(desk: &Desk<'_>, mine: &dyn Fn(&str, usize) -> bool) -> Result<usize, UnitError> {
    let listed = InventoryFile::read(&desk.memory(), desk.recipe)?;
    let mut items: Vec<(&FileFacts, Scope)> = listed.stems().collect();
    items.sort_by_key(|(file, _)| std::cmp::Reverse(file.bytes));
    keep_mine(&mut items, |(file, _)| &file.path, mine);
    let mut disk = SharedDisk::new();
    let earlier = desk.records(&RealDisk);
    let (surveys, sketches) = (Surveys(&earlier), Sketches::new(Some(&earlier)));
    for (file, scope) in &items {
        let [survey, unmeasured] = surveys.places(&file.path);
        if surveys.on_record(file, *scope).is_none() {
            disk.may_replace(survey);
        }
        // That of other bytes under the same path; the same bytes are written once.
        sketches.place(&file.path).into_iter().for_each(|sketch| disk.may_replace(sketch));
        disk.may_replace(unmeasured);
    }
    clear_stale(&desk.memory().join(JOURNAL));
    let records = desk.records(&disk);
    let course = desk.course(Some(&records), None);
    let sketches = Sketches::new(Some(&records));
    desk.bench.tell(Event::Step { step: Step::Survey, stems: items.len() });
    let done = with_hands(
        &items,
        |(file, _)| file.bytes,
        |(file, scope), hands| {
            desk.go_on()?;
            let survey = course.survey(file, *scope, hands, &sketches);
            on_record(desk, Surveys(&records), &sketches, (file, *scope), &survey)
        },
    );
    done.into_iter().collect::<Result<Vec<()>, _>>()?;
    Ok(items.len())
}

/// Keeps those of the ranked stems that `mine` chooses.
fn keep_mine<T>(ranked: &mut Vec<T>, path: impl Fn(&T) -> &str, mine: &dyn Fn(&str, usize) -> bool) {
    let mut rank = 0..;
    ranked.retain(|stem| rank.next().is_some_and(|rank| mine(path(stem), rank)));
}

/// Sees to it that a survey is there for another machine.
fn on_record(
    desk: &Desk<'_>,
    surveys: Surveys<'_>,
    sketches: &Sketches<'_>,
    (file, scope): (&FileFacts, Scope),
    survey: &Survey,
) -> Result<(), UnitError> {
    desk.go_on()?;
    if survey.measures.is_err() {
        readable(desk, &file.path)?;
    }
    surveys.record_unmeasured(file, scope, survey);
    // Writing a record is best effort on one machine; here another one waits for it.
    let recorded = surveys
        .on_record(file, scope)
        .is_some_and(|found| found.measures.is_err() || sketches.is_recorded(&found.path, &found.sha256));
    if recorded { Ok(()) } else { Err(UnitError::NotRecorded { path: file.path.clone() }) }
}

/// A file that cannot even be read as bytes is the file system's fault, which may pass.
fn readable(desk: &Desk<'_>, path: &str) -> Result<(), UnitError> {
    let read = scan::open(desk.delivery, path).and_then(|mut source| digest(&mut source));
    read.map(drop).map_err(|source| UnitError::Io { path: desk.delivery.join(path), source })
}

/// Every survey of the delivery, in the order of the files.
fn surveys(desk: &Desk<'_>, listed: &InventoryFile) -> Result<Vec<Survey>, UnitError> {
    let records = desk.records(&RealDisk);
    let survey = |(file, scope): (&FileFacts, Scope)| {
        let missing = || UnitError::NotYet { what: format!("the survey of \"{}\"", file.path) };
        Surveys(&records).on_record(file, scope).ok_or_else(missing)
    };
    listed.stems().map(survey).collect()
}

/// Plans the delivery. From here on until it is sealed, a `prep` into the same folder goes on with it.
pub fn plan(desk: &Desk<'_>) -> Result<(), UnitError> {
    let listed = InventoryFile::read(&desk.memory(), desk.recipe)?;
    let surveys = surveys(desk, &listed)?;
    let music = read_music(desk.delivery, &listed.inventory, desk.bench.patience);
    let rests_on = listed.rests_on(&surveys, &music);
    if PlanFile::read(&desk.memory()).is_ok_and(|plan| plan.rests_on == rests_on) {
        return Ok(());
    }
    OutFolder::check_place(desk.delivery, desk.out).map_err(RunError::from)?;
    let mut folder = OutFolder::claim(desk.out, Packaging::Plain)?;
    let earlier = folder.earlier().cloned();
    let records = desk.records(&RealDisk);
    let sketches = Sketches::new(Some(&records));
    let study =
        desk.course(Some(&records), earlier.as_ref()).decide(listed.inventory, surveys, music, &sketches);
    folder.check(&RealDisk, &study.plan)?;
    folder.begin_writing()?;
    PlanFile::of(rests_on, study).store(&desk.memory())
}

/// Renders those stems of the plan that `mine` chooses by path and rank, the longest being 0. Gives their number, and
/// which of them failed, why.
pub fn render(
    desk: &Desk<'_>,
    mine: &dyn Fn(&str, usize) -> bool,
) -> Result<(usize, Vec<(String, String)>), UnitError> {
    let PlanFile { plan, contents, .. } = PlanFile::read(&desk.memory())?;
    let mut stems: Vec<&StemPlan> = plan.rendered().collect();
    stems.sort_by_key(|stem| std::cmp::Reverse(stem.output_bytes()));
    keep_mine(&mut stems, |stem| stem.path(), mine);
    let folders = audio_folder::all_folders(desk.out);
    for folder in folders.iter().chain([&desk.memory().join(JOURNAL)]) {
        clear_stale(folder);
    }
    let disk = Arc::new(disk_for(desk, &stems));
    let records = desk.records(&*disk);
    let (delivery, out) = (desk.delivery.to_owned(), desk.out.to_owned());
    let shop = Arc::new(Shop { delivery, out, disk: disk.clone(), contents, bench: desk.bench.clone() });
    desk.bench.tell(Event::Step { step: Step::Render, stems: stems.len() });
    let mut failed = BTreeMap::new();
    for (path, result) in turns::render_all(&shop, &records, &stems) {
        match result {
            Ok(_) => {}
            Err(RenderError::Stopped) => return Err(RunError::Stopped.into()),
            Err(RenderError::Store(error)) => return Err(RunError::Store(error).into()),
            Err(error) => drop(failed.insert(path, error.to_string())),
        }
    }
    desk.go_on()?;
    let renders = Renders(&records);
    for stem in &stems {
        let why = failed.get(stem.path());
        if why.is_some() {
            stem.sources.iter().try_for_each(|source| readable(desk, &source.path))?;
        }
        renders.record_failed(stem, why.map(String::as_str));
        if why.is_none() && !renders.has(stem) || why.is_some() && renders.failed(stem).is_none() {
            return Err(UnitError::NotRecorded { path: stem.path().to_owned() });
        }
    }
    Ok((stems.len(), failed.into_iter().collect()))
}

/// A disk on which these stems may take the place of what earlier plans have made of them.
fn disk_for(desk: &Desk<'_>, stems: &[&StemPlan]) -> SharedDisk {
    let records = desk.records(&RealDisk);
    let renders = Renders(&records);
    let mut disk = SharedDisk::new();
    let mut known: BTreeMap<PathBuf, String> =
        renders.outputs().into_iter().map(|known| (desk.out.join(known.path), known.sha256)).collect();
    let earlier = read_manifest(desk.out).ok();
    let outputs = earlier.iter().flat_map(|manifest| &manifest.stems).filter_map(|stem| stem.output.as_ref());
    known.extend(outputs.map(|output| (desk.out.join(&output.path), output.sha256.clone())));
    for stem in stems {
        let [record, failed] = renders.places(stem.path());
        disk.may_replace(failed);
        if renders.has(stem) {
            continue;
        }
        disk.may_replace(record);
        let output = desk.out.join(stem.output_path());
        if digest_file(&output).is_ok_and(|there| known.get(&output) == Some(&there.sha256)) {
            disk.may_replace(output);
        }
    }
    disk
}

/// Seals the delivery: proves every output by its digest, and writes what lies beside the audio.
pub fn seal(desk: &Desk<'_>, papers: &Papers<'_>, started_unix: u64) -> Result<Manifest, UnitError> {
    let begun = Instant::now();
    let listed = InventoryFile::read(&desk.memory(), desk.recipe)?;
    let planned = PlanFile::read(&desk.memory())?;
    let surveys = surveys(desk, &listed)?;
    let music = read_music(desk.delivery, &listed.inventory, desk.bench.patience);
    if planned.rests_on != listed.rests_on(&surveys, &music) {
        return Err(UnitError::Outdated { out: desk.out.to_owned() });
    }
    OutFolder::check_place(desk.delivery, desk.out).map_err(RunError::from)?;
    let folder = OutFolder::claim(desk.out, Packaging::Plain)?;
    let rendered = rendered(desk, &planned)?;
    let PlanFile { plan, evidence, late, .. } = planned;
    let pin = late.as_ref().map(|late| &late.pin);
    let music = placed(music, &starts(desk.recipe, &surveys, pin), &plan);
    let study = Study { inventory: listed.inventory, surveys, music, evidence, plan, late };
    let sealed = folder.earlier().filter(|_| !folder.was_interrupted());
    let done =
        sealed.filter(|earlier| earlier.digest == record::manifest(desk.recipe, &study, &rendered).digest);
    if let Some(done) = done {
        return Ok(done.clone());
    }
    clear_stale(&desk.memory());
    let job = Job {
        delivery: desk.delivery,
        out: desk.out,
        packaging: Packaging::Plain,
        recipe: desk.recipe,
        disk: Arc::new(RealDisk),
        relink: false,
        bench: desk.bench.clone(),
        papers,
        started_unix,
    };
    Ok(run::finish(&job, folder, &study, &rendered, begun, 0)?)
}

/// What became of every planned stem.
fn rendered(desk: &Desk<'_>, planned: &PlanFile) -> Result<BTreeMap<String, Rendered>, UnitError> {
    let records = desk.records(&RealDisk);
    let renders = Renders(&records);
    let stems: Vec<&StemPlan> = planned.plan.rendered().collect();
    let made = in_parallel(
        &stems,
        |stem| stem.output_bytes(),
        |stem| {
            let result = match (renders.proved(desk.out, stem), renders.failed(stem)) {
                (Some(done), _) => Ok(done),
                (None, Some(why)) => Err(why),
                (None, None) => {
                    return Err(UnitError::NotYet { what: format!("\"{}\"", stem.output_path()) });
                }
            };
            Ok((stem.path().to_owned(), result))
        },
    );
    made.into_iter().collect()
}
