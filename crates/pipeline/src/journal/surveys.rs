//! Recorded surveys of the files of a delivery.

use std::collections::BTreeSet;
use std::path::Path;

use loadin_record::survey::{EnvelopeChannel, FileFacts, Scope, Survey};
use loadin_storage::pieces::digest;
use loadin_storage::records::{Records, bytes_of, floats_of};

use crate::source::file;

/// Steps of which there may be a record about a file.
const SURVEY: &str = "survey";
const SECOND: &str = "second-survey";
const BEFORE: &str = "before";
const UNMEASURED: &str = "unmeasured";

/// Which of the surveys of a file.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Look {
    /// By what the headers say.
    First,
    /// Again, because the first one has shown that something else shall be measured.
    Second {
        /// Whether that is another rate, which needs another sketch.
        redraw: bool,
    },
}

impl Look {
    fn step(self) -> &'static str {
        match self {
            Self::First => SURVEY,
            Self::Second { .. } => SECOND,
        }
    }
}

/// The surveys among the records of an output folder.
#[derive(Clone, Copy)]
pub(crate) struct Surveys<'a>(pub(crate) &'a Records<'a>);

impl Surveys<'_> {
    /// The survey of a file, if it was made before of the very same bytes.
    pub(crate) fn proved(
        self,
        look: Look,
        delivery: &Path,
        file: &FileFacts,
        scope: &Scope,
    ) -> Option<Survey> {
        let (mut survey, tail): (Survey, _) = self.0.read(look.step(), &file.path, &(file, scope))?;
        restore_envelope(&mut survey, &floats_of(&tail))?;
        if file.unread {
            return None;
        }
        let found = digest(&mut file::open(delivery, &file.path).ok()?).ok()?;
        (found.sha256 == survey.sha256).then_some(survey)
    }

    /// The last survey of the file under this path, whatever it was asked for.
    pub(crate) fn now(self, path: &str) -> Option<Survey> {
        self.any(SURVEY, path)
    }

    /// The survey of the file with these contents that stands, or stood, under this path.
    pub(crate) fn of_contents(self, path: &str, sha256: &str) -> Option<Survey> {
        self.now(path).filter(|survey| survey.sha256 == sha256).or_else(|| self.any(BEFORE, sha256))
    }

    /// Takes back the surveys of files that are not there any more, but for those of the `sources` of a preparation, by
    /// digest.
    pub(crate) fn forget_others(self, sources: &BTreeSet<&str>) {
        let before: Vec<Survey> = self.0.all(BEFORE);
        for survey in before.iter().filter(|survey| !sources.contains(survey.sha256.as_str())) {
            self.0.remove(BEFORE, &survey.sha256);
        }
    }

    fn any(self, step: &str, path: &str) -> Option<Survey> {
        let (mut survey, tail): (Survey, _) = self.0.read_any(step, path)?;
        restore_envelope(&mut survey, &floats_of(&tail))?;
        Some(survey)
    }

    /// Records a survey; one that failed is made again. That of another file under the same path is kept beside, by its
    /// contents: however many files have stood there since, that of the prepared one is not lost.
    pub(crate) fn record(self, look: Look, file: &FileFacts, scope: &Scope, survey: &Survey) {
        let old = if look == Look::First { self.now(&file.path) } else { None };
        if let Some(old) = old.filter(|old| old.sha256 != survey.sha256) {
            self.0.keep_as((SURVEY, &file.path), (BEFORE, &old.sha256));
        }
        if survey.measures.is_ok() {
            let mut survey = survey.clone();
            let floats = take_envelope(&mut survey);
            self.0.write(look.step(), &file.path, (file, scope), (survey, &bytes_of(&floats)));
        }
    }

    /// The survey of a file by the record alone: whoever renders proves the source again. One that failed counts too,
    /// where that was recorded.
    pub(crate) fn on_record(self, look: Look, file: &FileFacts, scope: &Scope) -> Option<Survey> {
        if let Some((mut survey, tail)) = self.0.read::<_, Survey>(look.step(), &file.path, &(file, scope)) {
            restore_envelope(&mut survey, &floats_of(&tail))?;
            return Some(survey);
        }
        self.0.read(UNMEASURED, &file.path, &(file, scope)).map(|(survey, _)| survey)
    }

    /// Records that a file gave no measures, for whoever plans on another machine; a survey that succeeds takes it back.
    pub(crate) fn record_unmeasured(self, file: &FileFacts, scope: &Scope, survey: &Survey) {
        if survey.measures.is_err() {
            self.0.write(UNMEASURED, &file.path, (file, scope), (survey, &[]));
        } else {
            self.0.remove(UNMEASURED, &file.path);
        }
    }

    /// Where the survey of the file under this path lies, and where it says that there is none.
    pub(crate) fn places(self, look: Look, path: &str) -> [std::path::PathBuf; 2] {
        [look.step(), UNMEASURED].map(|step| self.0.place(step, path))
    }
}

fn lists(channel: &mut EnvelopeChannel) -> [&mut Vec<f32>; 4] {
    [&mut channel.min, &mut channel.max, &mut channel.sum, &mut channel.sum_sq]
}

/// The envelope as plain floats: as JSON it would be the largest and slowest part of a record.
fn take_envelope(survey: &mut Survey) -> Vec<f32> {
    let Ok(measures) = &mut survey.measures else { return Vec::new() };
    measures.envelope.channels.iter_mut().flat_map(lists).flat_map(std::mem::take).collect()
}

fn restore_envelope(survey: &mut Survey, floats: &[f32]) -> Option<()> {
    let Ok(measures) = &mut survey.measures else { return None };
    let mut lists: Vec<_> = measures.envelope.channels.iter_mut().flat_map(lists).collect();
    let length = floats.len().checked_div(lists.len())?;
    for (list, values) in lists.iter_mut().zip(floats.chunks(length.max(1))) {
        list.extend_from_slice(values);
    }
    (length * lists.len() == floats.len()).then_some(())
}
