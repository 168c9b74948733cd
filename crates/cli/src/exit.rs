//! Exit codes: a documented promise to scripts. Knows nothing of what went wrong.

use std::process::ExitCode;

/// How a command ended.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
#[repr(u8)]
pub enum Exit {
    /// All prepared; nothing differs.
    Done = 0,
    /// Finished, but some stems failed or were set aside.
    SomeStems = 1,
    /// Bad arguments or a bad recipe.
    BadArguments = 2,
    /// The output cannot be written.
    CannotWrite = 3,
    /// Verification found a difference.
    Differs = 4,
    /// The same command may succeed later (the number is `EX_TEMPFAIL` of the BSD `sysexits.h`).
    Later = 75,
    /// It was asked to stop, and did so in good order.
    Interrupted = 130,
    /// Whoever read the output has gone (the number that a shell gives a program that SIGPIPE ended).
    PipeClosed = 141,
}

impl Exit {
    /// The number that the shell sees.
    pub fn code(self) -> u8 {
        self as u8
    }
}

impl From<Exit> for ExitCode {
    fn from(exit: Exit) -> Self {
        Self::from(exit.code())
    }
}
