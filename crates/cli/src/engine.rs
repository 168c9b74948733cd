//! What a workflow engine grants a task, by the variables that it sets. Flags win. Knows no verb.

/// Processors of this task.
pub(crate) fn granted_threads() -> Option<usize> {
    number("SLURM_CPUS_PER_TASK").and_then(|threads| usize::try_from(threads).ok())
}

/// Bytes of memory of this task on this machine.
pub(crate) fn granted_memory() -> Option<u64> {
    number("SLURM_MEM_PER_NODE").and_then(|megabytes| megabytes.checked_mul(1 << 20))
}

/// A variable that is a whole number; 0 means that nothing is said.
#[expect(clippy::disallowed_methods, reason = "how many threads and how much memory change no output")]
fn number(name: &str) -> Option<u64> {
    std::env::var(name).ok()?.trim().parse().ok().filter(|&number| number > 0)
}
