//! Capture stamps: some recordings put the recording computer's clock before every frame, as 8 bytes big-endian
//! µs since 1970.
//!
//! The protocol does not define them, so they are recognised by content: directly before the marker, not part of
//! a frame, and a date between the years 2000 and 2100. A random run of 8 bytes passes with a chance of 1 in
//! 5 million, the rest of a damaged frame more often: behind such bytes it counts only if there was one before or the
//! next frame does not follow without one.

use std::ops::Range;

/// Bytes of a stamp.
pub const STAMP_LEN: usize = 8;

/// 2000-01-01 to 2100-01-01, µs Unix.
const PLAUSIBLE_US: Range<u64> = 946_684_800_000_000..4_102_444_800_000_000;

/// How the frames lie in the recording.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Container {
    /// Frames back to back, with whatever the link put between them.
    Bare,
    /// A capture stamp before each frame.
    Timestamped,
    /// In the packets of a classic capture.
    Pcap,
    /// In the packets of a capture of blocks.
    PcapNg,
}

/// The stamp at the start of `input`, µs Unix, if it can be one.
#[must_use]
#[inline]
pub fn read(input: &[u8]) -> Option<u64> {
    split(input).map(|(stamp, _)| stamp)
}

/// [`read`] and the bytes behind it.
#[inline]
pub(super) fn split(input: &[u8]) -> Option<(u64, &[u8])> {
    let (stamp, behind) = input.split_first_chunk::<STAMP_LEN>()?;
    let stamp = u64::from_be_bytes(*stamp);
    PLAUSIBLE_US.contains(&stamp).then_some((stamp, behind))
}

/// The vote over the first frames whether they carry stamps.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Vote {
    frames: u8,
    stamped: u8,
}

impl Vote {
    /// Frames that decide; later ones no longer change the answer.
    const FRAMES: u8 = 100;

    #[inline]
    pub(super) fn count(&mut self, stamped: bool) {
        if self.frames < Self::FRAMES {
            self.frames += 1;
            self.stamped += u8::from(stamped);
        }
    }

    pub(super) fn outcome(self) -> Container {
        if u16::from(self.stamped) * 2 > u16::from(self.frames) {
            Container::Timestamped
        } else {
            Container::Bare
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_dates_of_this_century_are_stamps() {
        // 946684800 and 4102444800: `date -u -d 2000-01-01 +%s`, `date -u -d 2100-01-01 +%s`.
        assert_eq!(read(&946_684_800_000_000u64.to_be_bytes()), Some(946_684_800_000_000));
        assert_eq!(read(&946_684_799_999_999u64.to_be_bytes()), None);
        assert_eq!(read(&4_102_444_800_000_000u64.to_be_bytes()), None);
        assert_eq!(read(&[0, 6, 0, 0, 0, 0, 0]), None);
    }

    #[test]
    fn half_of_the_frames_is_not_most() {
        let mut vote = Vote::default();
        vote.count(true);
        vote.count(false);
        assert_eq!(vote.outcome(), Container::Bare);
        vote.count(true);
        assert_eq!(vote.outcome(), Container::Timestamped);
    }
}
