//! One read of a stem that measures all that any stage needs, and changes nothing.

mod facts;
pub(crate) mod measure;
