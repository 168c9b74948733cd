//! Ctrl-C and SIGTERM. The only file with a state of the whole process; knows no verb.

use std::sync::LazyLock;

use loadin_pipeline::work::stop::Stop;

use crate::{Exit, Failure};

/// Whether somebody pressed Ctrl-C, or the machine is shutting down.
pub(crate) static STOP: LazyLock<Stop> = LazyLock::new(Stop::new);

/// From here on the first Ctrl-C or SIGTERM ends the run in good order, and a second one at once. Neither leaves half a
/// file under a final name.
#[expect(clippy::exit, reason = "a second signal wants an end at once, whatever is open")]
pub(crate) fn stop_on_signals() -> Result<(), Failure> {
    let stop = || {
        if STOP.is_asked() {
            std::process::exit(i32::from(Exit::Interrupted.code()));
        }
        STOP.ask();
    };
    ctrlc::set_handler(stop).map_err(|error| {
        Failure::new(
            Exit::CannotWrite,
            anyhow::Error::msg(format!(
                "cannot listen for Ctrl-C: {error}; the system may have no thread to give (ulimit -u)"
            )),
        )
    })
}
