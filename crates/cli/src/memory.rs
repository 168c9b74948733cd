//! How much memory a run may use for what it keeps. Knows nothing of what is kept.

use std::fs;

use anyhow::anyhow;

/// What is assumed of a machine that does not say what it has.
const UNKNOWN_MACHINE: u64 = 4 << 30;

/// Reads a size such as "2G", "500M" or plain bytes; the units are powers of 1024.
pub(crate) fn parse(text: &str) -> anyhow::Result<u64> {
    let wrong = || anyhow!("\"{text}\" is no size; write a whole number and K, M or G, such as \"500M\"");
    let digits = text.trim_end_matches(|c: char| c.is_ascii_alphabetic());
    let shift = match text[digits.len()..].to_ascii_uppercase().as_str() {
        "" | "B" => 0,
        "K" | "KB" | "KIB" => 10,
        "M" | "MB" | "MIB" => 20,
        "G" | "GB" | "GIB" => 30,
        _ => return Err(wrong()),
    };
    let number: u64 = digits.trim().parse().map_err(|_| wrong())?;
    number.checked_mul(1 << shift).ok_or_else(wrong)
}

/// A quarter of the memory of this machine, or of the part that this process may use, or that an engine has granted it.
pub(crate) fn default() -> u64 {
    let limit =
        fs::read_to_string("/sys/fs/cgroup/memory.max").ok().and_then(|text| text.trim().parse().ok());
    let machine = fs::read_to_string("/proc/meminfo").ok().and_then(|text| total(&text));
    let granted = crate::engine::granted_memory().unwrap_or(u64::MAX);
    machine.unwrap_or(UNKNOWN_MACHINE).min(limit.unwrap_or(u64::MAX)).min(granted) / 4
}

/// The total of Linux's `/proc/meminfo`, in bytes.
fn total(text: &str) -> Option<u64> {
    let line = text.lines().find_map(|line| line.strip_prefix("MemTotal:"))?;
    line.split_whitespace().next()?.parse::<u64>().ok()?.checked_mul(1024)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn sizes_are_read_and_nonsense_is_refused() {
        assert_eq!(parse("128M").unwrap(), 128 << 20);
        assert_eq!(parse("2g").unwrap(), 2 << 30);
        assert_eq!(parse("4096").unwrap(), 4096);
        for wrong in ["", "M", "1.5G", "-1M", "12X", "99999999999G"] {
            assert!(parse(wrong).unwrap_err().to_string().contains("500M"), "{wrong}");
        }
    }

    #[test]
    fn the_total_is_found() {
        assert_eq!(total("MemTotal:       24000000 kB\nMemFree: 1 kB\n"), Some(24_000_000 * 1024));
        assert_eq!(total("nothing"), None);
    }
}
