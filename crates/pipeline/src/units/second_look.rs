//! The second look at the few files of which the first surveys have shown that something else shall be measured: the plan
//! makes it, and whoever comes after reads its records.

use loadin_analysis::Sketches;
use loadin_record::manifest::Manifest;
use loadin_record::survey::Survey;
use loadin_storage::disk::RealDisk;

use super::UnitContext;
use super::error::UnitError;
use super::files::InventoryFile;
use super::shared_disk::SharedDisk;
use crate::journal::{Look, Surveys};

/// The surveys that the plan rested on: those of a second look where there was one.
pub(super) fn surveys_of_plan(
    context: &UnitContext<'_>,
    listed: &InventoryFile,
    earlier: Option<&Manifest>,
    mut surveys: Vec<Survey>,
) -> Result<Vec<Survey>, UnitError> {
    let records = context.records(&RealDisk);
    for (index, scope) in context.course(None, earlier).second_look(&listed.inventory, &surveys) {
        let file = &listed.inventory.files[index];
        let missing = || UnitError::NotYet { what: format!("the second survey of \"{}\"", file.path) };
        surveys[index] = Surveys(&records).on_record(Look::Second, file, &scope).ok_or_else(missing)?;
    }
    Ok(surveys)
}

/// A disk on which a second look may take the place of an earlier one, and of the sketch that the first look has drawn.
pub(super) fn disk_for_second_look(
    context: &UnitContext<'_>,
    listed: &InventoryFile,
    earlier: Option<&Manifest>,
    surveys: &[Survey],
) -> SharedDisk {
    let records = context.records(&RealDisk);
    let (known, sketches) = (Surveys(&records), Sketches::new(Some(&records)));
    let mut disk = SharedDisk::new();
    for (index, scope) in context.course(None, earlier).second_look(&listed.inventory, surveys) {
        let file = &listed.inventory.files[index];
        if known.on_record(Look::Second, file, &scope).is_none() {
            let [second, _] = known.places(Look::Second, &file.path);
            disk.may_replace(second);
            sketches.place(&file.path).into_iter().for_each(|sketch| disk.may_replace(sketch));
        }
    }
    disk
}
