//! Plays a history: does what was done, and asks for the visits as far as they can be asked for.

use std::path::{Path, PathBuf};

use loadin_tests::Random;

use super::desk::{Desk, Order};
use super::history::{Asked, End, History, OtherRecipe, OtherWords, Step};
use super::oracle::{Ask, Fault, Visit};
use super::recipe::{Recipe, plain};
use super::said::Said;
use super::world::{SONG, World};

/// A history on its way.
pub(super) struct Play(pub(super) Desk);

impl Play {
    pub(super) fn new(history: &History) -> Self {
        Self(Desk::new(World::new(history.seed)))
    }

    /// Plays the history to its end, or to the first fault.
    pub(super) fn play(&mut self, history: &History) -> Result<(), Fault> {
        let plain_recipe = Recipe::new(!history.seed.is_multiple_of(4));
        let names: Vec<String> =
            self.0.world.delivered.iter().map(|(p, g)| format!("{p:?}: {}", g.words)).collect();
        self.0.log.push(format!("the delivery: {}", names.join("; ")));
        for step in &history.steps {
            self.step(step, &plain_recipe)?;
        }
        Ok(())
    }

    fn step(&mut self, step: &Step, plain_recipe: &Recipe) -> Result<(), Fault> {
        let mut draw = Random::new(step.seed);
        if draw.once_in(2) && self.0.world.mend(&mut self.0.oracle) {
            self.0.log.push("- put the manifest back".to_owned());
            self.0.oracle.synced = false;
        }
        for &(act, seed) in &step.acts {
            let said = self.0.world.act(act, seed, &mut self.0.oracle);
            self.0.log.extend(said.map(|said| format!("- {said}")));
        }
        let mut order = self.order(step, plain_recipe, &mut draw);
        self.say(step, &mut order);
        if draw.once_in(6) {
            self.0.plans(&order)?;
        }
        match step.end {
            End::Whole => self.0.whole(&order, draw.once_in(3)).map(drop),
            _ => self.0.interrupted(step.end, &order),
        }
    }

    /// What the step asks of the program, as far as it can be asked now.
    fn order(&self, step: &Step, plain_recipe: &Recipe, draw: &mut Random) -> Order {
        let own = self.0.oracle.recipe.as_ref().unwrap_or(plain_recipe);
        let mut recipe = own.clone();
        let mut more = Vec::new();
        let mut ask = Ask::Nothing;
        let prepared = self.0.oracle.is_prepared() && !self.0.oracle.damaged;
        match step.asked {
            Asked::Relink if prepared => {
                ask = Ask::Relink;
                more.push("--relink".to_owned());
            }
            Asked::Renew | Asked::RenewCoarse if prepared => {
                let fits = |path: &&PathBuf| {
                    let stem = self.0.oracle.stems.iter().find(|stem| stem.path == **path && stem.listed);
                    stem.is_some() && plain(path).is_some() && !own.leaves_out(path)
                };
                let readable = self.0.world.delivered.iter().filter(|(_, given)| given.readable);
                let paths: Vec<&PathBuf> = readable.map(|(path, _)| path).filter(fits).collect();
                if let Some(path) = draw.pick(&paths).copied() {
                    if step.asked == Asked::RenewCoarse && own.coarse.is_none() {
                        recipe.coarse = plain(path).map(str::to_owned);
                    }
                    more.extend(["--renew".to_owned(), self.name_of(path, draw)]);
                    ask = Ask::Renew(vec![path.clone()]);
                }
            }
            _ => {}
        }
        if let Some(other) = step.recipe {
            self.change(&mut recipe, other, draw);
        }
        // A delivery's folder has to have the name of its output folder in a batch, and what is asked there by name
        // holds for all.
        let by_hand =
            self.0.world.name != SONG || matches!(ask, Ask::Renew(_)) || ask == Ask::Relink && recipe != *own;
        let batch = step.batch && !by_hand;
        let (delivery, delivered) = if step.stranger && prepared && ask == Ask::Nothing {
            self.0.world.stranger(draw.number())
        } else {
            (self.0.world.delivery(), self.0.world.delivered.clone())
        };
        let neighbours = if batch && draw.once_in(2) { vec![self.0.neighbour()] } else { Vec::new() };
        let before = self.0.files();
        let visit =
            Visit::new(delivered, recipe, ask, before).saying(self.0.oracle.said.clone(), &self.0.oracle);
        let visit = Visit { batch, ..visit };
        Order { delivery, visit, neighbours, more, says: false }
    }

    /// Lets the engineer say something else at the visit, as far as it can be said now.
    fn say(&self, step: &Step, order: &mut Order) {
        let oracle = &self.0.oracle;
        let ready =
            oracle.is_prepared() && !oracle.damaged && !oracle.unsettled && order.neighbours.is_empty();
        let Some(words) = step.words.filter(|_| ready) else { return };
        let Some(mut said) = self.said_now() else { return };
        let mut draw = Random::new(step.seed ^ 0xF00D);
        let recipe = oracle.recipe_at(&order.visit);
        let takes_part = |path: &Path| !recipe.leaves_out(path) && !said.leaves_out(path);
        let listed = oracle.stems.iter().filter(|stem| stem.listed && self.is_settled_at(&stem.path));
        let prepared: Vec<String> = listed
            .filter(|stem| takes_part(&stem.path) && self.0.world.delivered[&stem.path].readable)
            .filter_map(|stem| plain(&stem.path).map(str::to_owned))
            .collect();
        let chosen = draw.pick(&prepared).cloned();
        match (words, chosen) {
            (OtherWords::LeaveOut, Some(path)) if prepared.len() > 1 => drop(said.out.insert(path)),
            (OtherWords::LetIn, _) => said.out.clear(),
            (OtherWords::Label | OtherWords::LabelRenewed, Some(path)) => {
                said.labels.insert(path.clone(), format!("Said {}", draw.below(90_000) + 10_000));
                if words == OtherWords::LabelRenewed && !order.visit.batch {
                    order.more.extend(["--renew".to_owned(), path.clone()]);
                    order.visit.ask = Ask::Renew(vec![PathBuf::from(path)]);
                }
            }
            _ => said.title += 1,
        }
        // A file that says nothing is not given: what was said before would hold.
        if said.text().is_some() {
            (order.visit, order.says) = (order.visit.clone().saying(said, oracle), true);
        }
    }

    /// What was said, by the paths that the stems have now; `None` where one of them has a path that no file of answers can name.
    fn said_now(&self) -> Option<Said> {
        let (oracle, delivered) = (&self.0.oracle, &self.0.world.delivered);
        let assigned = oracle.assign(delivered);
        let mut now = Said { title: oracle.said.title, ..Said::default() };
        for (index, stem) in oracle.stems.iter().enumerate() {
            let path = assigned.paths.get(&index).unwrap_or(&stem.path);
            if let Some(label) = oracle.heard.label(&stem.path).filter(|_| stem.listed) {
                now.labels.insert(plain(path)?.to_owned(), label.clone());
            }
        }
        let heard = oracle.said.at(&oracle.places(&oracle.said, delivered));
        let there = delivered.keys().filter(|path| heard.leaves_out(path));
        now.out = there.map(|path| plain(path).map(str::to_owned)).collect::<Option<_>>()?;
        Some(now)
    }

    /// Whether the file at this path is there, and the same as at the last visit.
    fn is_settled_at(&self, path: &Path) -> bool {
        self.0.world.delivered.contains_key(path) && plain(path).is_some_and(|path| self.is_settled(path))
    }

    /// A stem's path or its label: `--renew` takes either.
    fn name_of(&self, path: &PathBuf, draw: &mut Random) -> String {
        let label = self.0.oracle.stems.iter().find(|stem| stem.path == *path).map(|stem| &stem.output);
        let label =
            label.map(|output| output.trim_start_matches("audio/").trim_end_matches(".wav").to_owned());
        label.filter(|_| draw.once_in(2)).unwrap_or_else(|| path.display().to_string())
    }

    fn change(&self, recipe: &mut Recipe, other: OtherRecipe, draw: &mut Random) {
        let delivered = &self.0.world.delivered;
        let in_it = |path: &PathBuf| delivered[path].readable && !recipe.leaves_out(path);
        let paths: Vec<String> = delivered
            .keys()
            .filter(|path| in_it(path))
            .filter_map(|path| plain(path).map(str::to_owned))
            .collect();
        match other {
            OtherRecipe::Target => recipe.target = -15 - recipe.target,
            OtherRecipe::Separator => recipe.separator = if recipe.separator == '_' { '-' } else { '_' },
            OtherRecipe::LeaveOut if paths.len() > 1 => recipe.leave_out.extend(draw.pick(&paths).cloned()),
            OtherRecipe::LetIn if !recipe.leave_out.is_empty() => recipe.leave_out.clear(),
            OtherRecipe::Coarse => {
                // What a stem that is gone or replaced would be by another recipe is nobody's question.
                let settled: Vec<&String> = paths.iter().filter(|path| self.is_settled(path)).collect();
                match &recipe.coarse {
                    None => recipe.coarse = draw.pick(&settled).map(|path| (*path).clone()),
                    Some(coarse) if settled.contains(&coarse) => recipe.coarse = None,
                    Some(_) => recipe.revision += 1,
                }
            }
            _ => recipe.revision += 1,
        }
    }

    /// Whether the file at this path is new, or the same as at the last visit.
    fn is_settled(&self, path: &str) -> bool {
        let path = Path::new(path);
        let given = &self.0.world.delivered[path];
        let stem = self.0.oracle.stems.iter().find(|stem| stem.path == path);
        stem.is_none_or(|stem| stem.listed && stem.source == given.sha256)
    }
}
