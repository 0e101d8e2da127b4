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
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Fill {
    /// Nothing yet.
    #[default]
    Empty,
    /// Zero bytes alone: space that was set aside and never written.
    Zeros,
    /// 0xFF alone: erased flash.
    Ones,
    /// The beginning of a frame whose end is missing.
    Cut,
    /// Anything else.
    Mixed,
}

impl Fill {
    /// The same gap with `bytes` behind it.
    pub(super) fn with(self, bytes: &[u8]) -> Fill {
        // Blocks without a branch inside become vector code: such gaps are megabytes long.
        let all = |value: u8| {
            bytes.chunks(64).all(|block| block.iter().fold(true, |all, byte| all & (*byte == value)))
        };
        match self {
            Fill::Mixed | Fill::Cut => Fill::Mixed,
            _ if bytes.is_empty() => self,
            Fill::Empty | Fill::Zeros if all(0) => Fill::Zeros,
            Fill::Empty | Fill::Ones if all(0xFF) => Fill::Ones,
            _ => Fill::Mixed,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::Fill;

    #[test]
    fn a_gap_is_named_by_all_its_bytes_however_they_come() {
        assert_eq!(Fill::Empty.with(&[0, 0]).with(&[]).with(&[0]), Fill::Zeros);
        assert_eq!(Fill::Empty.with(&[255]).with(&[255, 255]), Fill::Ones);
        assert_eq!(Fill::Empty.with(&[0, 0]).with(&[255]), Fill::Mixed);
        assert_eq!(Fill::Mixed.with(&[0]), Fill::Mixed);
    }
}
