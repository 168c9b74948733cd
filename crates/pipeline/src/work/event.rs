//! What a run tells while it works. The work emits events; whoever listens prints them.

/// Something that happened.
#[derive(Debug, Clone, PartialEq)]
pub enum Event<'a> {
    /// A delivery has been listed.
    Scanned {
        /// Its name.
        delivery: &'a str,
        /// Audio files in it.
        files: usize,
    },
    /// Something that people should read about the output folder: how what was prepared before stands now, which recipe goes
    /// on, what somebody has put there.
    Noted {
        /// A sentence.
        text: &'a str,
        /// Whether anything is otherwise than at the last visit.
        news: bool,
    },
    /// A step begins for all stems.
    Step {
        /// Which.
        step: Step,
        /// Stems that it concerns.
        stems: usize,
    },
    /// Work on one stem begins.
    Started {
        /// Which step.
        step: Step,
        /// The stem's path.
        path: &'a str,
        /// Source frames that are expected; 0 where nobody knows.
        frames: u64,
    },
    /// Work on one stem goes on.
    Advanced {
        /// Which step.
        step: Step,
        /// The stem's path.
        path: &'a str,
        /// Source frames that are done.
        frames: u64,
    },
    /// An earlier run has done this step for a stem, and it was proved that nothing has changed.
    Reused {
        /// Which step.
        step: Step,
        /// The stem's path.
        path: &'a str,
    },
    /// Work on one stem has ended.
    Ended {
        /// Which step.
        step: Step,
        /// The stem's path.
        path: &'a str,
        /// What went wrong, if anything.
        error: Option<&'a str>,
    },
}

/// The long steps of a run.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Step {
    /// Measuring every stem.
    Survey,
    /// Writing every prepared stem.
    Render,
    /// Reading the outputs again.
    Verify,
    /// Undoing what was done to every stem.
    Restore,
}

impl Step {
    /// The word for people and scripts.
    pub fn as_str(self) -> &'static str {
        match self {
            Self::Survey => "survey",
            Self::Render => "render",
            Self::Verify => "verify",
            Self::Restore => "restore",
        }
    }
}

/// Whoever listens. Called from several threads.
pub type Listener<'a> = dyn Fn(Event<'_>) + Send + Sync + 'a;
