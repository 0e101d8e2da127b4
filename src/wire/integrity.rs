//! What a scan met besides good frames. Frames, stamps and gaps together cover every byte.

/// Gaps that are kept one by one; damage beyond that is only counted.
const GAPS_KEPT: usize = 1000;

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
    /// The first thousand of them.
    pub gaps: Vec<Gap>,
}

/// A run of bytes that belongs to no frame and no stamp.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Gap {
    /// Offset in the recording.
    pub offset: u64,
    /// Number of bytes.
    pub len: u64,
}

impl Integrity {
    pub(super) fn skip(&mut self, offset: u64, len: u64) {
        if len == 0 {
            return;
        }
        self.bytes_skipped += len;
        self.gap_count += 1;
        if self.gaps.len() < GAPS_KEPT {
            self.gaps.push(Gap { offset, len });
        }
    }
}
