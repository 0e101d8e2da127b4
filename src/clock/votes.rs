//! Numbers offered one by one, of which an even sample is kept: quantiles in bounded memory.

/// Most numbers kept; beyond, every second one is dropped.
const MAX_VOTES: usize = 4096;

/// An even sample of the numbers offered.
#[derive(Debug, Clone, Default)]
pub(super) struct Thinned {
    kept: Vec<i64>,
    offered: usize,
    shift: u32,
}

impl Thinned {
    pub fn push(&mut self, value: i64) {
        if self.offered & ((1 << self.shift) - 1) == 0 {
            self.kept.push(value);
            if self.kept.len() >= MAX_VOTES {
                let mut index = 0usize;
                self.kept.retain(|_| {
                    index += 1;
                    index % 2 == 1
                });
                self.shift += 1;
            }
        }
        self.offered += 1;
    }

    /// The quantile `numerator / denominator`, not interpolated; `None` without numbers.
    pub fn quantile(&self, numerator: usize, denominator: usize) -> Option<i64> {
        let mut sorted = self.kept.clone();
        sorted.sort_unstable();
        sorted.get((sorted.len().checked_sub(1)?) * numerator / denominator).copied()
    }

    /// How far apart the numbers lie without the twentieth at each end.
    pub fn spread(&self) -> i64 {
        self.quantile(19, 20).zip(self.quantile(1, 20)).map_or(0, |(high, low)| high - low)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn memory_is_bounded_and_quantiles_stay() {
        let mut votes = Thinned::default();
        (0..1_000_000).for_each(|value| votes.push(value));
        assert!(votes.kept.len() < MAX_VOTES);
        // Quantiles of 0..10⁶, within one kept step of 512.
        assert!(votes.quantile(1, 2).is_some_and(|median| (median - 500_000).abs() <= 512));
        assert!((votes.spread() - 900_000).abs() <= 1024);
    }
}
