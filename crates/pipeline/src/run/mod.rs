//! A whole run over one delivery: list, survey, plan, render, seal. The same steps serve the dry run and the units.

mod bound;
mod compose;
mod error;
mod kept;
mod looked;
mod looking;
mod prepare;
mod study;

pub use self::bound::{Bound, with_answers};
pub(crate) use self::bound::{check_answers, forget_answers, keep_answers, own_answers, own_recipe};
pub(crate) use self::compose::manifest;
pub use self::compose::planned_manifest;
pub use self::error::RunError;
pub(crate) use self::kept::Kept;
pub use self::prepare::{Job, Papers, prepare};
pub(crate) use self::prepare::{finish, room_for};
pub use self::study::{Study, study};
pub(crate) use self::study::{StudyContext, scan_delivery};
