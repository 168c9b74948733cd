//! A share of work that is spread over tasks. Knows neither what the work is nor who shares it out.

use anyhow::anyhow;

/// Share `index` of `count`, from 1 on.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Shard {
    /// Which one, 1 to `count`.
    pub index: usize,
    /// How many there are.
    pub count: usize,
}

/// Reads "3/8".
pub(crate) fn parse(text: &str) -> anyhow::Result<Shard> {
    let wrong = || anyhow!("\"{text}\" is no share; write I/N with I from 1 to N, such as 3/8");
    let (index, count) = text.split_once('/').ok_or_else(wrong)?;
    let shard = Shard {
        index: index.trim().parse().map_err(|_| wrong())?,
        count: count.trim().parse().map_err(|_| wrong())?,
    };
    if (1..=shard.count).contains(&shard.index) { Ok(shard) } else { Err(wrong()) }
}

impl Shard {
    /// Whether the work with this number, counted from 0, is part of the share.
    pub(crate) fn has(self, number: usize) -> bool {
        number % self.count == self.index - 1
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_share_is_read_and_nonsense_is_refused() {
        assert_eq!(parse("3/8").unwrap(), Shard { index: 3, count: 8 });
        for wrong in ["", "3", "0/8", "9/8", "1/0", "a/b", "-1/2"] {
            assert!(parse(wrong).unwrap_err().to_string().contains("3/8"), "{wrong}");
        }
    }

    #[test]
    fn shares_leave_nothing_out_and_do_nothing_twice() {
        for count in 1..9 {
            for number in 0..50 {
                let shares = (1..=count).filter(|&index| Shard { index, count }.has(number)).count();
                assert_eq!(shares, 1);
            }
        }
    }
}
