//! A whole run over one delivery: scan → survey → plan → render → seal. The same steps serve the dry run.

use std::collections::BTreeMap;
use std::path::Path;
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::Instant;

use loadin_plan::plan::StemPlan;
use loadin_plan::recipe::Recipe;
use loadin_record::manifest::Manifest;
use loadin_record::survey::Survey;
use loadin_storage::disk::Disk;
use loadin_storage::pieces::digest_file;
use loadin_storage::records::Records;
use loadin_storage::store::{StoreError, remove_if_there, store_text};

use super::compose::{self, StemOutcome};
use crate::output::checksums::listed;
use crate::output::folder::{OutFolder, Packaging};
use crate::output::papers::{store_list, store_papers};
use crate::render::{RenderError, render_all};
use crate::run::error::RunError;
use crate::run::study::{Study, StudyContext, scan_delivery};
use crate::work::context::Context;
use crate::work::event::{Event, Step};

/// Makes the papers for people from a manifest and the surveys behind it: file name and bytes of each.
pub type Papers<'a> = dyn Fn(&Manifest, &[Survey]) -> Vec<(String, Vec<u8>)> + Sync + 'a;

/// What a run needs.
pub struct Job<'a> {
    /// Folder of the delivery; only read.
    pub delivery: &'a Path,
    /// Folder of the outputs.
    pub out: &'a Path,
    /// How they are packed in it.
    pub packaging: Packaging,
    /// The recipe.
    pub recipe: &'a Recipe,
    /// The file system that is written to.
    pub disk: Arc<dyn Disk>,
    /// Whether files that came after an earlier preparation change what all stems share.
    pub relink: bool,
    /// What the work is done with. Its sound cache bounds the memory for sound that would cost much to make twice; the rest
    /// of a run takes about 10 MB a thread.
    pub work: Context,
    /// Who makes the papers.
    pub papers: &'a Papers<'a>,
    /// Start, in seconds since 1970-01-01 UTC; for the record alone.
    pub started_unix: u64,
}

/// Prepares one delivery. What an earlier run into the same folder has finished is proved, not made again.
///
/// # Errors
/// When the delivery cannot be listed or holds no audio, when the output folder cannot be used, when a file cannot be written,
/// or when the work is asked to stop. A stem that fails is no error: its record says why.
pub fn prepare(job: &Job<'_>) -> Result<Manifest, RunError> {
    let begun = Instant::now();
    OutFolder::check_place(job.delivery, job.out)?;
    let inventory = scan_delivery(job.delivery, &job.work)?;
    let mut folder = OutFolder::claim(job.out, job.packaging)?;
    let records = folder.records(&*job.disk);
    let reused = Arc::new(AtomicU64::new(0));
    let work = counting(&job.work, Arc::clone(&reused));
    let earlier = folder.earlier().filter(|_| !job.relink);
    let (delivery, recipe) = (job.delivery, job.recipe);
    let study =
        StudyContext { delivery, recipe, work: &work, records: Some(&records), earlier }.study(inventory)?;
    folder.check(&*job.disk, &study.plan)?;
    folder.begin_writing()?;
    let rendered = render_stems(job, folder.outputs(), &study, &work, &records)?;
    let reused = reused.load(Ordering::Relaxed);
    finish(job, folder, &study, &rendered, begun, reused)
}

/// The last step of a run: the record of what was made, and all that lies beside the audio.
pub(crate) fn finish(
    job: &Job<'_>,
    folder: OutFolder,
    study: &Study,
    rendered: &BTreeMap<String, StemOutcome>,
    begun: Instant,
    reused: u64,
) -> Result<Manifest, RunError> {
    let mut manifest = compose::manifest(job.recipe, study, rendered);
    manifest.run = loadin_record::manifest::Run {
        started_unix: job.started_unix,
        seconds: begun.elapsed().as_secs_f64(),
        reused,
        threads: rayon::current_num_threads(),
        host: format!("{} {}", std::env::consts::OS, std::env::consts::ARCH),
        digest: String::new(),
    }
    .sealed();
    seal(job, folder.outputs(), &manifest, &study.surveys)?;
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
    out: &Path,
    study: &Study,
    work: &Context,
    records: &Records<'_>,
) -> Result<BTreeMap<String, StemOutcome>, RunError> {
    let context = study.render_context(job.delivery, out, Arc::clone(&job.disk), work);
    let stems: Vec<&StemPlan> = study.plan.rendered().collect();
    work.tell(Event::Step { step: Step::Render, stems: stems.len() });
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

/// Writes what lies beside the audio; the manifest last, since it says that the run is complete.
fn seal(job: &Job<'_>, out: &Path, manifest: &Manifest, surveys: &[Survey]) -> Result<(), RunError> {
    let mut sums: BTreeMap<String, String> = manifest
        .stems
        .iter()
        .filter_map(|stem| stem.output.as_ref().map(|output| (output.path.clone(), output.sha256.clone())))
        .collect();
    let mut papers = (job.papers)(manifest, surveys);
    papers.push(("recipe.toml".to_owned(), job.recipe.text.clone().into_bytes()));
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
