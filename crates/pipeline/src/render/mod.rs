//! Carries out a plan: one file a stem, whole or absent. It decides nothing.

mod context;
mod input;
mod queue;
#[expect(clippy::module_inception, reason = "the render of one stem; the rest of the folder serves it")]
mod render;

pub(crate) mod chain;
pub(crate) mod error;
pub(crate) mod metadata;
pub(crate) mod output;

pub use self::context::RenderContext;
pub use self::error::RenderError;
pub(crate) use self::queue::render_all;
pub use self::render::replay;
