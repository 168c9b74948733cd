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
mod rendered;
mod second_look;
mod shared_disk;
mod state;

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Instant;

use loadin_analysis::Sketches;
use loadin_plan::music::Music;
use loadin_plan::plan::StemPlan;
use loadin_plan::recipe::Recipe;
use loadin_plan::{placed, starts};
use loadin_record::layout::MEMORY;
use loadin_record::manifest::Manifest;
use loadin_record::survey::{FileFacts, Inventory, Scope, Survey};
use loadin_storage::folder_disk::FolderDisk;
use loadin_storage::pieces::{digest, digest_file};
use loadin_storage::records::Records;

pub use self::error::UnitError;
pub use self::estimate::Estimate;
use self::files::{InventoryFile, PlanFile};
use self::rendered::rendered;
use self::second_look::{disk_for_second_look, first_surveys, surveys_of_plan};
use self::shared_disk::{SharedDisk, clear_stale};
pub use self::state::{DeliveryState, holding};
use crate::journal::{self, JOURNAL, Look, RenderFailure, Renders, Surveys};
use crate::output::audio_folder;
use crate::output::folder::{OutFolder, Packaging};
use crate::output::manifest_file::read_manifest;
use crate::output::prepared::Prepared;
use crate::render::{RenderContext, RenderError, render_all};
use crate::run::{self, Bound, Job, Kept, Papers, RunError, Study, StudyContext, room_for};
use crate::source::file;
use crate::stated::read_music;
use crate::work::context::Context;
use crate::work::event::{Event, Step};
use crate::work::schedule::in_parallel_shared;

/// Where a unit works, and with what.
pub struct UnitContext<'a> {
    /// Folder of the delivery; only read.
    pub delivery: &'a Path,
    /// Folder of its outputs.
    pub out: &'a Path,
    /// The recipe, with the answers that hold there: see [`holding`].
    pub recipe: &'a Recipe,
    /// What the work is done with.
    pub work: &'a Context,
}

/// What [`scan()`] has found.
#[derive(Debug, Clone, PartialEq)]
pub struct Scanned {
    /// How the delivery stands.
    pub state: DeliveryState,
    /// What each listed file will need of the engine, by path.
    pub stems: Vec<(String, Estimate)>,
    /// What the plan will need.
    pub plan: Estimate,
}

impl UnitContext<'_> {
    fn memory(&self) -> PathBuf {
        self.out.join(MEMORY)
    }

    fn disk(&self) -> FolderDisk {
        FolderDisk::new(self.out)
    }

    fn records<'d>(&self, disk: &'d dyn loadin_storage::disk::Disk) -> Records<'d> {
        journal::records(disk, &self.memory())
    }

    fn course<'c>(&'c self, records: Option<&'c Records<'c>>, bound: Option<&'c Bound>) -> StudyContext<'c> {
        let earlier = bound.map(|bound| &bound.manifest);
        StudyContext {
            delivery: self.delivery,
            recipe: self.recipe,
            work: self.work,
            records,
            bound,
            earlier,
        }
    }

    /// What binds the units: what was prepared in the folder before.
    fn bound(&self, folder: &OutFolder) -> Result<Option<(Bound, Prepared)>, UnitError> {
        let Some(earlier) = folder.earlier() else { return Ok(None) };
        let prepared = folder.look(&self.disk())?;
        Ok(Some((Bound::by_hand(folder.outputs(), earlier.clone(), self.recipe, &[], &prepared)?, prepared)))
    }

    fn music(&self, inventory: &Inventory) -> Music {
        read_music(self.delivery, inventory, self.work.patience).answered(self.recipe.song())
    }

    /// Whether a person or a shutdown wants the work to end.
    fn go_on(&self) -> Result<(), UnitError> {
        if self.work.stop.is_asked() { Err(RunError::Stopped.into()) } else { Ok(()) }
    }
}

/// Lists a delivery for the other units, and says what work is left.
///
/// # Errors
/// When the delivery cannot be listed or holds no audio, or when the output folder cannot be used or written to.
pub fn scan(context: &UnitContext<'_>) -> Result<Scanned, UnitError> {
    OutFolder::check_place(context.delivery, context.out).map_err(RunError::from)?;
    let inventory = run::scan_delivery(context.delivery, context.recipe, context.work)?;
    let folder = OutFolder::claim(context.out, Packaging::Plain)?;
    let inventory = inventory.of_song(folder.earlier().and_then(|earlier| earlier.delivery.song.clone()));
    run::check_answers(context.recipe, &inventory, folder.earlier())?;
    let bound = context.bound(&folder)?.map(|(bound, _)| bound);
    let checked =
        bound.as_ref().map(|bound| bound.check(context.delivery, context.out, &inventory, context.recipe));
    checked.transpose()?;
    let scopes = context.course(None, bound.as_ref()).scopes(&inventory, &[]);
    let listed = inventory.files.iter().zip(&scopes);
    let estimated = listed.map(|(file, scope)| (file.path.clone(), estimate::of(file, scope)));
    let (stems, plan) = (estimated.collect(), estimate::of_plan(&inventory.files, &scopes));
    let state = state::state(context.delivery, context.recipe, &folder, &inventory.files);
    if !matches!(state, DeliveryState::Sealed) {
        InventoryFile::new(context.recipe, inventory, scopes).store(&context.memory())?;
    }
    Ok(Scanned { state, stems, plan })
}

/// Surveys those stems of the delivery that `mine` chooses by path and rank, the largest being 0. A stem that gives no
/// measures is recorded as such: it costs itself, not the delivery. Gives the number of stems it was about.
///
/// # Errors
/// When the listing is missing or another recipe's, when a stem cannot be read or recorded, or when asked to stop.
pub fn survey(context: &UnitContext<'_>, mine: &dyn Fn(&str, usize) -> bool) -> Result<usize, UnitError> {
    let listed = InventoryFile::read(&context.memory(), context.recipe)?;
    let mut items: Vec<(&FileFacts, &Scope)> = listed.stems().collect();
    items.sort_by_key(|(file, _)| std::cmp::Reverse(file.bytes));
    retain_share(&mut items, |(file, _)| &file.path, mine);
    let mut disk = SharedDisk::new(context.out);
    let real = context.disk();
    let earlier = context.records(&real);
    let (surveys, sketches) = (Surveys(&earlier), Sketches::new(Some(&earlier)));
    for (file, scope) in &items {
        let [survey, unmeasured] = surveys.places(Look::First, &file.path);
        if surveys.on_record(Look::First, file, scope).is_none() {
            disk.may_replace(survey);
        }
        // That of other bytes under the same path; the same bytes are written once.
        sketches.place(&file.path).into_iter().for_each(|sketch| disk.may_replace(sketch));
        disk.may_replace(unmeasured);
    }
    clear_stale(&real, &context.memory().join(JOURNAL));
    let records = context.records(&disk);
    let course = context.course(Some(&records), None);
    let sketches = Sketches::new(Some(&records));
    context.work.tell(Event::Step { step: Step::Survey, stems: items.len() });
    let done = in_parallel_shared(
        &items,
        |(file, _)| file.bytes,
        |(file, scope), threads| {
            context.go_on()?;
            let survey = course.survey(Look::First, file, scope, threads, &sketches);
            require_recorded(context, Surveys(&records), &sketches, (file, scope), &survey)
        },
    );
    done.into_iter().collect::<Result<Vec<()>, _>>()?;
    Ok(items.len())
}

/// Keeps those of the ranked stems that `mine` chooses.
fn retain_share<T>(ranked: &mut Vec<T>, path: impl Fn(&T) -> &str, mine: &dyn Fn(&str, usize) -> bool) {
    let mut rank = 0..;
    ranked.retain(|stem| rank.next().is_some_and(|rank| mine(path(stem), rank)));
}

/// Sees to it that a survey is there for another machine.
fn require_recorded(
    context: &UnitContext<'_>,
    surveys: Surveys<'_>,
    sketches: &Sketches<'_>,
    (file, scope): (&FileFacts, &Scope),
    survey: &Survey,
) -> Result<(), UnitError> {
    context.go_on()?;
    if survey.measures.is_err() && !file.unread {
        readable(context, &file.path)?;
    }
    surveys.record_unmeasured(file, scope, survey);
    // Writing a record is best effort on one machine; here another one waits for it.
    let recorded = surveys
        .on_record(Look::First, file, scope)
        .is_some_and(|found| found.measures.is_err() || sketches.is_recorded(&found.path, &found.sha256));
    if recorded { Ok(()) } else { Err(UnitError::NotRecorded { path: file.path.clone() }) }
}

/// A file that cannot even be read as bytes is the file system's fault, which may pass.
fn readable(context: &UnitContext<'_>, path: &str) -> Result<(), UnitError> {
    let read = file::open(context.delivery, path).and_then(|mut source| digest(&mut source));
    read.map(drop).map_err(|source| UnitError::Io { path: context.delivery.join(path), source })
}

/// Plans the delivery. From here on until it is sealed, a `prep` into the same folder goes on with it.
///
/// # Errors
/// When the listing or a survey is missing, or when the output folder cannot be used or written to.
pub fn plan(context: &UnitContext<'_>) -> Result<(), UnitError> {
    let listed = InventoryFile::read(&context.memory(), context.recipe)?;
    let surveys = first_surveys(&context.records(&context.disk()), &listed)?;
    let music = context.music(&listed.inventory);
    let rests_on = listed.rests_on(&surveys, &music);
    OutFolder::check_place(context.delivery, context.out).map_err(RunError::from)?;
    let mut folder = OutFolder::claim(context.out, Packaging::Plain)?;
    let bound_to = folder.earlier().map(|earlier| earlier.digest.clone());
    let holds = |plan: &PlanFile| plan.rests_on == rests_on && plan.bound_to == bound_to;
    if PlanFile::read(&context.memory()).is_ok_and(|plan| holds(&plan)) {
        return Ok(());
    }
    let (bound, prepared) = context.bound(&folder)?.unzip();
    let disk = context.disk();
    let known = context.records(&disk);
    let course = context.course(None, bound.as_ref());
    let disk = disk_for_second_look(context.out, &known, &course, &listed.inventory, &surveys);
    let records = context.records(&disk);
    let sketches = Sketches::new(Some(&records));
    let course = context.course(Some(&records), bound.as_ref());
    let looked = course.look_again(&listed.inventory, surveys, &sketches);
    context.go_on()?;
    let study = course.decide(listed.inventory, looked, music, &sketches);
    course.refuse_changes(context.out, &study)?;
    let prepared = match prepared {
        Some(prepared) => prepared,
        None => folder.look(&context.disk())?,
    };
    let kept = Kept::new(study.visit.as_ref(), folder.earlier(), &prepared);
    folder.check(&context.disk(), &prepared, &kept.to_render(&study.plan))?;
    folder.begin_writing()?;
    room_for(&context.disk(), &folder, &prepared, &study, &kept)?;
    PlanFile::of(rests_on, bound_to, study, kept).store(&context.memory())
}

/// Renders the stems that `mine` chooses by path and rank, the longest being 0. Gives their number, and why which failed.
///
/// # Errors
/// When there is no plan, when a stem cannot be read, written or recorded, or when asked to stop.
pub fn render(
    context: &UnitContext<'_>,
    mine: &dyn Fn(&str, usize) -> bool,
) -> Result<(usize, Vec<(String, String)>), UnitError> {
    let PlanFile { plan, sample_digests, kept, .. } = PlanFile::read(&context.memory())?;
    let mut stems = kept.to_render(&plan);
    stems.sort_by_key(|stem| std::cmp::Reverse(stem.output_bytes()));
    retain_share(&mut stems, |stem| stem.path(), mine);
    let folders = audio_folder::all_folders(context.out);
    for folder in folders.iter().chain([&context.memory().join(JOURNAL)]) {
        clear_stale(&context.disk(), folder);
    }
    let disk = Arc::new(disk_for(context, &stems));
    let records = context.records(&*disk);
    let (delivery, out) = (context.delivery.to_owned(), context.out.to_owned());
    let work = context.work.clone();
    let replaced = kept.replaced();
    let renders_with =
        Arc::new(RenderContext { delivery, out, disk: disk.clone(), sample_digests, replaced, work });
    context.work.tell(Event::Step { step: Step::Render, stems: stems.len() });
    let mut failed = BTreeMap::new();
    for (path, result) in render_all(&renders_with, &records, &stems) {
        match result {
            Ok(_) => {}
            Err(RenderError::Stopped) => return Err(RunError::Stopped.into()),
            Err(RenderError::Store(error)) => return Err(RunError::Store(error).into()),
            Err(error) => drop(failed.insert(path, RenderFailure::from(error))),
        }
    }
    context.go_on()?;
    let renders = Renders(&records);
    for stem in &stems {
        let why = failed.get(stem.path());
        if why.is_some() {
            stem.sources.iter().try_for_each(|source| readable(context, &source.path))?;
        }
        renders.record_failed(stem, why);
        if why.is_none() && !renders.has(stem) || why.is_some() && renders.failed(stem).is_none() {
            return Err(UnitError::NotRecorded { path: stem.path().to_owned() });
        }
    }
    Ok((stems.len(), failed.into_iter().map(|(path, why)| (path, why.0)).collect()))
}

/// A disk on which these stems may take the place of what earlier plans have made of them.
fn disk_for(context: &UnitContext<'_>, stems: &[&StemPlan]) -> SharedDisk {
    let disk = context.disk();
    let records = context.records(&disk);
    let renders = Renders(&records);
    let mut disk = SharedDisk::new(context.out);
    let mut known: BTreeMap<PathBuf, String> =
        renders.outputs().into_iter().map(|known| (context.out.join(known.path), known.sha256)).collect();
    let earlier = read_manifest(context.out).ok();
    let outputs = earlier.iter().flat_map(|manifest| &manifest.stems).filter_map(|stem| stem.output.as_ref());
    known.extend(outputs.map(|output| (context.out.join(&output.path), output.sha256.clone())));
    for stem in stems {
        let [record, failed] = renders.places(stem.path());
        disk.may_replace(failed);
        if renders.has(stem) {
            continue;
        }
        disk.may_replace(record);
        let output = context.out.join(stem.output_path());
        if digest_file(&output).is_ok_and(|there| known.get(&output) == Some(&there.sha256)) {
            disk.may_replace(output);
        }
    }
    disk
}

/// Seals the delivery: proves every output by its digest, and writes what lies beside the audio.
///
/// # Errors
/// When surveys, plan or outputs are missing or out of date, when the output folder cannot be used, or a file not be written.
pub fn seal(
    context: &UnitContext<'_>,
    papers: &Papers<'_>,
    started_unix: u64,
) -> Result<Manifest, UnitError> {
    let begun = Instant::now();
    let listed = InventoryFile::read(&context.memory(), context.recipe)?;
    let planned = PlanFile::read(&context.memory())?;
    let surveys = first_surveys(&context.records(&context.disk()), &listed)?;
    let music = context.music(&listed.inventory);
    if planned.rests_on != listed.rests_on(&surveys, &music) {
        return Err(UnitError::Outdated { out: context.out.to_owned() });
    }
    OutFolder::check_place(context.delivery, context.out).map_err(RunError::from)?;
    let folder = OutFolder::claim(context.out, Packaging::Plain)?;
    let rendered = rendered(&context.records(&context.disk()), context.out, &planned)?;
    let bound = folder.earlier().map(|earlier| Bound::by(earlier.clone()));
    let course = context.course(None, bound.as_ref());
    let surveys = surveys_of_plan(&context.records(&context.disk()), &course, &listed.inventory, surveys)?;
    let PlanFile { plan, evidence, late, visit, kept, bound_to, rests_on: planned_for, .. } = planned;
    let pin = late.as_ref().map(|late| &late.pin);
    let recipe = &context.recipe.following(&plan.said_as);
    let music = placed(music, &starts(recipe, &surveys, pin), &plan);
    let study = Study { inventory: listed.inventory, surveys, music, evidence, plan, late, visit };
    let digest = run::manifest(context.recipe, &study, &rendered, &kept).digest;
    if let Some(earlier) = folder.earlier() {
        if earlier.digest == digest && !folder.was_interrupted() {
            return Ok(earlier.clone());
        }
        // Somebody has prepared the folder otherwise since it was planned.
        if bound_to.as_ref() != Some(&earlier.digest) && earlier.digest != digest {
            return Err(UnitError::Outdated { out: context.out.to_owned() });
        }
    }
    clear_stale(&context.disk(), &context.memory());
    let job = Job {
        delivery: context.delivery,
        out: context.out,
        song: None,
        packaging: Packaging::Plain,
        recipe: context.recipe,
        disk: Arc::new(context.disk()),
        relink: false,
        renew: &[],
        batch: false,
        work: context.work.clone(),
        papers,
        started_unix,
    };
    let manifest = run::finish(&job, folder, &study, (&rendered, &kept), begun, 0)?;
    // What was planned is what is prepared now: whoever plans again finds it valid.
    PlanFile::of(planned_for, Some(manifest.digest.clone()), study, kept).store(&context.memory())?;
    Ok(manifest)
}
