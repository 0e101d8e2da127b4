//! Numbers offered one by one, of which an even sample is kept: quantiles in bounded memory; and what the first and
//! the last of them were.

/// Most numbers kept; beyond, every second one is dropped.
const MAX_VOTES: usize = 4096;
/// So many at either end are asked, so that a single wild one does not speak for it.
const ENDS: usize = 3;

/// An even sample of the numbers offered.
#[derive(Debug, Clone, Default)]
pub(super) struct Thinned {
    kept: Vec<i64>,
    offered: usize,
    shift: u32,
    first: [i64; ENDS],
    /// The latest, oldest first.
    latest: [i64; ENDS],
}

impl Thinned {
    pub fn push(&mut self, value: i64) {
        if let Some(place) = self.first.get_mut(self.offered) {
            *place = value;
        }
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
        self.latest.rotate_left(1);
        if let Some(last) = self.latest.last_mut() {
            *last = value;
        }
    }

    /// Medians of the first few numbers and of the last few; `None` without numbers.
    pub fn ends(&self) -> Option<(i64, i64)> {
        let first = self.first.get(..self.offered.min(ENDS))?;
        let last = self.latest.get(ENDS - first.len()..)?;
        let median = |few: &[i64]| {
            let mut sorted = few.to_vec();
            sorted.sort_unstable();
            sorted.get(sorted.len().checked_sub(1)? / 2).copied()
        };
        Some((median(first)?, median(last)?))
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
        assert_eq!(votes.ends(), Some((1, 999_998)));
    }

    #[test]
    fn the_ends_are_medians_of_a_few() {
        let of = |numbers: &[i64]| {
            let mut votes = Thinned::default();
            numbers.iter().for_each(|number| votes.push(*number));
            votes.ends()
        };
        assert_eq!(of(&[]), None);
        assert_eq!(of(&[5]), Some((5, 5)));
        assert_eq!(of(&[5, 6]), Some((5, 5)));
        assert_eq!(of(&[90, 5, 6, 70, 71, -4, 72]), Some((6, 71)));
    }
}
