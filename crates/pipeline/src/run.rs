//! A whole run over one delivery: scan → survey → plan → render → seal. The same steps serve the dry run.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::Instant;

use loadin_analysis::{Delivery, Sketches, compare};
use loadin_plan::music::{Music, markers_in};
use loadin_plan::placement::StemStarts;
use loadin_plan::plan::{self, Plan, StemPlan};
use loadin_plan::recipe::Recipe;
use loadin_plan::stages::decode;
use loadin_plan::{Given, Planned, majority_hz};
use loadin_record::digest::hex;
use loadin_record::evidence::Evidence;
use loadin_record::late::{Late, Pin};
use loadin_record::manifest::Manifest;
use loadin_record::music::{Facts, bar_seconds};
use loadin_record::survey::{FileFacts, Inventory, Scope, Survey};
use loadin_storage::disk::Disk;
use loadin_storage::pieces::digest_file;
use loadin_storage::records::Records;
use loadin_storage::store::{StoreError, remove_if_there, store_text};

use crate::bench::Bench;
use crate::event::{Event, Step};
use crate::hands::Hands;
use crate::journal::Surveys;
use crate::late;
use crate::out_folder::{OutFolder, OutFolderError, Packaging};
use crate::papers::{store_list, store_papers};
use crate::pin::pin_of;
use crate::record::{self, Rendered};
use crate::render::{RenderError, Shop};
use crate::scan::{self, ScanError};
use crate::stated::read_music;
use crate::sums::listed;
use crate::survey;
use crate::turns::{self, with_hands};

/// Why a run ended without a manifest.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum RunError {
    /// The delivery cannot be listed.
    #[error(transparent)]
    Scan(#[from] ScanError),
    /// There is nothing in the delivery that claims to be audio.
    #[error("there is no audio in \"{}\" ({ignored} other files); give the folder that holds the stems", path.display())]
    Empty {
        /// The folder.
        path: PathBuf,
        /// How many other files there are.
        ignored: usize,
    },
    /// The output folder cannot be used.
    #[error(transparent)]
    Out(#[from] OutFolderError),
    /// It was asked to stop.
    #[error("stopped; what was finished before is whole, and the same command goes on from there")]
    Stopped,
    /// A file cannot be written.
    #[error("{0}; what was finished before is whole, and the same command goes on when the cause is gone")]
    Store(Box<StoreError>),
}

impl From<StoreError> for RunError {
    fn from(error: StoreError) -> Self {
        Self::Store(Box::new(error))
    }
}

/// A delivery as it was found and measured, with what is decided about it.
#[derive(Debug, Clone, PartialEq)]
pub struct Study {
    /// The files.
    pub inventory: Inventory,
    /// What was measured, in the order of the files.
    pub surveys: Vec<Survey>,
    /// What is known of the music.
    pub music: Music,
    /// What comparing the stems has shown.
    pub evidence: Evidence,
    /// What is decided.
    pub plan: Plan,
    /// What came after an earlier preparation, which binds it.
    pub late: Option<Late>,
}

impl Study {
    /// Content digests of the sources that were measured, by path: a render finds the very same samples again.
    pub(crate) fn contents(&self) -> BTreeMap<String, String> {
        let measured =
            |survey: &Survey| Some((survey.path.clone(), survey.measures.as_ref().ok()?.content.clone()));
        self.surveys.iter().filter_map(measured).collect()
    }

    /// What the renders of this study share.
    pub(crate) fn shop(&self, delivery: &Path, out: &Path, disk: Arc<dyn Disk>, bench: &Bench) -> Arc<Shop> {
        let contents = self.contents();
        let (delivery, out) = (delivery.to_owned(), out.to_owned());
        Arc::new(Shop { delivery, out, disk, contents, bench: bench.clone() })
    }
}

/// Surveys a delivery and plans it: all of a run that only reads. Files that came after an `earlier` preparation with
/// the same recipe are bound by what that one has fixed.
///
/// Runs on the current rayon pool; its size changes nothing in the result.
pub fn study(
    delivery: &Path,
    recipe: &Recipe,
    bench: &Bench,
    earlier: Option<&Manifest>,
) -> Result<Study, RunError> {
    let inventory = list(delivery, bench)?;
    Course { delivery, recipe, bench, records: None, earlier }.study(inventory)
}

/// Lists the delivery; there must be audio in it.
pub(crate) fn list(delivery: &Path, bench: &Bench) -> Result<Inventory, RunError> {
    let inventory = scan::scan(delivery, bench.patience)?;
    if inventory.files.is_empty() {
        return Err(RunError::Empty { path: delivery.to_owned(), ignored: inventory.ignored.len() });
    }
    bench.tell(Event::Scanned { delivery: &inventory.name, files: inventory.files.len() });
    Ok(inventory)
}

/// What a study works with. A run does its steps one after the other; the unit commands (`units`) do one of them each.
pub(crate) struct Course<'a> {
    pub(crate) delivery: &'a Path,
    pub(crate) recipe: &'a Recipe,
    pub(crate) bench: &'a Bench,
    pub(crate) records: Option<&'a Records<'a>>,
    pub(crate) earlier: Option<&'a Manifest>,
}

impl Course<'_> {
    fn study(&self, inventory: Inventory) -> Result<Study, RunError> {
        let scopes = self.scopes(&inventory);
        let sketches = Sketches::new(self.records);
        let surveys = self.survey_all(&inventory.files, &scopes, &sketches);
        if self.bench.stop.is_asked() {
            return Err(RunError::Stopped);
        }
        let music = read_music(self.delivery, &inventory, self.bench.patience);
        Ok(self.decide(inventory, surveys, music, &sketches))
    }

    /// The earlier preparation, where it binds this delivery.
    fn binding(&self, inventory: &Inventory) -> Option<&Manifest> {
        self.earlier.filter(|earlier| binds(earlier, inventory, self.recipe))
    }

    /// Compares the surveyed stems and plans. What needs all surveys together belongs in here.
    pub(crate) fn decide(
        &self,
        inventory: Inventory,
        surveys: Vec<Survey>,
        music: Music,
        sketches: &Sketches<'_>,
    ) -> Study {
        let earlier = self.binding(&inventory);
        let pin = earlier.map(pin_of);
        let late = earlier.zip(pin).and_then(|(earlier, pin)| self.late(earlier, pin, &surveys));
        let pin = late.as_ref().map(|late| &late.pin);
        let starts = loadin_plan::starts(self.recipe, &surveys, pin);
        let evidence = self.compare(&surveys, &starts, &music.facts(), sketches);
        let given = Given {
            delivery: &inventory.name,
            recipe: self.recipe,
            surveys: &surveys,
            starts: &starts,
            evidence: &evidence,
            pin,
            earlier: earlier.map(|earlier| &earlier.facts),
        };
        let Planned { plan, music } = loadin_plan::plan(&given, music);
        Study { inventory, surveys, music, evidence, plan, late }
    }

    /// What comparing the stems shows.
    fn compare(
        &self,
        surveys: &[Survey],
        starts: &StemStarts,
        stated: &Facts,
        sketches: &Sketches<'_>,
    ) -> Evidence {
        let paths = surveys.iter().map(|survey| &survey.path);
        let references = paths.filter(|path| self.recipe.is_reference(path)).cloned().collect();
        let starts = starts.seconds();
        compare(&Delivery { surveys, references: &references, starts: &starts, sketches, stated })
    }

    /// What is not as it was when `earlier` was written; an unchanged delivery keeps what was said of it then.
    fn late(&self, earlier: &Manifest, pin: Pin, surveys: &[Survey]) -> Option<Late> {
        let old = |path: &str| self.records.and_then(|records| Surveys(records).before(path));
        let files = late::differences(earlier, surveys, old);
        if files.is_empty() { earlier.late.clone() } else { Some(Late { pin, files }) }
    }

    /// What the survey of each listed file shall measure, in the order of the files.
    pub(crate) fn scopes(&self, inventory: &Inventory) -> Vec<Scope> {
        let files = &inventory.files;
        let pin = self.binding(inventory).map(pin_of);
        let rates: Vec<(&str, u32)> = files
            .iter()
            .filter_map(|file| file.format.as_ref().ok().map(|f| (file.path.as_str(), f.rate_hz)))
            .collect();
        let majority_hz = majority_hz(self.recipe, &rates, pin.as_ref());
        files.iter().map(|file| self.scope(file, majority_hz)).collect()
    }

    fn scope(&self, file: &FileFacts, majority_hz: u32) -> Scope {
        let source_hz = file.format.as_ref().map_or(majority_hz, |f| f.rate_hz);
        Scope {
            target_hz: self.recipe.target_hz(&file.path, source_hz, majority_hz),
            loudness: self.recipe.settings::<decode::Settings>(&file.path).is_some_and(|s| s.loudness),
        }
    }

    fn survey_all(&self, files: &[FileFacts], scopes: &[Scope], sketches: &Sketches<'_>) -> Vec<Survey> {
        self.bench.tell(Event::Step { step: Step::Survey, stems: files.len() });
        let items: Vec<(&FileFacts, Scope)> = files.iter().zip(scopes.iter().copied()).collect();
        let size = |(file, _): &(&FileFacts, Scope)| file.bytes;
        with_hands(&items, size, |(file, scope), hands| self.survey(file, *scope, hands, sketches))
    }

    /// Surveys one stem, unless there is a record of its survey.
    pub(crate) fn survey(
        &self,
        file: &FileFacts,
        scope: Scope,
        hands: Hands,
        sketches: &Sketches<'_>,
    ) -> Survey {
        let known = self.records.and_then(|records| Surveys(records).proved(self.delivery, file, scope));
        if let Some(survey) = known.filter(|survey| sketches.has(&survey.path, &survey.sha256)) {
            self.bench.tell(Event::Reused { step: Step::Survey, path: &file.path });
            return survey;
        }
        let (survey, sketch) = survey::survey(self.delivery, file, scope, hands, self.bench);
        if let Some(sketch) = sketch {
            sketches.keep(&survey.path, &survey.sha256, sketch);
        }
        if let Some(records) = self.records {
            Surveys(records).record(file, scope, &survey);
        }
        survey
    }
}

/// Whether an earlier preparation binds files that came later: it was of this delivery, with this recipe.
fn binds(earlier: &Manifest, inventory: &Inventory, recipe: &Recipe) -> bool {
    let known = |file: &FileFacts| earlier.stems.iter().any(|stem| stem.source.path == file.path);
    earlier.recipe.sha256 == recipe.sha256()
        && earlier.delivery.name == inventory.name
        && inventory.files.iter().any(known)
}

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
    /// What the work is done with. Its shelf bounds the memory for sound that would cost much to make twice; the rest
    /// of a run takes about 10 MB a thread.
    pub bench: Bench,
    /// Who makes the papers.
    pub papers: &'a Papers<'a>,
    /// Start, in seconds since 1970-01-01 UTC; for the record alone.
    pub started_unix: u64,
}

/// Prepares one delivery. What an earlier run into the same folder has finished is proved, not made again.
pub fn prepare(job: &Job<'_>) -> Result<Manifest, RunError> {
    let begun = Instant::now();
    OutFolder::check_place(job.delivery, job.out)?;
    let inventory = list(job.delivery, &job.bench)?;
    let mut folder = OutFolder::claim(job.out, job.packaging)?;
    let records = folder.records(&*job.disk);
    let reused = Arc::new(AtomicU64::new(0));
    let bench = counting(&job.bench, Arc::clone(&reused));
    let earlier = folder.earlier().filter(|_| !job.relink);
    let (delivery, recipe) = (job.delivery, job.recipe);
    let study =
        Course { delivery, recipe, bench: &bench, records: Some(&records), earlier }.study(inventory)?;
    folder.check(&*job.disk, &study.plan)?;
    folder.begin_writing()?;
    let rendered = render_all(job, folder.outputs(), &study, &bench, &records)?;
    let reused = reused.load(Ordering::Relaxed);
    finish(job, folder, &study, &rendered, begun, reused)
}

/// The last step of a run: the record of what was made, and all that lies beside the audio.
pub(crate) fn finish(
    job: &Job<'_>,
    folder: OutFolder,
    study: &Study,
    rendered: &BTreeMap<String, Rendered>,
    begun: Instant,
    reused: u64,
) -> Result<Manifest, RunError> {
    let mut manifest = record::manifest(job.recipe, study, rendered);
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

/// The same bench, with a listener that counts what is not done again.
fn counting(bench: &Bench, reused: Arc<AtomicU64>) -> Bench {
    let next = Arc::clone(&bench.listener);
    let listener = move |event: Event<'_>| {
        if matches!(event, Event::Reused { .. }) {
            reused.fetch_add(1, Ordering::Relaxed);
        }
        next(event);
    };
    Bench { listener: Arc::new(listener), ..bench.clone() }
}

fn render_all(
    job: &Job<'_>,
    out: &Path,
    study: &Study,
    bench: &Bench,
    records: &Records<'_>,
) -> Result<BTreeMap<String, Rendered>, RunError> {
    let shop = study.shop(job.delivery, out, Arc::clone(&job.disk), bench);
    let stems: Vec<&StemPlan> = study.plan.rendered().collect();
    bench.tell(Event::Step { step: Step::Render, stems: stems.len() });
    let mut rendered = BTreeMap::new();
    for (path, result) in turns::render_all(&shop, records, &stems) {
        let outcome = match result {
            Ok(done) => Ok(done),
            Err(RenderError::Stopped) => return Err(RunError::Stopped),
            Err(RenderError::Store(error)) => return Err(RunError::Store(error)),
            Err(error) => Err(error.to_string()),
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
