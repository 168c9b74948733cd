//! All of a run that only reads: list, survey, compare, plan. The dry run ends here.

use std::borrow::Cow;
use std::collections::BTreeMap;
use std::path::Path;
use std::sync::Arc;

use loadin_analysis::{Delivery, Sketches, compare};
use loadin_plan::music::Music;
use loadin_plan::placement::StemStarts;
use loadin_plan::plan::Plan;
use loadin_plan::recipe::Recipe;
use loadin_plan::visit::{Visit, answers_would_change, differences, free_renewed, said_paths, would_change};
use loadin_plan::{Given, Planned};
use loadin_record::evidence::Evidence;
use loadin_record::late::{Late, LateFile, Pin};
use loadin_record::manifest::{Manifest, StemRecord};
use loadin_record::music::Facts;
use loadin_record::survey::{Inventory, Survey};
use loadin_storage::disk::Disk;
use loadin_storage::records::Records;

use crate::journal::{Look, Surveys};
use crate::output::folder::Replaced;
use crate::render::RenderContext;
use crate::run::bound::{Bound, check_answers, with_answers};
use crate::run::error::RunError;
use crate::run::looked::{Item, Looked};
use crate::source::scan::scan;
use crate::stated::read_music;
use crate::work::context::Context;
use crate::work::event::{Event, Step};

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
    /// How what was prepared before stands now; `None` for a first preparation.
    pub visit: Option<Visit>,
}

impl Study {
    /// Digests of the samples of the sources that were measured, by path: a render finds the very same samples again.
    pub(crate) fn sample_digests(&self) -> BTreeMap<String, String> {
        let measured =
            |survey: &Survey| Some((survey.path.clone(), survey.measures.as_ref().ok()?.content.clone()));
        self.surveys.iter().filter_map(measured).collect()
    }

    /// What the renders of this study share.
    pub(crate) fn render_context(
        &self,
        delivery: &Path,
        out: &Path,
        disk: Arc<dyn Disk>,
        work: &Context,
        replaced: Replaced,
    ) -> Arc<RenderContext> {
        let sample_digests = self.sample_digests();
        let (delivery, out) = (delivery.to_owned(), out.to_owned());
        Arc::new(RenderContext { delivery, out, disk, sample_digests, replaced, work: work.clone() })
    }
}

/// Surveys a delivery and plans it: all of a run that only reads. What an earlier preparation has promised is `bound`.
///
/// Runs on the current rayon pool; its size changes nothing in the result.
///
/// # Errors
/// When the delivery cannot be listed or holds no audio, when it is another one than was prepared, when the recipe would
/// change what is prepared, or when the work is asked to stop.
pub fn study(
    delivery: &Path,
    recipe: &Recipe,
    work: &Context,
    bound: Option<(&Bound, &Path)>,
) -> Result<Study, RunError> {
    let song = bound.and_then(|(bound, _)| bound.manifest.delivery.song.clone());
    let inventory = scan_delivery(delivery, recipe, work)?.of_song(song);
    let recipe = &with_answers(recipe, bound.map(|(bound, out)| (out, &bound.manifest)))?;
    check_answers(recipe, &inventory, bound.map(|(bound, _)| &bound.manifest))?;
    if let Some((bound, out)) = bound {
        bound.check(delivery, out, &inventory, recipe)?;
    }
    let out = bound.map(|(_, out)| out);
    let bound = bound.map(|(bound, _)| bound);
    let earlier = bound.map(|bound| &bound.manifest);
    let context = StudyContext { delivery, recipe, work, records: None, bound, earlier };
    let study = context.study(inventory)?;
    if let Some(out) = out {
        context.refuse_changes(out, &study)?;
    }
    Ok(study)
}

/// Lists the delivery; there must be audio in it.
pub(crate) fn scan_delivery(delivery: &Path, recipe: &Recipe, work: &Context) -> Result<Inventory, RunError> {
    let inventory = scan(delivery, work.patience, &|path| recipe.reads_outside(path))?;
    if inventory.files.is_empty() {
        return Err(RunError::Empty { path: delivery.to_owned(), ignored: inventory.ignored.len() });
    }
    work.tell(Event::Scanned { delivery: &inventory.name, files: inventory.files.len() });
    Ok(inventory)
}

/// What a study works with. A run does its steps one after the other; the unit commands (`units`) do one of them each.
pub(crate) struct StudyContext<'a> {
    pub(crate) delivery: &'a Path,
    pub(crate) recipe: &'a Recipe,
    pub(crate) work: &'a Context,
    pub(crate) records: Option<&'a Records<'a>>,
    pub(crate) bound: Option<&'a Bound>,
    /// The last preparation, whether it binds or not: what is said of a stem follows its file.
    pub(crate) earlier: Option<&'a Manifest>,
}

impl StudyContext<'_> {
    pub(crate) fn study(&self, inventory: Inventory) -> Result<Study, RunError> {
        let scopes = self.scopes(&inventory, &[]);
        let sketches = Sketches::new(self.records);
        self.work.tell(Event::Step { step: Step::Survey, stems: inventory.files.len() });
        let files = inventory.files.iter().zip(&scopes);
        let items: Vec<Item<'_>> = files.map(|(file, scope)| (Look::First, file, scope)).collect();
        let surveys = self.survey_all(&items, &sketches);
        let looked = self.look_again(&inventory, surveys, &sketches);
        if self.work.stop.is_asked() {
            return Err(RunError::Stopped);
        }
        let music = read_music(self.delivery, &inventory, self.work.patience).answered(self.recipe.song());
        Ok(self.decide(inventory, looked, music, &sketches))
    }

    /// Compares the surveyed stems and plans. What needs all surveys together belongs in here.
    pub(crate) fn decide(
        &self,
        inventory: Inventory,
        looked: Looked,
        music: Music,
        sketches: &Sketches<'_>,
    ) -> Study {
        let said_as = self.earlier.map(|earlier| said_paths(earlier, &looked.surveys)).unwrap_or_default();
        let recipe = &self.recipe.following(&said_as);
        let following = StudyContext { recipe, ..*self };
        let mut study = following.decide_on(inventory, looked, music, sketches);
        study.plan.said_as = said_as;
        study
    }

    fn decide_on(
        &self,
        inventory: Inventory,
        mut looked: Looked,
        music: Music,
        sketches: &Sketches<'_>,
    ) -> Study {
        let Some(bound) = self.bound else {
            let (planned, evidence) = self.plan(&inventory, &mut looked, music, sketches, (None, None));
            return study_of(inventory, looked, planned, evidence, None, None);
        };
        let mut visit = Visit::new(&bound.manifest, &looked.surveys, self.recipe, &bound.renew);
        if let Some((planned, evidence)) =
            self.as_before(bound, &mut visit, &inventory, &mut looked, &music, sketches)
        {
            let late = bound.manifest.late.clone();
            return study_of(inventory, looked, planned, evidence, late, Some(visit));
        }
        let mut pin = visit.pin(&bound.manifest, bound.taken.clone());
        if bound.is_answered_otherwise(self.recipe) {
            free_renewed(&mut pin, &visit, (bound.answers.as_ref(), self.recipe.answers.as_ref()));
        }
        let terms = (Some(&pin), Some(&pin.facts));
        let (planned, evidence) = self.plan(&inventory, &mut looked, music, sketches, terms);
        visit.settle(&planned.plan);
        let files = self.differences(bound, (&visit, &planned.plan), &looked.surveys);
        study_of(inventory, looked, planned, evidence, Some(Late { pin, files }), Some(visit))
    }

    /// What came, was replaced or went since the preparation.
    fn differences(&self, bound: &Bound, visit: (&Visit, &Plan), surveys: &[Survey]) -> Vec<LateFile> {
        let old = |stem: &StemRecord| {
            let sha256 = stem.source.sha256.as_deref()?;
            self.records.and_then(|records| Surveys(records).of_contents(&stem.source.path, sha256))
        };
        differences(&bound.manifest, visit, surveys, old)
    }

    /// The plan of a visit that finds everything as the last one has left it: made on the same terms, so that it says the
    /// same. `None` where something has changed.
    fn as_before(
        &self,
        bound: &Bound,
        visit: &mut Visit,
        inventory: &Inventory,
        looked: &mut Looked,
        music: &Music,
        sketches: &Sketches<'_>,
    ) -> Option<(Planned, Evidence)> {
        let earlier = &bound.manifest;
        let answered = bound.is_answered_otherwise(self.recipe);
        if bound.made_by.is_some() || answered || visit.is_changed(earlier) {
            return None;
        }
        let pin = earlier.late.as_ref().map(|late| &late.pin);
        let facts = pin.map(|pin| &pin.facts).filter(|facts| !facts.is_empty()).unwrap_or(&earlier.facts);
        let (planned, evidence) = self.plan(inventory, looked, music.clone(), sketches, (pin, Some(facts)));
        let mut settled = visit.clone();
        settled.settle(&planned.plan);
        // A stem that could not be made before and can be now comes late.
        let quiet = settled.added(&planned.plan) == 0
            && settled.is_quiet(earlier)
            && self.differences(bound, (&settled, &planned.plan), &looked.surveys).is_empty();
        *visit = if quiet { settled } else { return None };
        Some((planned, evidence))
    }

    /// The plan on these terms: what was promised, and what was known of the music then.
    fn plan(
        &self,
        inventory: &Inventory,
        looked: &mut Looked,
        music: Music,
        sketches: &Sketches<'_>,
        (pin, earlier): (Option<&Pin>, Option<&Facts>),
    ) -> (Planned, Evidence) {
        let starts = loadin_plan::starts(self.recipe, &looked.surveys, pin);
        // What is compared is what was delivered, also where a second look did without the offset.
        looked.exchange();
        let evidence = self.compare(&looked.surveys, &starts, &music.facts(), sketches);
        looked.exchange();
        let given = Given {
            delivery: &inventory.name,
            recipe: self.recipe,
            surveys: &looked.surveys,
            starts: &starts,
            evidence: &evidence,
            pin,
            earlier,
        };
        (loadin_plan::plan(&given, music), evidence)
    }

    /// Refuses answers and a recipe that would change what is prepared.
    pub(crate) fn refuse_changes(&self, out: &Path, study: &Study) -> Result<(), RunError> {
        let Some((bound, visit)) = self.bound.zip(study.visit.as_ref()) else { return Ok(()) };
        let recipe = &self.recipe.following(&study.plan.said_as);
        if bound.is_answered_otherwise(recipe) {
            let answers = (bound.answers.as_ref(), recipe.answers.as_ref());
            let stems = answers_would_change(&bound.manifest, answers, Some(visit));
            if !stems.is_empty() {
                return Err(RunError::AnswersWouldChange { out: out.to_owned(), stems });
            }
        }
        let Some(made_by) = &bound.made_by else { return Ok(()) };
        let surveys = bound.surveys_of_outputs(out, visit, &study.surveys);
        let starts = loadin_plan::starts(recipe, &surveys, None);
        let given = Given {
            delivery: &study.inventory.name,
            recipe,
            surveys: &surveys,
            starts: &starts,
            evidence: &study.evidence,
            pin: None,
            earlier: Some(&bound.manifest.facts),
        };
        let made_by = made_by.answered(recipe.answers.clone());
        let stems = would_change(visit, &made_by, &given, &study.music);
        if stems.is_empty() { Ok(()) } else { Err(RunError::WouldChange { out: out.to_owned(), stems }) }
    }

    /// What comparing the stems shows.
    fn compare(
        &self,
        surveys: &[Survey],
        starts: &StemStarts,
        stated: &Facts,
        sketches: &Sketches<'_>,
    ) -> Evidence {
        // What is left out is not listened to, and shows nothing of the others.
        let out = |survey: &Survey| self.recipe.leaves_out(&survey.path).is_some();
        let surveys: Cow<'_, [Survey]> = if surveys.iter().any(out) {
            surveys.iter().filter(|survey| !out(survey)).cloned().collect()
        } else {
            surveys.into()
        };
        let paths = || surveys.iter().map(|survey| &survey.path);
        let references = paths().filter(|path| self.recipe.is_reference(path)).cloned().collect();
        let chosen = paths().find(|path| self.recipe.said_of(path).reference == Some(true));
        let (chosen, stamped, starts) = (chosen.map(String::as_str), starts.stamped(), starts.seconds());
        compare(&Delivery {
            surveys: &surveys,
            references: &references,
            chosen,
            starts: &starts,
            stamped: &stamped,
            sketches,
            stated,
        })
    }
}

fn study_of(
    inventory: Inventory,
    looked: Looked,
    Planned { plan, music }: Planned,
    evidence: Evidence,
    late: Option<Late>,
    visit: Option<Visit>,
) -> Study {
    Study { inventory, surveys: looked.surveys, music, evidence, plan, late, visit }
}
