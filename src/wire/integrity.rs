//! What a scan met besides good frames. Frames, stamps and gaps together cover every byte.

/// The tally of a scan.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Integrity {
    /// Bytes scanned so far.
    pub bytes: u64,
    /// Frames with a good checksum.
    pub frames: u64,
    /// Bytes of those and of the unknown frames.
    pub bytes_frames: u64,
    /// Frames of an id that is not defined, passed on unchecked.
    pub frames_unknown: u64,
    /// Heads of a defined message with a fitting length whose checksum failed: damaged frames, or frames of a
    /// sender with other definitions.
    pub frames_bad_crc: u64,
    /// Bytes of capture stamps.
    pub bytes_stamps: u64,
    /// Bytes that belong to no frame and no stamp.
    pub bytes_skipped: u64,
    /// Frames missing by the senders' counters. A property of the link, not of the aircraft.
    pub sequence_lost: u64,
    /// Runs of skipped bytes.
    pub gap_count: u64,
}

impl Integrity {
    /// Adds the tally of another stream.
    pub fn add(&mut self, other: &Integrity) {
        self.bytes += other.bytes;
        self.frames += other.frames;
        self.bytes_frames += other.bytes_frames;
        self.frames_unknown += other.frames_unknown;
        self.frames_bad_crc += other.frames_bad_crc;
        self.bytes_stamps += other.bytes_stamps;
        self.bytes_skipped += other.bytes_skipped;
        self.sequence_lost += other.sequence_lost;
        self.gap_count += other.gap_count;
    }
}

/// A run of bytes that belongs to no frame and no stamp.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Gap {
    /// Offset in the recording.
    pub offset: u64,
    /// Number of bytes.
    pub len: u64,
    /// What it is made of.
    pub fill: Fill,
    /// Heads of a defined message in it whose checksum failed.
    pub frames_bad_crc: u64,
    /// The recording ends with it.
    pub at_end: bool,
}

/// What a gap is made of.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Fill {
    /// Zero bytes, but for what a block cut from the frames at its ends: space that was set aside and never written.
    Zeros,
    /// 0xFF in the same way: erased flash.
    Ones,
    /// The beginning of a frame whose end is missing.
    Cut,
    /// Anything else.
    Mixed,
}

/// Longest remains of frames at both ends of a block: a longest frame with its stamp on each side.
const REMAINS: u64 = 2 * (280 + 13 + 8);

/// The bytes of a gap, counted as they come.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub(super) struct Filling {
    bytes: u64,
    zeros: u64,
    ones: u64,
}

impl Filling {
    /// More bytes of the gap.
    pub(super) fn add(&mut self, bytes: &[u8]) {
        self.bytes += bytes.len() as u64;
        // Such gaps are megabytes long; memchr counts with vector instructions.
        self.zeros += memchr::memchr_iter(0, bytes).count() as u64;
        self.ones += memchr::memchr_iter(0xFF, bytes).count() as u64;
    }

    /// A fill that makes up the gap but for what was cut from frames at its ends; in a short gap, all of it.
    pub(super) fn outcome(&self) -> Fill {
        let most = |count: u64| count == self.bytes || self.bytes - count <= REMAINS.min(count / 2);
        match () {
            () if self.bytes == 0 => Fill::Mixed,
            () if most(self.zeros) && self.zeros >= self.ones => Fill::Zeros,
            () if most(self.ones) => Fill::Ones,
            () => Fill::Mixed,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::{Fill, Filling};

    fn of(pieces: &[&[u8]]) -> Fill {
        let mut filling = Filling::default();
        pieces.iter().for_each(|piece| filling.add(piece));
        filling.outcome()
    }

    #[test]
    fn a_gap_is_named_by_its_bytes_however_they_come() {
        assert_eq!(of(&[&[0, 0], &[], &[0]]), Fill::Zeros);
        assert_eq!(of(&[&[255], &[255, 255]]), Fill::Ones);
        assert_eq!(of(&[&[0, 0], &[255, 1]]), Fill::Mixed);
        assert_eq!(of(&[&[0; 4096], &[7; 500]]), Fill::Zeros, "remains of two frames");
        assert_eq!(of(&[&[255; 300], &[7; 120]]), Fill::Ones);
        assert_eq!(of(&[&[0; 4096], &[7; 700]]), Fill::Mixed);
        // A damaged frame holds many zeros.
        assert_eq!(of(&[&[0xFD, 20, 0, 0, 9, 1, 1, 30, 0, 0], &[0; 12], &[1; 10]]), Fill::Mixed);
    }
}
