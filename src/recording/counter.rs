//! What a sender's frame counter says at both ends of a log, by which files that were one stream are known.

use serde::{Deserialize, Serialize};

/// Frames that may be missing where the counter still goes on: one that was cut, and one that the recorder dropped.
const MISSING: u8 = 3;
/// Where frames come again, over a second link, or out of order, their counter falls by less than this.
const FALL: u8 = 8;
/// One frame in so many does, or a fall is chance.
const FALLS_OFTEN: u64 = 64;
/// Moves by which a counter that only steps ahead is known.
const MANY: u64 = 8;
/// A step beyond this is a late frame or a restart of the sender, not a loss.
const LONGEST_STEP: u8 = 128;

/// Who sent how much, and where its counter and clock stood at both ends of the log.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct SenderCount {
    /// MAVLink system id.
    pub system_id: u32,
    /// MAVLink component id.
    pub component_id: u8,
    /// Frames with a good checksum.
    pub frames: u64,
    /// Frame counter of the first frame.
    pub first_sequence: u8,
    /// Frame counter at the end: of the last frame but those that came again or late.
    pub last_sequence: u8,
    /// Frames whose counter did not go on from the one before, but for those that fell a little.
    #[serde(default)]
    pub steps: u64,
    /// Those of them whose counter fell, or moved by half a turn and more.
    #[serde(default)]
    pub backward: u64,
    /// Frames that it sent behind the first one, by its counter.
    #[serde(default)]
    pub sent: u64,
    /// Frames that came again or late: their counter fell a little behind the one before.
    #[serde(default)]
    pub falls: u64,
    /// Another sender was booted anew before the first frame: the counter may have begun anew with it.
    #[serde(default)]
    pub after_reboot: bool,
    /// Another one was since the last frame.
    #[serde(default)]
    pub before_reboot: bool,
    /// First stamp of its own clock, milliseconds since boot.
    pub first_boot_ms: Option<i64>,
    /// Last stamp of its own clock, in the order of the log: the latest of the last boot session, but where the log ends
    /// in a block that was read before.
    pub last_boot_ms: Option<i64>,
}

impl SenderCount {
    /// Notes a counter: the last one is the furthest, where frames come again or late.
    #[inline]
    pub(super) fn count(&mut self, sequence: u8) {
        let step = sequence.wrapping_sub(self.last_sequence);
        if step == 1 || !self.fell_to(sequence) {
            // More is no loss but a counter that began anew, or one of two.
            self.sent += if step < LONGEST_STEP { u64::from(step) } else { 1 };
            self.last_sequence = sequence;
        }
    }

    /// Notes a counter that did not go on by one, and whether it fell a little.
    #[cold]
    fn fell_to(&mut self, sequence: u8) -> bool {
        let step = sequence.wrapping_sub(self.last_sequence);
        if self.frames <= 1 {
            return false;
        }
        let fell = !goes_on(step, 0) && goes_on(step, FALL);
        if fell {
            self.falls += 1;
        } else {
            self.steps += 1;
            self.backward += u64::from(step >= LONGEST_STEP);
        }
        fell
    }

    /// Whether the counter says which frame is the next: of two stations with the same ids it does not, nor where it stands
    /// still. Over four links three frames in four come again. A poor link leaves steps behind most frames, but then the
    /// counter does not fall.
    #[must_use]
    pub fn tells(&self) -> bool {
        let moved = self.frames.saturating_sub(1);
        let ahead = moved >= MANY && 8 * self.backward <= moved;
        (2 * self.steps <= moved || ahead) && 8 * self.falls <= 7 * moved
    }

    /// Whether one frame in nine is missing, or more.
    #[must_use]
    pub fn loses(&self) -> bool {
        self.tells() && 8 * (self.sent + 1) >= 9 * self.frames
    }

    /// Whether three frames in four are missing of both, as of what a link brings that hardly holds.
    #[must_use]
    pub fn hardly_holds(&self, other: &SenderCount) -> bool {
        let ahead = |sender: &SenderCount| 8 * sender.backward <= sender.frames.saturating_sub(1);
        ahead(self) && ahead(other) && self.sent + other.sent + 2 >= 4 * (self.frames + other.frames)
    }

    /// Whether a frame with this counter goes on from these, or these from one with it.
    #[must_use]
    pub fn near(&self, from: u8, to: u8) -> bool {
        goes_on(to.wrapping_sub(from), if self.falls * FALLS_OFTEN >= self.frames { FALL } else { 0 })
    }
}

/// Whether a counter that moved by `step` goes on, or fell by less than `fall`.
fn goes_on(step: u8, fall: u8) -> bool {
    step.wrapping_add(fall).wrapping_sub(1) <= MISSING + fall
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A sender whose counters were these.
    fn sender(counters: &[u8]) -> SenderCount {
        let mut sender = SenderCount {
            system_id: 1,
            component_id: 1,
            frames: 1,
            first_sequence: counters[0],
            last_sequence: counters[0],
            steps: 0,
            backward: 0,
            sent: 0,
            falls: 0,
            after_reboot: false,
            before_reboot: false,
            first_boot_ms: None,
            last_boot_ms: None,
        };
        for counter in &counters[1..] {
            sender.frames += 1;
            sender.count(*counter);
        }
        sender
    }

    #[test]
    fn a_counter_goes_on_with_a_few_frames_missing() {
        let plain = sender(&[254, 255, 0, 1, 4]);
        assert_eq!((plain.steps, plain.falls), (1, 0));
        assert!(plain.tells());
        assert!(plain.near(254, 255) && plain.near(255, 3) && !plain.near(255, 4));
        assert!(!plain.near(255, 255) && !plain.near(0, 255));
    }

    #[test]
    fn frames_that_come_twice_or_late_are_told_from_counters_at_odds() {
        let twice = sender(&[7, 8, 7, 9, 8, 10, 9]);
        assert_eq!((twice.steps, twice.falls, twice.last_sequence), (0, 3, 10));
        assert!(twice.tells() && twice.near(9, 9) && twice.near(9, 2) && !twice.near(9, 1));
        assert!(twice.near(9, 13) && !twice.near(9, 14));
        // One step is all that is known of either.
        assert!(!sender(&[7, 52]).tells() && !sender(&[7, 8, 52, 53, 90, 93]).tells());
        let odds = sender(&[7, 100, 8, 101, 9, 102]);
        assert_eq!((odds.steps, odds.backward, odds.falls), (5, 2, 0));
        assert!(!odds.tells());
        let two: Vec<u8> = (0..50).flat_map(|step| [step, step + 60]).collect();
        assert!(!sender(&two).tells());
        // A poor link leaves one frame in seven.
        let few: Vec<u8> = (0..50u8).map(|step| step.wrapping_mul(7)).collect();
        assert!(sender(&few).tells() && sender(&few).loses() && !sender(&few[..8]).tells());
        for frames in [2, 6, 8, 40] {
            let still = sender(&vec![7; frames]);
            assert!(!still.tells() && !still.loses(), "{frames}");
        }
        assert!(
            sender(&[7, 9, 10, 12, 13]).loses() && !sender(&[7, 8, 9, 11, 12, 13, 14, 15, 16, 17]).loses()
        );
        let each = |step: u8| sender(&(0..50u8).map(|n| n.wrapping_mul(step)).collect::<Vec<u8>>());
        assert!(each(7).hardly_holds(&each(4)) && each(7).hardly_holds(&each(2)));
        assert!(!each(3).hardly_holds(&each(4)) && !each(7).hardly_holds(&sender(&two)));
        assert!(!each(7).hardly_holds(&sender(&vec![7; 400])));
        // A counter that begins anew, or falls by much, loses nothing.
        let anew: Vec<u8> = (0..=99).chain(0..=99).chain(60..=99).collect();
        assert!(sender(&anew).tells() && !sender(&anew).loses());
        // One fall in a long log is no habit.
        let once: Vec<u8> = (0..100).chain([98]).collect();
        assert!(!sender(&once).near(9, 9));
    }
}
