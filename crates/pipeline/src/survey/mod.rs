//! One read of a stem that measures all that any stage needs, and changes nothing.

pub(crate) mod measure;
