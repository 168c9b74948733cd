//! Plays a history: does what was done, makes the visits by the program, and lets the oracle judge each.

use std::fs;
use std::path::PathBuf;
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

use loadin_tests::Random;
use serde_json::Value;

use super::folder::Ended;
use super::given::Sound;
use super::history::{Asked, End, History, OtherRecipe, Step};
use super::oracle::{Ask, Fault, Oracle, Visit, hold};
use super::recipe::{Recipe, plain};
use super::world::{SONG, World};
use crate::job::{Files, command, loadin, run, tree};
use crate::overnight::faults;

/// A history on its way.
pub(super) struct Play {
    world: World,
    oracle: Oracle,
    /// What has happened, a line each.
    pub(super) log: Vec<String>,
    /// How long the last whole visit took.
    took: Duration,
}

/// What a visit is given on the command line.
struct Order {
    delivery: PathBuf,
    visit: Visit,
    /// Deliveries beside it in a batch.
    neighbours: Vec<PathBuf>,
    more: Vec<String>,
}

impl Play {
    pub(super) fn new(history: &History) -> Self {
        Self {
            world: World::new(history.seed),
            oracle: Oracle::default(),
            log: Vec::new(),
            took: Duration::from_millis(60),
        }
    }

    /// Plays the history to its end, or to the first fault.
    pub(super) fn play(&mut self, history: &History) -> Result<(), Fault> {
        let plain_recipe = Recipe::new(!history.seed.is_multiple_of(4));
        let names: Vec<String> =
            self.world.delivered.iter().map(|(p, g)| format!("{p:?}: {}", g.words)).collect();
        self.log.push(format!("the delivery: {}", names.join("; ")));
        for step in &history.steps {
            self.step(step, &plain_recipe)?;
        }
        Ok(())
    }

    fn step(&mut self, step: &Step, plain_recipe: &Recipe) -> Result<(), Fault> {
        let mut draw = Random::new(step.seed);
        if draw.once_in(2) && self.world.mend(&mut self.oracle) {
            self.log.push("- put the manifest back".to_owned());
            self.oracle.synced = false;
        }
        for &(act, seed) in &step.acts {
            let said = self.world.act(act, seed, &mut self.oracle);
            self.log.extend(said.map(|said| format!("- {said}")));
        }
        let order = self.order(step, plain_recipe, &mut draw);
        if draw.once_in(6) {
            self.plans(&order)?;
        }
        match step.end {
            End::Whole => self.whole(&order, &mut draw),
            _ => self.interrupted(step.end, &order),
        }
    }

    /// What the step asks of the program, as far as it can be asked now.
    fn order(&self, step: &Step, plain_recipe: &Recipe, draw: &mut Random) -> Order {
        let own = self.oracle.recipe.as_ref().unwrap_or(plain_recipe);
        let mut recipe = own.clone();
        let mut more = Vec::new();
        let mut ask = Ask::Nothing;
        let prepared = self.oracle.is_prepared() && !self.oracle.damaged;
        match step.asked {
            Asked::Relink if prepared => {
                ask = Ask::Relink;
                more.push("--relink".to_owned());
            }
            Asked::Renew | Asked::RenewCoarse if prepared => {
                let fits = |path: &&PathBuf| {
                    let stem = self.oracle.stems.iter().find(|stem| stem.path == **path && stem.listed);
                    stem.is_some() && plain(path).is_some() && !own.leaves_out(path)
                };
                let readable = self.world.delivered.iter().filter(|(_, given)| given.readable);
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
            self.world.name != SONG || matches!(ask, Ask::Renew(_)) || ask == Ask::Relink && recipe != *own;
        let batch = step.batch && !by_hand;
        let (delivery, delivered) = if step.stranger && prepared && ask == Ask::Nothing {
            self.world.stranger(draw.next())
        } else {
            (self.world.delivery(), self.world.delivered.clone())
        };
        let neighbours = if batch && draw.once_in(2) { vec![self.neighbour()] } else { Vec::new() };
        let before = self.files();
        Order { delivery, visit: Visit { delivered, recipe, batch, ask, before }, neighbours, more }
    }

    /// A stem's path or its label: `--renew` takes either.
    fn name_of(&self, path: &PathBuf, draw: &mut Random) -> String {
        let label = self.oracle.stems.iter().find(|stem| stem.path == *path).map(|stem| &stem.output);
        let label =
            label.map(|output| output.trim_start_matches("audio/").trim_end_matches(".wav").to_owned());
        label.filter(|_| draw.once_in(2)).unwrap_or_else(|| path.display().to_string())
    }

    fn change(&self, recipe: &mut Recipe, other: OtherRecipe, draw: &mut Random) {
        let delivered = &self.world.delivered;
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
            OtherRecipe::Coarse if recipe.coarse.is_none() => recipe.coarse = draw.pick(&paths).cloned(),
            OtherRecipe::Coarse => recipe.coarse = None,
            _ => recipe.revision += 1,
        }
    }

    /// A delivery that has nothing to do with the first.
    fn neighbour(&self) -> PathBuf {
        let folder = self.world.beside("neighbours").join("beside");
        if !folder.exists() {
            fs::create_dir_all(&folder).expect("a folder");
            fs::write(folder.join("Pad.wav"), &*Sound::plain(1).given().bytes).expect("a file");
        }
        folder
    }

    fn files(&self) -> Files {
        let out = self.world.out();
        if out.exists() { tree(&out) } else { Files::new() }
    }

    /// The program with the arguments of a visit.
    fn command(&self, order: &Order) -> Command {
        let recipe = self.world.beside("recipe.toml");
        fs::write(&recipe, order.visit.recipe.text()).expect("a recipe");
        let mut command = command();
        command.arg("prep").arg(&order.delivery).args(&order.neighbours).arg("--out");
        if order.visit.batch {
            command.arg(self.world.prepared()).arg("--batch");
        } else {
            command.arg(self.world.out());
        }
        command.arg("--recipe").arg(recipe).args(["--progress", "none"]).args(&order.more);
        command
    }

    fn whole(&mut self, order: &Order, draw: &mut Random) -> Result<(), Fault> {
        let foreseen = self.oracle.foresee(&order.visit);
        let begun = Instant::now();
        let ran = run(&mut self.command(order));
        self.took = begun.elapsed();
        self.log.push(format!("{} -> {}", self.words(order), ran.code));
        let through = if order.visit.batch {
            self.ended(order).as_deref() == Some("finished")
        } else {
            matches!(ran.code, 0 | 1)
        };
        let ended = Ended { code: ran.code, through, said: format!("{}{}", ran.out, ran.err) };
        let after = self.files();
        self.oracle.judge(&order.visit, &foreseen, &ended, &after)?;
        if order.visit.batch && !order.neighbours.is_empty() {
            let beside = self.world.prepared().join("beside/manifest.json");
            hold!(beside.exists(), "the other delivery of the batch was not prepared: {}", ended.said);
        }
        if self.oracle.unsettled || self.oracle.damaged || !self.oracle.is_prepared() {
            return Ok(());
        }
        self.verifies()?;
        if through && draw.once_in(3) { self.replays(order) } else { Ok(()) }
    }

    /// How the batch's summary says that the delivery ended.
    fn ended(&self, order: &Order) -> Option<String> {
        let text = fs::read_to_string(self.world.prepared().join("summary.json")).ok()?;
        let summary: Value = serde_json::from_str(&text).ok()?;
        let ours = |delivery: &&Value| delivery["delivery"] == order.delivery.display().to_string();
        summary["deliveries"].as_array()?.iter().find(ours)?["ended"].as_str().map(str::to_owned)
    }

    fn words(&self, order: &Order) -> String {
        let visit = &order.visit;
        let way = if visit.batch { "in a batch" } else { "by hand" };
        let whose = if order.delivery == self.world.delivery() { "" } else { ", another delivery" };
        let recipe = if self.oracle.recipe.as_ref() == Some(&visit.recipe) {
            String::new()
        } else {
            format!(", recipe {}", visit.recipe)
        };
        format!("visit {way}{whose}{recipe} {}", order.more.join(" "))
    }

    fn interrupted(&mut self, end: End, order: &Order) -> Result<(), Fault> {
        let relink = order.visit.ask == Ask::Relink;
        let words = self.words(order);
        match end {
            End::DiskFails(call) if !order.visit.batch && !matches!(order.visit.ask, Ask::Renew(_)) => {
                let recipe = order.visit.recipe.text();
                let ended = faults::prepare_until(call, &recipe, &order.delivery, &self.world.out(), relink);
                self.log.push(format!("{words}, whose disk fails from call {call} on -> {ended:?}"));
            }
            End::DiskFails(call) => self.kill(call as f64 / 160.0, order, &words),
            End::Killed(moment) => self.kill(moment, order, &words),
            End::Whole => {}
        }
        let after = self.files();
        self.oracle.judge_interrupted(&order.visit, &after)
    }

    fn kill(&mut self, moment: f64, order: &Order, words: &str) {
        let mut command = self.command(order);
        let mut child: Child =
            command.stdout(Stdio::null()).stderr(Stdio::null()).spawn().expect("the program starts");
        std::thread::sleep(self.took.mul_f64(moment));
        let ended = child.try_wait().expect("a child");
        child.kill().expect("a kill");
        child.wait().expect("an end");
        self.log.push(format!("{words}, killed at {moment:.3} of {:?} (ended: {ended:?})", self.took));
    }

    /// The dry run writes nothing.
    fn plans(&self, order: &Order) -> Result<(), Fault> {
        let recipe = self.world.beside("recipe.toml");
        fs::write(&recipe, order.visit.recipe.text()).expect("a recipe");
        let mut command = command();
        command
            .arg("plan")
            .arg(&order.delivery)
            .arg("--out")
            .arg(self.world.out())
            .arg("--recipe")
            .arg(recipe);
        let ran = run(&mut command);
        hold!(!ran.err.contains("panicked"), "plan: {}", ran.err);
        hold!(self.files() == order.visit.before, "plan wrote into the folder");
        Ok(())
    }

    /// `verify` finds a difference exactly where somebody has been at the folder.
    fn verifies(&self) -> Result<(), Fault> {
        let ran = loadin(&["verify", &self.world.out().display().to_string(), "--progress", "none"]);
        let wanted = if self.oracle.is_tampered() { 4 } else { 0 };
        hold!(ran.code == wanted, "verify ends with {}, not {wanted}: {}{}", ran.code, ran.out, ran.err);
        Ok(())
    }

    fn replays(&self, order: &Order) -> Result<(), Fault> {
        let (out, delivery) = (self.world.out(), order.delivery.display().to_string());
        let ran = loadin(&[
            "verify",
            &out.display().to_string(),
            "--delivery",
            &delivery,
            "--replay",
            "--progress",
            "none",
        ]);
        let wanted = self.oracle.replay_codes(&order.visit.delivered);
        hold!(
            wanted.contains(&ran.code),
            "replay ends with {}, not {wanted:?}: {}{}",
            ran.code,
            ran.out,
            ran.err
        );
        Ok(())
    }
}
