//! What stands below the help of the command and of its verbs: exit codes, the caution, examples. Texts only.

// Its paragraphs are lines of their own, so that they wrap as the terminal has room.
pub(crate) const AFTER_HELP: &str = "\
Exit codes: 0 all prepared; 1 finished, but some stems failed or were set aside, or deliveries were left for later; 2 bad arguments or \
recipe, or what is prepared there would change; 3 the output cannot be written; 4 verification found a difference; 75 (of `unit`) try \
again later; 130 interrupted; 141 whoever read the output has gone.

Caution: prepared stems can be far louder than delivered. Turn the monitors down before the first playback. Keep the client's originals \
and a second copy of them. Local hearing-safety rules come first.

More: `loadin help` lists pages of reference, from inputs to limits.";

pub(crate) const EXAMPLES_AUDIT: &str = "\
Examples:
  loadin audit 'From the client'
  loadin audit 'From the client' --out looked-at";

pub(crate) const EXAMPLES_PLAN: &str = "\
Examples:
  loadin plan 'From the client'
  loadin plan 'From the client' --recipe mine.toml --out prepared";

pub(crate) const EXAMPLES_PREP: &str = "\
Examples:
  loadin prep 'From the client' --out prepared
  loadin prep 'From the client' --out prepared --answers song.toml
  loadin prep 'From the client' --out prepared --renew 'Lead Vox.wav'
  loadin prep inbox/*/ --out prepared --batch --until 06:30";

pub(crate) const EXAMPLES_FACTS: &str = "\
Examples:
  loadin facts 'From the client'
  loadin facts 'From the client' --stated";

pub(crate) const EXAMPLES_VERIFY: &str = "\
Examples:
  loadin verify prepared
  loadin verify prepared --delivery 'From the client' --replay";

pub(crate) const EXAMPLES_RESTORE: &str = "\
Example:
  loadin restore prepared --to as-delivered";

pub(crate) const EXAMPLES_REPORT: &str = "\
Examples:
  loadin report prepared
  loadin report prepared --answers song.toml";

pub(crate) const EXAMPLES_ANSWERS: &str = "\
Examples:
  loadin answers 'From the client' > song.toml
  loadin answers prepared --reply reply.txt";

pub(crate) const EXAMPLES_RECIPE: &str = "\
Examples:
  loadin recipe list
  loadin recipe show mix-prep > mine.toml
  loadin recipe check mine.toml";
