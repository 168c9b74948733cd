//! Surveying the files of a study: what each shall be measured for, whether there is a record of it, and the second look at the few
//! that need one. It decides nothing.

use loadin_analysis::Sketches;
use loadin_plan::visit::promise;
use loadin_record::survey::{FileFacts, Inventory, Scope, Survey};

use crate::journal::{Look, Surveys};
use crate::run::looked::{Item, Looked};
use crate::run::study::StudyContext;
use crate::survey::measure::survey_stem;
use crate::work::event::{Event, Step};
use crate::work::handoff::Threads;
use crate::work::schedule::in_parallel_shared;

impl StudyContext<'_> {
    /// What the survey of each listed file shall measure, in the order of the files: by the headers, or by what the surveys
    /// have shown.
    pub(crate) fn scopes(&self, inventory: &Inventory, surveys: &[Survey]) -> Vec<Scope> {
        let pin = self.bound.map(|bound| promise(&bound.manifest));
        loadin_plan::scopes(self.recipe, &inventory.files, surveys, pin.as_ref())
    }

    /// The files of which something else must be measured than was, by their index, and what: those whose rate of most
    /// was that of silent stems, those whose offset goes before their rate is converted, and those that start elsewhere than
    /// their headers let expect.
    pub(crate) fn second_look(&self, inventory: &Inventory, surveys: &[Survey]) -> Vec<(usize, Scope)> {
        let scopes = self.scopes(inventory, surveys).into_iter().enumerate();
        let measured = |(index, scope): &(usize, Scope)| {
            surveys[*index].measures.as_ref().is_ok_and(|measures| {
                measures.target_hz != scope.target_hz
                    || measures.subtracted != scope.subtract
                    || measures.phase != scope.phase
            })
        };
        scopes.filter(measured).collect()
    }

    /// Surveys the few files again that need a second look; the others stay as they are.
    pub(crate) fn look_again(
        &self,
        inventory: &Inventory,
        mut surveys: Vec<Survey>,
        sketches: &Sketches<'_>,
    ) -> Looked {
        let mut first = Vec::new();
        let again = self.second_look(inventory, &surveys);
        if again.is_empty() || self.work.stop.is_asked() {
            return Looked { surveys, first };
        }
        self.work.tell(Event::Step { step: Step::Survey, stems: again.len() });
        let which = |(index, scope): &(usize, Scope)| {
            let redraw = rate_of(&surveys[*index]) != Some(scope.target_hz);
            Look::Second { redraw }
        };
        let looks = again.iter().map(which);
        let items: Vec<Item<'_>> =
            looks.zip(&again).map(|(look, (index, scope))| (look, &inventory.files[*index], scope)).collect();
        let looks = self.survey_all(&items, sketches);
        for ((index, scope), mut survey) in again.into_iter().zip(looks) {
            std::mem::swap(&mut surveys[index], &mut survey);
            if rate_of(&survey) == Some(scope.target_hz) {
                first.push((index, survey));
            }
        }
        Looked { surveys, first }
    }

    pub(super) fn survey_all(&self, items: &[Item<'_>], sketches: &Sketches<'_>) -> Vec<Survey> {
        let size = |(_, file, _): &Item<'_>| file.bytes;
        in_parallel_shared(items, size, |(look, file, scope), threads| {
            self.survey(*look, file, scope, threads, sketches)
        })
    }

    /// Surveys one stem, unless there is a record of its survey.
    pub(crate) fn survey(
        &self,
        look: Look,
        file: &FileFacts,
        scope: &Scope,
        threads: Threads,
        sketches: &Sketches<'_>,
    ) -> Survey {
        let known =
            self.records.and_then(|records| Surveys(records).proved(look, self.delivery, file, scope));
        if let Some(survey) = known.filter(|survey| sketches.has(&survey.path, &survey.sha256)) {
            self.work.tell(Event::Reused { step: Step::Survey, path: &file.path });
            return survey;
        }
        // What an earlier look has kept takes the room that this one needs.
        drop(self.work.sound_cache.take(&file.path));
        let (survey, sketch) = survey_stem(self.delivery, file, scope, threads, self.work);
        // A sketch is of what was delivered, and made anew for another rate.
        if let Some(sketch) = sketch.filter(|_| look != (Look::Second { redraw: false })) {
            sketches.keep(&survey.path, &survey.sha256, sketch);
        }
        if let Some(records) = self.records {
            Surveys(records).record(look, file, scope, &survey);
        }
        survey
    }
}

fn rate_of(survey: &Survey) -> Option<u32> {
    survey.measures.as_ref().ok().map(|measures| measures.target_hz)
}
