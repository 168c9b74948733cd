//! What can be typed. The only file that knows the argument parser. It carries nothing out.
#![expect(missing_docs, reason = "the doc comments here are the help texts that people read")]
use std::path::PathBuf;

use clap::{Args, Parser, Subcommand, ValueEnum};
use clap_complete::Shell;

use crate::clock::TimeOfDay;
use crate::footers;
use crate::shard::Shard;

/// The load-in before the mix: takes the stems that a client sent, and makes a session-ready set of them.
///
/// Every file gets one sampling rate, one depth, one start, one length and a clear name; levels move together by
/// one common gain, so that the client's balance survives. The delivery itself is never written to. Every change
/// is listed in manifest.json and can be checked.
#[derive(Debug, Parser)]
#[command(name = "loadin", version, after_help = footers::AFTER_HELP, max_term_width = 100, disable_help_subcommand = true)]
pub struct Cli {
    #[command(subcommand)]
    pub verb: Verb,
    /// How progress is shown on stderr.
    #[arg(long, global = true, value_enum, default_value_t = Progress::Auto)]
    pub progress: Progress,
    /// Fit tables and sentences into so many columns; without it, into those of the terminal, and elsewhere into none.
    #[arg(long, global = true, value_name = "N")]
    pub columns: Option<u16>,
}

#[derive(Debug, Subcommand)]
pub enum Verb {
    /// Look at deliveries: what came, and what is wrong with it. Writes nothing but the pages of --out.
    #[command(after_long_help = footers::EXAMPLES_AUDIT)]
    Audit(Audit),
    /// Print what a delivery states of the music (tempo, meter, key, title, markers), and what can be heard of it, each with
    /// its source. Writes nothing.
    #[command(after_long_help = footers::EXAMPLES_FACTS)]
    Facts(Facts),
    /// Show what `prep` would do with a delivery, stem by stem. Writes nothing.
    #[command(after_long_help = footers::EXAMPLES_PLAN)]
    Plan(Plan),
    /// Prepare deliveries: write the prepared stems and the record of every change into another folder.
    #[command(after_long_help = footers::EXAMPLES_PREP)]
    Prep(Prep),
    /// Check a prepared delivery: every file and every promise of its manifest.
    #[command(after_long_help = footers::EXAMPLES_VERIFY)]
    Verify(Verify),
    /// Undo a preparation where the originals are lost: files with the level, start, length, rate and depth that were
    /// delivered, and a record of how exact each step is.
    #[command(after_long_help = footers::EXAMPLES_RESTORE)]
    Restore(Restore),
    /// Write the papers of a prepared delivery again: report, note to the client, track sheet, session files.
    #[command(after_long_help = footers::EXAMPLES_REPORT)]
    Report(Report),
    /// Print a file of answers to begin with: every open question, stem without a role and estimate as a comment, the most
    /// urgent first. What was said before stays. Writes nothing.
    #[command(after_long_help = footers::EXAMPLES_ANSWERS)]
    Answers(Answers),
    /// List, show and check recipes.
    #[command(after_long_help = footers::EXAMPLES_RECIPE)]
    Recipe(Recipe),
    /// Do one step of `prep`, for a workflow engine that spreads deliveries over many machines with a shared file system.
    ///
    /// scan, survey, plan, render, seal: in this order they make the same bytes as `prep`. Each leaves alone what is there
    /// and valid, and ends with 75 where the same command may succeed later: an input is not there yet, the share
    /// does not answer or is full. Survey and render may run on any number of machines at once.
    Unit(Unit),
    /// Print the completions for a shell.
    Completions {
        /// Which shell.
        #[arg(value_enum)]
        shell: Shell,
    },
    /// Print a page of the reference, or the help of a verb; without a topic, which there are.
    Help {
        /// The topic or verb.
        topic: Option<String>,
    },
    /// Print the manual page, of the command or of one of its verbs.
    Man {
        /// The verb.
        verb: Option<String>,
    },
}

/// Which recipe, how many threads, and how long to wait for one stem.
#[derive(Debug, Args)]
pub struct Work {
    /// A recipe file, or the name of a shipped recipe (`loadin recipe list`).
    #[arg(long, value_name = "FILE|NAME", default_value = loadin_plan::recipe::DEFAULT)]
    pub recipe: String,
    /// What you say of this delivery: who is who, the song, answers to questions (`loadin answers DELIVERY` begins such a file).
    /// It is copied into DIR and holds there until another one is given. For one delivery.
    #[arg(long, value_name = "FILE")]
    pub answers: Option<PathBuf>,
    #[command(flatten)]
    pub threads: Threads,
    /// Seconds that a stem may stand still, as when a decoder hangs or a share is gone, and that it may take beyond its
    /// own duration; then it fails and the others go on.
    #[arg(long, value_name = "SECONDS", default_value_t = 60, value_parser = clap::value_parser!(u64).range(1..))]
    pub patience: u64,
}

/// How many threads.
#[derive(Debug, Args)]
pub struct Threads {
    /// How many stems are worked on at once; the work on a stem that is alone is shared out. Every number gives the
    /// same files. Default: one a processor, or what an engine grants (`SLURM_CPUS_PER_TASK`).
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u16).range(1..=1024))]
    pub jobs: Option<u16>,
}

#[derive(Debug, Args)]
pub struct Audit {
    /// Folders or ZIP archives with stems, as the client sent them.
    #[arg(required = true, value_name = "DELIVERY")]
    pub deliveries: Vec<PathBuf>,
    #[command(flatten)]
    pub work: Work,
    /// A folder for the page and the note to the client; of several deliveries each gets its own folder in it.
    #[arg(long, value_name = "DIR")]
    pub out: Option<PathBuf>,
    /// A table for people, or JSON for scripts.
    #[arg(long, value_enum, default_value_t = Format::Table)]
    pub format: Format,
}

#[derive(Debug, Args)]
pub struct Facts {
    /// The folder or ZIP archive with stems, as the client sent it.
    #[arg(value_name = "DELIVERY")]
    pub delivery: PathBuf,
    #[command(flatten)]
    pub work: Work,
    /// Only what names, notes and MIDI files state: no audio is read.
    #[arg(long)]
    pub stated: bool,
    /// A table for people, or JSON for scripts.
    #[arg(long, value_enum, default_value_t = Format::Table)]
    pub format: Format,
}

#[derive(Debug, Args)]
pub struct Plan {
    /// The folder or ZIP archive with stems, as the client sent it.
    #[arg(value_name = "DELIVERY")]
    pub delivery: PathBuf,
    #[command(flatten)]
    pub work: Work,
    /// The folder that `prep` will write to: an earlier preparation in it binds files that came later.
    #[arg(long, value_name = "DIR")]
    pub out: Option<PathBuf>,
    /// A table for people, or JSON for scripts.
    #[arg(long, value_enum, default_value_t = Format::Table)]
    pub format: Format,
}

#[derive(Debug, Args)]
#[expect(clippy::struct_excessive_bools, reason = "each is a flag of the command line")]
pub struct Prep {
    /// Folders or ZIP archives with stems, as the client sent them. Several make a batch: each gets its own folder in OUT.
    #[arg(required = true, value_name = "DELIVERY")]
    pub deliveries: Vec<PathBuf>,
    /// The folder to write to: a new one, an empty one, or that of an earlier run.
    #[arg(long, value_name = "DIR")]
    pub out: PathBuf,
    #[command(flatten)]
    pub work: Work,
    /// Memory for sound out of compressed files, which costs much to decode twice, such as "2G" or "500M"; every size gives
    /// the same files.
    /// Default: a quarter of the machine's, or of what an engine grants (`SLURM_MEM_PER_NODE`).
    #[arg(long, value_name = "SIZE", value_parser = crate::memory::parse)]
    pub memory: Option<u64>,
    /// Prepare all anew: new gain, names, start and length. Without it, what was prepared in DIR before stays as it is, and
    /// files that came later get the gain, start and length of the others, so that a session where those are at work
    /// stays true.
    #[arg(long)]
    pub relink: bool,
    /// Make this stem anew by the recipe that is given, by its path in the delivery or its label; all others stay. May be
    /// given several times; for one delivery.
    #[arg(long, value_name = "STEM", conflicts_with_all = ["relink", "batch"])]
    pub renew: Vec<String>,
    /// Pack OUT as a bag (RFC 8493, "The `BagIt` File Packaging Format"): outputs in OUT/data, beside lists that prove them without this program.
    #[arg(long)]
    pub bag: bool,
    /// Give every delivery its own folder in OUT even when there is only one, as for a nightly `inbox/*/`.
    #[arg(long)]
    pub batch: bool,
    /// Prepare the songs of a delivery that holds several apart: by its folders, or by what its names begin with. Each gets its
    /// own folder in OUT; what belongs to none, such as a note, counts for each.
    #[arg(long, conflicts_with_all = ["renew", "answers"])]
    pub split: bool,
    /// In which order several deliveries are prepared.
    #[arg(long, value_enum, default_value_t = Order::Given)]
    pub order: Order,
    /// Begin no further delivery after this time of the local clock, such as "06:30"; what is left is for the same
    /// command another time.
    #[arg(long, value_name = "HH:MM", value_parser = crate::clock::parse)]
    pub until: Option<TimeOfDay>,
    /// A command for the shell when all is done, for mail, chat or shutdown: the summary is its standard input, and
    /// `LOADIN_SUMMARY` names its file. Not run after Ctrl-C.
    #[arg(long, value_name = "COMMAND")]
    pub on_finish: Option<String>,
    /// A table for people, or the summary as JSON for scripts.
    #[arg(long, value_enum, default_value_t = Format::Table)]
    pub format: Format,
}

/// The order of a batch.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum Order {
    /// As they stand on the command line.
    Given,
    /// By the name of the folder.
    Name,
    /// The smallest first, so that most are done when the time is up.
    Size,
}

#[derive(Debug, Args)]
pub struct Verify {
    /// Folders of prepared deliveries: those with manifest.json.
    #[arg(required = true, value_name = "OUT")]
    pub outs: Vec<PathBuf>,
    /// Also check that the client's files are still those that were prepared; for one OUT.
    #[arg(long, value_name = "DIR")]
    pub delivery: Option<PathBuf>,
    /// Also make every output again from the client's files, in memory, and compare the bytes.
    #[arg(long, requires = "delivery")]
    pub replay: bool,
    #[command(flatten)]
    pub threads: Threads,
}

#[derive(Debug, Args)]
pub struct Restore {
    /// The folder of a prepared delivery: the one with manifest.json.
    #[arg(value_name = "OUT")]
    pub out: PathBuf,
    /// The folder to write to: a new or an empty one.
    #[arg(long, value_name = "DIR")]
    pub to: PathBuf,
    #[command(flatten)]
    pub threads: Threads,
}

#[derive(Debug, Args)]
pub struct Report {
    /// Folders of prepared deliveries, or of batches of them.
    #[arg(required = true, value_name = "OUT")]
    pub outs: Vec<PathBuf>,
    /// What you say of the delivery now: facts, questions and papers follow, and no output; for one OUT.
    #[arg(long, value_name = "FILE")]
    pub answers: Option<PathBuf>,
}

#[derive(Debug, Args)]
pub struct Answers {
    /// A delivery, or the folder of a prepared one.
    #[arg(value_name = "DELIVERY|OUT", required_unless_present = "schema")]
    pub of: Option<PathBuf>,
    #[command(flatten)]
    pub work: Work,
    /// The client's reply to client-note.md, with its numbers: prints the answers that it proposes, as comments.
    #[arg(long, value_name = "FILE")]
    pub reply: Option<PathBuf>,
    /// Print the JSON Schema of answers, for editors.
    #[arg(long)]
    pub schema: bool,
}

#[derive(Debug, Args)]
pub struct Recipe {
    #[command(subcommand)]
    pub action: RecipeAction,
}

#[derive(Debug, Subcommand)]
pub enum RecipeAction {
    /// List the shipped recipes and whom they serve.
    List,
    /// Print a shipped recipe, to start one of your own from.
    Show {
        /// Its name.
        name: String,
    },
    /// Check recipe files; every mistake is named with its line.
    Check {
        /// The files.
        #[arg(required = true)]
        files: Vec<PathBuf>,
    },
    /// Print the JSON Schema of recipes, for editors.
    Schema,
}

#[derive(Debug, Args)]
pub struct Unit {
    #[command(subcommand)]
    pub step: Step,
}

#[derive(Debug, Subcommand)]
pub enum Step {
    /// List deliveries: reads their headers, writes OUT/.loadin/inventory.json. Prints a line each: how it stands (open,
    /// sealed, failed), its stems, and what the engine has to allow for: the MB of the stem that needs most, the seconds of the longest
    /// one, the seconds of all together, and the path.
    Scan(UnitWork),
    /// Survey stems: reads the inventory and the stems, writes a record each to OUT/.loadin/journal.
    Survey(UnitWork),
    /// Plan deliveries: reads the inventory and all surveys, writes OUT/.loadin/plan.json.
    Plan(UnitWork),
    /// Render stems: reads the plan and the stems, writes OUT/audio and a record each to OUT/.loadin/journal.
    Render(UnitWork),
    /// Seal deliveries: reads all of these, proves every output, writes the manifest, the checksums and the papers.
    Seal(UnitWork),
}

#[derive(Debug, Args)]
pub struct UnitWork {
    /// Folders with stems, as the client sent them. Several need --batch.
    #[arg(required = true, value_name = "DELIVERY")]
    pub deliveries: Vec<PathBuf>,
    /// The folder to write to, the same for every step.
    #[arg(long, value_name = "DIR")]
    pub out: PathBuf,
    /// Give every delivery its own folder in OUT.
    #[arg(long)]
    pub batch: bool,
    /// Do one share of n: of the stems in survey and render, of the deliveries in the others.
    #[arg(long, value_name = "I/N", value_parser = crate::shard::parse)]
    pub shard: Option<Shard>,
    /// Do this stem only, by its path in the delivery: survey and render.
    #[arg(long, value_name = "PATH", conflicts_with = "shard")]
    pub stem: Option<String>,
    #[command(flatten)]
    pub work: Work,
}

/// How results are printed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum Format {
    /// For people.
    Table,
    /// For scripts.
    Json,
}

/// How progress is shown.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum Progress {
    /// Bars on a terminal, lines elsewhere.
    Auto,
    /// Bars.
    Bar,
    /// One line a finished stem.
    Lines,
    /// One JSON object a line.
    Json,
    /// Nothing.
    None,
}
