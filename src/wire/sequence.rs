//! Frames lost on the link, by the 8-bit counter that each (system, component) puts into its frames.

use std::collections::HashMap;

/// A step beyond this is a late frame or a restart of the sender, not a loss.
const LONGEST_STEP: u8 = 128;

/// The last counter value of every sender.
#[derive(Debug)]
pub(super) struct Sequences {
    /// System ids up to 255, by system × 256 + component; zero unseen, else the expected next value plus one.
    narrow: Vec<u16>,
    wide: HashMap<(u32, u8), u16>,
}

impl Sequences {
    pub(super) fn new() -> Self {
        Self { narrow: vec![0; 1 << 16], wide: HashMap::new() }
    }

    /// Notes a frame; returns how many of the same sender are missing before it.
    #[inline(always)]
    pub(super) fn lost(&mut self, system_id: u32, component_id: u8, sequence: u8) -> u8 {
        let index = (system_id as usize) << 8 | usize::from(component_id);
        let expected = match self.narrow.get_mut(index) {
            Some(expected) => expected,
            None => self.wide(system_id, component_id),
        };
        let seen = *expected;
        *expected = u16::from(sequence.wrapping_add(1)) + 1;
        if seen == u16::from(sequence) + 1 { 0 } else { missing(seen, sequence) }
    }

    /// Whether a frame of this sender was noted.
    pub(super) fn heard(&self, system_id: u32, component_id: u8) -> bool {
        let index = (system_id as usize) << 8 | usize::from(component_id);
        match self.narrow.get(index) {
            Some(expected) => *expected > 0,
            None => self.wide.contains_key(&(system_id, component_id)),
        }
    }

    #[cold]
    #[inline(never)]
    fn wide(&mut self, system_id: u32, component_id: u8) -> &mut u16 {
        self.wide.entry((system_id, component_id)).or_default()
    }
}

#[cold]
#[inline(never)]
fn missing(seen: u16, sequence: u8) -> u8 {
    let Some(expected) = seen.checked_sub(1) else {
        return 0;
    };
    let missing = sequence.wrapping_sub(expected as u8);
    // A duplicate is 255 ahead of what was expected.
    if missing < LONGEST_STEP { missing } else { 0 }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn total(values: &[(u32, u8, u8)]) -> u64 {
        let mut sequences = Sequences::new();
        values
            .iter()
            .map(|&(system, component, value)| u64::from(sequences.lost(system, component, value)))
            .sum()
    }

    #[test]
    fn counts_what_is_missing_between_two_frames() {
        assert_eq!(total(&[(1, 1, 7), (1, 1, 8), (1, 1, 11)]), 2);
    }

    #[test]
    fn wraps_without_loss() {
        assert_eq!(total(&[(1, 1, 254), (1, 1, 255), (1, 1, 0), (1, 1, 1)]), 0);
    }

    #[test]
    fn keeps_senders_apart_even_with_wide_ids() {
        assert_eq!(total(&[(1, 1, 0), (2, 1, 90), (1, 2, 40), (1, 1, 1), (70_000, 1, 5), (70_000, 1, 6)]), 0);
        assert_eq!(total(&[(70_000, 1, 5), (70_000, 1, 7)]), 1);
    }

    #[test]
    fn knows_who_was_heard() {
        let mut sequences = Sequences::new();
        sequences.lost(1, 1, 0);
        sequences.lost(70_000, 1, 255);
        let of = |system, component| sequences.heard(system, component);
        assert!(of(1, 1) && of(70_000, 1) && !of(1, 2) && !of(70_000, 2) && !of(2, 1));
    }

    #[test]
    fn takes_duplicates_and_late_frames_for_no_loss() {
        assert_eq!(total(&[(1, 1, 10), (1, 1, 10)]), 0);
        assert_eq!(total(&[(1, 1, 10), (1, 1, 8)]), 0);
    }
}
