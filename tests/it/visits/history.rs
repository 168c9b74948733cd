//! Histories of visits, drawn: what somebody does to a delivery and to its output folder, and how they visit it. What a
//! step draws for itself comes from its own seed, so that a history stays one when steps are taken out of it.

use loadin_tests::Random;

/// Something that is done between two visits.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Act {
    Add,
    /// A file whose name is more than text.
    AddOddly,
    /// A file whose time stamp is earlier than all others.
    AddEarly,
    Remove,
    Replace,
    /// Something at the path of a stem that is no sound.
    Break,
    PutBack,
    Rename,
    /// Into a folder of the delivery.
    Move,
    RenameCase,
    RenameFolder,
    EditOutput,
    DeleteOutput,
    /// A file of a person's own below `audio/`.
    OwnFile,
    /// The same, under the name that the next stem would get.
    OwnFileInTheWay,
    DamageManifest,
}

/// What is asked of a visit.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Asked {
    Nothing,
    Relink,
    Renew,
    /// With a recipe that gives the renewed stem another depth.
    RenewCoarse,
}

/// How the recipe that is given differs from the one that the folder was prepared by.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum OtherRecipe {
    Target,
    Separator,
    /// Leaves a stem out, or lets all in again.
    LeaveOut,
    LetIn,
    Coarse,
    /// Changes no stem.
    Revision,
}

/// How what the engineer says differs from what was said before.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum OtherWords {
    /// Another title: no output follows.
    Title,
    LeaveOut,
    LetIn,
    /// A prepared stem is called otherwise, and nobody asks for it to be made anew.
    Label,
    /// The same, and it is made anew.
    LabelRenewed,
}

/// How a visit ends.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum End {
    Whole,
    /// The process is killed, at this part of the time that a visit took.
    Killed(f64),
    /// From this call on the disk fails.
    DiskFails(usize),
}

/// One visit, and what was done before it.
#[derive(Debug, Clone)]
pub(super) struct Step {
    pub(super) acts: Vec<(Act, u64)>,
    pub(super) seed: u64,
    pub(super) batch: bool,
    pub(super) asked: Asked,
    pub(super) recipe: Option<OtherRecipe>,
    /// What the engineer says now.
    pub(super) words: Option<OtherWords>,
    /// A delivery with other contents and the same names.
    pub(super) stranger: bool,
    pub(super) end: End,
}

/// Acts, and how often each comes.
const ACTS: &[(Act, usize)] = &[
    (Act::Add, 10),
    (Act::AddOddly, 3),
    (Act::AddEarly, 3),
    (Act::Remove, 5),
    (Act::Replace, 8),
    (Act::Break, 2),
    (Act::PutBack, 5),
    (Act::Rename, 4),
    (Act::Move, 3),
    (Act::RenameCase, 3),
    (Act::RenameFolder, 2),
    (Act::EditOutput, 3),
    (Act::DeleteOutput, 3),
    (Act::OwnFile, 2),
    (Act::OwnFileInTheWay, 2),
    (Act::DamageManifest, 1),
];

const RECIPES: &[OtherRecipe] = &[
    OtherRecipe::Target,
    OtherRecipe::Separator,
    OtherRecipe::LeaveOut,
    OtherRecipe::LeaveOut,
    OtherRecipe::LetIn,
    OtherRecipe::LetIn,
    OtherRecipe::Coarse,
    OtherRecipe::Revision,
    OtherRecipe::Revision,
];

const WORDS: &[OtherWords] = &[
    OtherWords::Title,
    OtherWords::Title,
    OtherWords::LeaveOut,
    OtherWords::LetIn,
    OtherWords::Label,
    OtherWords::LabelRenewed,
    OtherWords::LabelRenewed,
];

/// A history.
#[derive(Debug, Clone)]
pub(super) struct History {
    pub(super) seed: u64,
    pub(super) steps: Vec<Step>,
}

impl History {
    /// The history of this seed.
    pub(super) fn draw(seed: u64) -> Self {
        let mut draw = Random::new(seed);
        let visits = 3 + draw.below(8);
        let mut steps: Vec<Step> = (0..visits).map(|visit| Step::draw(visit, &mut draw)).collect();
        // Histories that have found a fault stay what they were.
        if !super::FOUND.contains(&seed) {
            steps.iter_mut().skip(1).for_each(Step::draw_words);
        }
        Self { seed, steps }
    }

    /// Histories with less in them: one step or one act taken out, the last first.
    pub(super) fn shorter(&self) -> Vec<Self> {
        let mut all = Vec::new();
        for step in (0..self.steps.len()).rev() {
            let mut shorter = self.clone();
            shorter.steps.remove(step);
            all.push(shorter);
            for act in 0..self.steps[step].acts.len() {
                let mut shorter = self.clone();
                shorter.steps[step].acts.remove(act);
                all.push(shorter);
            }
        }
        all
    }
}

impl Step {
    /// Draws what the engineer says, out of the step's own seed.
    fn draw_words(&mut self) {
        let mut draw = Random::new(self.seed ^ 0x5A1D);
        if draw.once_in(3) && self.asked == Asked::Nothing && self.recipe.is_none() && !self.stranger {
            self.words = draw.pick(WORDS).copied();
        }
    }

    fn draw(number: usize, draw: &mut Random) -> Self {
        let acts = if number == 0 { 0 } else { draw.below(4) };
        let mut step = Self {
            acts: (0..acts).map(|_| (any_act(draw), draw.number())).collect(),
            seed: draw.number(),
            batch: draw.once_in(4),
            asked: Asked::Nothing,
            recipe: None,
            words: None,
            stranger: false,
            end: End::Whole,
        };
        if draw.once_in(if number == 0 { 4 } else { 6 }) {
            let moment = draw.below(1_000) as f64 / 1_000.0;
            step.end = if draw.once_in(2) { End::Killed(moment) } else { End::DiskFails(draw.below(160)) };
        }
        if number == 0 {
            return step;
        }
        match draw.below(16) {
            0 => step.asked = Asked::Relink,
            1 => step.asked = Asked::Renew,
            2 => step.asked = Asked::RenewCoarse,
            3 => step.stranger = true,
            _ => {}
        }
        if draw.once_in(4) && !matches!(step.asked, Asked::Renew | Asked::RenewCoarse) {
            step.recipe = draw.pick(RECIPES).copied();
        }
        step
    }
}

fn any_act(draw: &mut Random) -> Act {
    let all: usize = ACTS.iter().map(|(_, often)| often).sum();
    let mut place = draw.below(all);
    for &(act, often) in ACTS {
        if place < often {
            return act;
        }
        place -= often;
    }
    Act::Add
}
