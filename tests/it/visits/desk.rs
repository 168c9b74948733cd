//! The desk of whoever keeps watch: the disk, the program, and the oracle that judges every visit.

use std::fs;
use std::path::PathBuf;
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

use serde_json::Value;

use super::folder::Ended;
use super::given::Sound;
use super::history::End;
use super::oracle::{Ask, Fault, Oracle, Visit, hold};
use super::world::World;
use crate::job::{Files, command, loadin, run, tree};
use crate::overnight::faults;

/// A delivery and its output folder under watch.
pub(super) struct Desk {
    pub(super) world: World,
    pub(super) oracle: Oracle,
    /// What has happened, a line each.
    pub(super) log: Vec<String>,
    /// How long the last whole visit took.
    took: Duration,
}

/// What a visit is given on the command line.
pub(super) struct Order {
    pub(super) delivery: PathBuf,
    pub(super) visit: Visit,
    /// Deliveries beside it in a batch.
    pub(super) neighbours: Vec<PathBuf>,
    pub(super) more: Vec<String>,
    /// Whether what the engineer says is given, and not only what was said before.
    pub(super) says: bool,
}

impl Desk {
    pub(super) fn new(world: World) -> Self {
        Self { world, oracle: Oracle::default(), log: Vec::new(), took: Duration::from_millis(60) }
    }

    /// A delivery that has nothing to do with the first.
    pub(super) fn neighbour(&self) -> PathBuf {
        let folder = self.world.beside("neighbours").join("beside");
        if !folder.exists() {
            fs::create_dir_all(&folder).expect("a folder");
            fs::write(folder.join("Pad.wav"), &*Sound::plain(1).given().bytes).expect("a file");
        }
        folder
    }

    /// Everything that the output folder holds.
    pub(super) fn files(&self) -> Files {
        let out = self.world.out();
        if out.exists() { tree(&out) } else { Files::new() }
    }

    /// The program with the arguments of a visit.
    pub(super) fn command(&self, order: &Order) -> Command {
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
        command.args(self.answers(order));
        command
    }

    /// The option that gives what the engineer says, where it is given.
    fn answers(&self, order: &Order) -> Vec<PathBuf> {
        let Some(text) = order.visit.said.text().filter(|_| order.says) else { return Vec::new() };
        let path = self.world.beside("song.toml");
        fs::write(&path, text).expect("answers");
        vec!["--answers".into(), path]
    }

    /// Makes the visit, and has it judged; with `replay`, everything is made again too. Returns what was printed.
    pub(super) fn whole(&mut self, order: &Order, replay: bool) -> Result<Ended, Fault> {
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
            return Ok(ended);
        }
        self.verifies()?;
        if through && replay {
            self.replays(order)?;
        }
        Ok(ended)
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
        let said = if order.says { format!(", said {}", visit.said) } else { String::new() };
        format!("visit {way}{whose}{recipe}{said} {}", order.more.join(" "))
    }

    /// Begins the visit, and ends it before its time.
    pub(super) fn interrupted(&mut self, end: End, order: &Order) -> Result<(), Fault> {
        let relink = order.visit.ask == Ask::Relink;
        let words = self.words(order);
        match end {
            End::DiskFails(call)
                if !order.visit.batch && !order.says && !matches!(order.visit.ask, Ask::Renew(_)) =>
            {
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
    pub(super) fn plans(&self, order: &Order) -> Result<(), Fault> {
        let recipe = self.world.beside("recipe.toml");
        fs::write(&recipe, order.visit.recipe.text()).expect("a recipe");
        let mut command = command();
        command
            .arg("plan")
            .arg(&order.delivery)
            .arg("--out")
            .arg(self.world.out())
            .arg("--recipe")
            .arg(recipe)
            .args(self.answers(order));
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
