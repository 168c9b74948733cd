//! One file a verb; no verb knows another one.

pub(crate) mod answers;
pub(crate) mod audit;
pub(crate) mod facts;
pub(crate) mod help;
pub(crate) mod manual;
pub(crate) mod plan;
pub(crate) mod prep;
pub(crate) mod recipe;
pub(crate) mod report;
pub(crate) mod restore;
pub(crate) mod unit;
pub(crate) mod verify;
