//! A whole run over one delivery: scan → survey → plan → render → seal. The same steps serve the dry run.

use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::Instant;

use loadin_plan::plan::StemPlan;
use loadin_plan::recipe::Recipe;
use loadin_plan::visit::Standing;
use loadin_record::layout::{ANSWERS, RECIPE};
use loadin_record::manifest::{Manifest, Tool};
use loadin_record::path_below::PathBelow;
use loadin_record::survey::{Inventory, SongPart, Survey};
use loadin_storage::disk::Disk;
use loadin_storage::pieces::digest_file;
use loadin_storage::records::Records;
use loadin_storage::store::{StoreError, remove_if_there, store_text};

use super::bound::{
    Bound, check_answers, forget_answers, keep_answers, own_recipe, recipe_before, with_answers,
};
use super::compose;
use super::kept::Kept;
use crate::journal::StemOutcome;
use crate::output::checksums::listed;
use crate::output::folder::{Goes, OutFolder, Packaging};
use crate::output::papers::{store_list, store_papers};
use crate::output::prepared::{OutputState, Prepared};
use crate::render::{RenderError, render_all};
use crate::run::error::RunError;
use crate::run::study::{Study, StudyContext, scan_delivery};
use crate::work::context::Context;
use crate::work::event::{Event, Step};

/// Makes the papers for people from a manifest and the surveys behind it: file name and bytes of each.
pub type Papers<'a> = dyn Fn(&Manifest, &[Survey]) -> Vec<(String, Vec<u8>)> + Sync + 'a;

/// What a run needs.
#[derive(Clone)]
pub struct Job<'a> {
    /// Folder of the delivery; only read.
    pub delivery: &'a Path,
    /// Folder of the outputs.
    pub out: &'a Path,
    /// How they are packed in it.
    pub packaging: Packaging,
    /// The song of the delivery that is prepared, where it is one of several.
    pub song: Option<&'a SongPart>,
    /// The recipe.
    pub recipe: &'a Recipe,
    /// The file system that is written to.
    pub disk: Arc<dyn Disk>,
    /// Whether everything is prepared anew, whatever was promised before.
    pub relink: bool,
    /// Stems that are made anew, by path in the delivery or label.
    pub renew: &'a [String],
    /// Whether the delivery is one of a batch, in which a folder's own recipe goes on whatever recipe is given.
    pub batch: bool,
    /// What the work is done with. Its sound cache bounds the memory for sound that would cost much to decode twice; the rest
    /// of a run takes about 10 MB a thread.
    pub work: Context,
    /// Who makes the papers.
    pub papers: &'a Papers<'a>,
    /// Start, in seconds since 1970-01-01 UTC; for the record alone.
    pub started_unix: u64,
}

/// Prepares one delivery. What an earlier run into the same folder has finished is proved, not made again, and what it has
/// promised is kept.
///
/// # Errors
/// When the delivery cannot be listed or holds no audio, when the output folder cannot be used or holds something else,
/// when the recipe would change what is prepared there, when a file cannot be written, or when the work is asked to stop.
/// A stem that fails is no error: its record says why.
pub fn prepare(job: &Job<'_>) -> Result<Manifest, RunError> {
    let begun = Instant::now();
    OutFolder::check_place(job.delivery, job.out)?;
    let inventory = scan_delivery(job.delivery, job.recipe, &job.work)?;
    let folder = OutFolder::claim(job.out, job.packaging)?;
    let recipe = match own_recipe_of(job, &folder)? {
        Some(own) => own.answered(job.recipe.answers.clone()),
        None => job.recipe.clone(),
    };
    let earlier = folder.earlier();
    let song = job.song.cloned().or_else(|| earlier.and_then(|earlier| earlier.delivery.song.clone()));
    let inventory = inventory.of_song(song);
    let recipe = with_answers(&recipe, earlier.map(|earlier| (folder.outputs(), earlier)))?;
    check_answers(&recipe, &inventory, earlier)?;
    visit(&Job { recipe: &recipe, ..job.clone() }, folder, inventory, begun)
}

/// The recipe that goes on in the folder of a batch's delivery, where another one is given.
fn own_recipe_of(job: &Job<'_>, folder: &OutFolder) -> Result<Option<Recipe>, RunError> {
    let other = |manifest: &&Manifest| manifest.recipe.sha256 != job.recipe.sha256();
    let Some(earlier) = folder.earlier().filter(|_| job.batch && !job.relink).filter(other) else {
        return Ok(None);
    };
    let own = own_recipe(folder.outputs(), earlier)?;
    let text = format!(
        "\"{}\": its own recipe goes on ({} revision {}), although another one is given ({} revision {})",
        job.out.display(),
        own.name,
        own.revision,
        job.recipe.name,
        job.recipe.revision
    );
    job.work.tell(Event::Noted { text: &text, news: true });
    Ok(Some(own))
}

fn visit(
    job: &Job<'_>,
    mut folder: OutFolder,
    inventory: Inventory,
    begun: Instant,
) -> Result<Manifest, RunError> {
    let disk = &*job.disk;
    let records = folder.records(disk);
    let reused = Arc::new(AtomicU64::new(0));
    let work = counting(&job.work, Arc::clone(&reused));
    let (delivery, recipe) = (job.delivery, job.recipe);
    let prepared = folder.look(disk)?;
    let bound = bound(job, &folder, &prepared)?;
    if let Some(bound) = &bound {
        bound.check(delivery, job.out, &inventory, recipe)?;
    }
    let context = StudyContext {
        delivery,
        recipe,
        work: &work,
        records: Some(&records),
        bound: bound.as_ref(),
        earlier: folder.earlier(),
    };
    let study = context.study(inventory)?;
    context.refuse_changes(job.out, &study)?;
    tell_visit(&work, &study, &prepared);
    let kept = Kept::new(study.visit.as_ref(), folder.earlier().filter(|_| bound.is_some()), &prepared);
    let stems = kept.to_render(&study.plan);
    folder.check(disk, &prepared, &stems)?;
    folder.check_own(&prepared, kept.renamed(&study.plan).map(|(output, _)| output.as_str()))?;
    folder.begin_writing()?;
    room_for(disk, &folder, &prepared, &study, &kept)?;
    let rendered = render_stems(job, &folder, &study, &kept, &work, &records)?;
    kept.give_way(disk, folder.outputs(), &study.plan, &rendered)?;
    let reused = reused.load(Ordering::Relaxed);
    finish(job, folder, &study, (&rendered, &kept), begun, reused)
}

/// Says how what was prepared stands, and what of it is not ours.
fn tell_visit(work: &Context, study: &Study, prepared: &Prepared) {
    let Some(visit) = &study.visit else { return };
    let text = visit.sentence(visit.added(&study.plan));
    let as_it_was =
        visit.stems.iter().all(|stem| stem.standing == Standing::Kept) && visit.added(&study.plan) == 0;
    work.tell(Event::Noted { text: &text, news: !as_it_was });
    for path in &prepared.foreign {
        let text = format!("{path} was put there by somebody; it stays as it is, and verify reports it");
        work.tell(Event::Noted { text: &text, news: true });
    }
    for (path, _) in prepared.outputs.iter().filter(|(_, state)| **state == OutputState::Edited) {
        let text = format!("{path} was edited by somebody; it stays as it is, and verify reports it");
        work.tell(Event::Noted { text: &text, news: true });
    }
}

/// What binds the visit, unless everything is prepared anew.
fn bound(job: &Job<'_>, folder: &OutFolder, prepared: &Prepared) -> Result<Option<Bound>, RunError> {
    // A preparation without outputs promises nothing.
    let promises = |manifest: &&Manifest| manifest.outputs().next().is_some();
    match folder.earlier().filter(|_| !job.relink).filter(promises) {
        None => Ok(None),
        Some(earlier) if job.batch => {
            Bound::in_batch(folder.outputs(), earlier.clone(), job.recipe, prepared).map(Some)
        }
        Some(earlier) => {
            Bound::by_hand(folder.outputs(), earlier.clone(), job.recipe, job.renew, prepared).map(Some)
        }
    }
}

/// Takes away what has no place any more: what interrupted runs have left, outputs of stems that are left out now, and
/// everything of a preparation that gives way to a new one.
pub(crate) fn room_for(
    disk: &dyn Disk,
    folder: &OutFolder,
    prepared: &Prepared,
    study: &Study,
    kept: &Kept,
) -> Result<(), RunError> {
    let wanted: BTreeSet<PathBelow> = study.plan.rendered().map(StemPlan::output_path).collect();
    let earlier = folder.earlier();
    let goes = |path: &str| {
        if kept.outputs().contains(path) {
            return None;
        }
        if study.visit.is_some() {
            return Some(Goes::SetAside);
        }
        match can_be_made_again(earlier?, path, &study.surveys) {
            // Whoever renders it proves it, or takes it away when the new one is whole.
            true if wanted.contains(path) => None,
            true => Some(Goes::Away),
            false => Some(Goes::SetAside),
        }
    };
    folder.clear(disk, prepared, &wanted, goes)?;
    kept.bring_back(disk, folder.outputs())?;
    let Some(earlier) = earlier else { return Ok(()) };
    let remade = |path: &PathBelow| match study.visit {
        Some(_) => kept.makes_again(path),
        None => can_be_made_again(earlier, path, &study.surveys),
    };
    folder.save_taken(disk, remade)?;
    Ok(())
}

/// Whether the sources of an output are there as they were, and this program made it of them.
fn can_be_made_again(earlier: &Manifest, path: &str, surveys: &[Survey]) -> bool {
    earlier.made_into(path).all(|stem| {
        let made_by = stem.made_by.as_ref().unwrap_or(&earlier.tool.version);
        let there = |survey: &Survey| {
            Some(&survey.sha256) == stem.source.sha256.as_ref() && survey.path == stem.source.path
        };
        *made_by == Tool::this().version && surveys.iter().any(there)
    })
}

/// The last step of a run: the record of what was made, and all that lies beside the audio.
pub(crate) fn finish(
    job: &Job<'_>,
    folder: OutFolder,
    study: &Study,
    (rendered, kept): (&BTreeMap<String, StemOutcome>, &Kept),
    begun: Instant,
    reused: u64,
) -> Result<Manifest, RunError> {
    let mut manifest = compose::manifest(job.recipe, study, rendered, kept);
    manifest.run = loadin_record::manifest::Run {
        started_unix: job.started_unix,
        seconds: begun.elapsed().as_secs_f64(),
        reused,
        threads: rayon::current_num_threads(),
        host: format!("{} {}", std::env::consts::OS, std::env::consts::ARCH),
        digest: String::new(),
    }
    .sealed();
    keep_recipe(job, &folder)?;
    keep_answers(&*job.disk, folder.outputs(), job.recipe.answers.as_ref())?;
    seal(job, folder.outputs(), &manifest, &study.surveys)?;
    forget_answers(&*job.disk, folder.outputs(), &manifest)?;
    folder.release(&*job.disk, &manifest)?;
    Ok(manifest)
}

/// The same work, with a listener that counts what is not done again.
fn counting(work: &Context, reused: Arc<AtomicU64>) -> Context {
    let next = Arc::clone(&work.listener);
    let listener = move |event: Event<'_>| {
        if matches!(event, Event::Reused { .. }) {
            reused.fetch_add(1, Ordering::Relaxed);
        }
        next(event);
    };
    Context { listener: Arc::new(listener), ..work.clone() }
}

fn render_stems(
    job: &Job<'_>,
    folder: &OutFolder,
    study: &Study,
    kept: &Kept,
    work: &Context,
    records: &Records<'_>,
) -> Result<BTreeMap<String, StemOutcome>, RunError> {
    let replaced = if study.visit.is_some() { kept.replaced() } else { folder.given_up() };
    let context = study.render_context(job.delivery, folder.outputs(), Arc::clone(&job.disk), work, replaced);
    let stems = kept.to_render(&study.plan);
    let standing = kept.standing_paths(&study.plan);
    work.tell(Event::Step { step: Step::Render, stems: stems.len() + standing.len() });
    for path in standing {
        work.tell(Event::Reused { step: Step::Render, path });
    }
    let mut rendered = BTreeMap::new();
    for (path, result) in render_all(&context, records, &stems) {
        let outcome = match result {
            Ok(done) => Ok(done),
            Err(RenderError::Stopped) => return Err(RunError::Stopped),
            Err(RenderError::Store(error)) => return Err(RunError::Store(error)),
            Err(error) => Err(error.into()),
        };
        rendered.insert(path, outcome);
    }
    if rendered.len() < stems.len() { Err(RunError::Stopped) } else { Ok(rendered) }
}

/// Until the new manifest is there, the recipe of the old one is not lost.
fn keep_recipe(job: &Job<'_>, folder: &OutFolder) -> Result<(), RunError> {
    let other = |manifest: &&Manifest| manifest.recipe.sha256 != job.recipe.sha256();
    if let Some(earlier) = folder.earlier().filter(other)
        && let Some(path) = recipe_before(folder.outputs())
        && let Ok(own) = own_recipe(folder.outputs(), earlier)
    {
        store_text(&*job.disk, &path, &own.text)?;
    }
    Ok(())
}

/// Writes what lies beside the audio; the manifest last, since it says that the run is complete.
fn seal(job: &Job<'_>, out: &Path, manifest: &Manifest, surveys: &[Survey]) -> Result<(), RunError> {
    let mut sums: BTreeMap<String, String> = manifest
        .stems
        .iter()
        .filter_map(|stem| {
            stem.output.as_ref().map(|output| (output.path.to_string(), output.sha256.clone()))
        })
        .collect();
    let mut papers = (job.papers)(manifest, surveys);
    papers.push((RECIPE.to_owned(), job.recipe.text.clone().into_bytes()));
    let answers = job.recipe.answers.as_ref();
    papers.extend(answers.map(|answers| (ANSWERS.to_owned(), answers.text.clone().into_bytes())));
    sums.extend(store_papers(&*job.disk, out, papers)?);
    remove_stale(&*job.disk, out, &sums)?;
    // The manifest is not listed: its `run` object differs from run to run, and it carries its own digest.
    store_list(&*job.disk, out, &sums)?;
    store_text(&*job.disk, &out.join("manifest.json"), &manifest.to_json())?;
    Ok(())
}

/// Removes papers of the earlier run that this one has no use for, if they are as that run left them.
fn remove_stale(disk: &dyn Disk, out: &Path, sums: &BTreeMap<String, String>) -> Result<(), RunError> {
    let papers = listed(out).into_iter().filter(|(path, _)| !path.contains('/'));
    for (path, sum) in papers.filter(|(path, _)| !sums.contains_key(path)) {
        let real = out.join(path);
        if digest_file(&real).is_ok_and(|found| found.sha256 == sum) {
            remove_if_there(disk, &real).map_err(|source| StoreError::Disk { path: real, source })?;
        }
    }
    Ok(())
}
