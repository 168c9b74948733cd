//! The surveys that a plan rests on: the first ones, and a second look at the few files of which these have shown that
//! something else shall be measured: the plan makes it, and whoever comes after reads its records.

use std::path::Path;

use loadin_analysis::Sketches;
use loadin_record::survey::{FileFacts, Inventory, Scope, Survey};
use loadin_storage::records::Records;

use super::error::UnitError;
use super::files::InventoryFile;
use super::shared_disk::SharedDisk;
use crate::journal::{Look, Surveys};
use crate::run::StudyContext;

/// Where the records of second looks are found, whatever they have drawn.
const AGAIN: Look = Look::Second { redraw: false };

/// Every first survey of the delivery, in the order of the files.
pub(super) fn first_surveys(records: &Records<'_>, listed: &InventoryFile) -> Result<Vec<Survey>, UnitError> {
    let survey = |(file, scope): (&FileFacts, &Scope)| {
        let missing = || UnitError::NotYet { what: format!("the survey of \"{}\"", file.path) };
        Surveys(records).on_record(Look::First, file, scope).ok_or_else(missing)
    };
    listed.stems().map(survey).collect()
}

/// The surveys that the plan rested on: those of a second look where there was one.
pub(super) fn surveys_of_plan(
    records: &Records<'_>,
    course: &StudyContext<'_>,
    inventory: &Inventory,
    mut surveys: Vec<Survey>,
) -> Result<Vec<Survey>, UnitError> {
    for (index, scope) in course.second_look(inventory, &surveys) {
        let file = &inventory.files[index];
        let missing = || UnitError::NotYet { what: format!("the second survey of \"{}\"", file.path) };
        surveys[index] = Surveys(records).on_record(AGAIN, file, &scope).ok_or_else(missing)?;
    }
    Ok(surveys)
}

/// A disk on which a second look may take the place of an earlier one, and of the sketch that the first look has drawn.
pub(super) fn disk_for_second_look(
    out: &Path,
    records: &Records<'_>,
    course: &StudyContext<'_>,
    inventory: &Inventory,
    surveys: &[Survey],
) -> SharedDisk {
    let (known, sketches) = (Surveys(records), Sketches::new(Some(records)));
    let mut disk = SharedDisk::new(out);
    for (index, scope) in course.second_look(inventory, surveys) {
        let file = &inventory.files[index];
        if known.on_record(AGAIN, file, &scope).is_none() {
            let [second, _] = known.places(AGAIN, &file.path);
            disk.may_replace(second);
            sketches.place(&file.path).into_iter().for_each(|sketch| disk.may_replace(sketch));
        }
    }
    disk
}
