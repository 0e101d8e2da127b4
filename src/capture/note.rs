//! What a capture held beside payload: counted, and the first places of each kind of damage noted.

use std::fmt;

/// Notes that are kept one by one; more of them are only counted.
const NOTES_KEPT: usize = 10_000;
/// Of those at most so many of packets stored in part: a short snap length cuts every packet of a video beside the
/// telemetry, and must not crowd out the rest.
const TRUNCATED_KEPT: u64 = 1_000;

/// Counts over a capture.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Tally {
    /// Packets read.
    pub packets: u64,
    /// Segments handed on, and their bytes.
    pub segments: u64,
    /// Bytes of those.
    pub bytes_payload: u64,
    /// Packets of other protocols (address resolution, control messages…): they carry no telemetry.
    pub packets_other: u64,
    /// Packets whose network or transport header made no sense; handed on as raw bytes.
    pub packets_malformed: u64,
    /// Packets of a link type that is not understood; handed on as raw bytes.
    pub packets_unknown_link: u64,
    /// Packets that the capture stored only in part (its snap length).
    pub packets_truncated: u64,
    /// Datagrams seen twice, as on two interfaces of the same machine; the second is dropped.
    pub datagrams_repeated: u64,
    /// IP fragments read.
    pub fragments: u64,
    /// Fragmented datagrams of which a part never came.
    pub datagrams_incomplete: u64,
    /// TCP bytes sent again, dropped.
    pub tcp_bytes_repeated: u64,
    /// Holes in TCP streams that were not filled.
    pub tcp_gaps: u64,
    /// Bytes of the file that belong to no record; handed on as raw bytes.
    pub bytes_outside: u64,
    /// Runs of those.
    pub damaged_regions: u64,
    /// Flows that found no place of their own and share one.
    pub flows_shared: u64,
    /// Everything that was noted, also beyond the notes that are kept.
    pub notes: u64,
}

/// Something at a place in the file.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Note {
    /// Offset in the file.
    pub offset: u64,
    /// What is there.
    pub kind: NoteKind,
}

/// What was met.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[non_exhaustive]
pub enum NoteKind {
    /// Bytes that belong to no record, this many.
    Outside(u64),
    /// A packet of a link type that is not understood.
    UnknownLink(u32),
    /// A packet of which the capture stored less than was sent.
    Truncated {
        /// Bytes stored.
        stored: u64,
        /// Bytes sent.
        sent: u64,
    },
    /// Network or transport header that makes no sense.
    Malformed,
    /// A packet of an interface that the file does not describe.
    UnknownInterface(u32),
    /// A time resolution that no clock has; the interface's packets have no time.
    UnknownResolution(u8),
    /// A fragmented datagram of which a part never came.
    Incomplete,
    /// Bytes missing in a TCP stream, this many; 0 if the number is unknown.
    TcpGap(u32),
}

impl fmt::Display for Note {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "at byte {}: ", self.offset)?;
        match self.kind {
            NoteKind::Outside(bytes) => write!(f, "{bytes} bytes belong to no record of the capture"),
            NoteKind::UnknownLink(link) => {
                write!(f, "link type {link} is not understood; scanned as raw bytes")
            }
            NoteKind::Truncated { stored, sent } => {
                write!(f, "a packet of {sent} bytes was stored only up to byte {stored} (snap length)")
            }
            NoteKind::Malformed => write!(f, "a packet's headers make no sense; scanned as raw bytes"),
            NoteKind::UnknownInterface(id) => write!(f, "a packet of interface {id}, which is not described"),
            NoteKind::UnknownResolution(code) => {
                write!(
                    f,
                    "an interface's time resolution {code:#04x} is not possible; its packets have no time"
                )
            }
            NoteKind::Incomplete => write!(f, "a fragmented datagram is incomplete"),
            NoteKind::TcpGap(0) => write!(f, "a TCP stream continues elsewhere; bytes are missing"),
            NoteKind::TcpGap(bytes) => write!(f, "{bytes} bytes of a TCP stream are missing"),
        }
    }
}

/// Counts and notes together.
#[derive(Debug, Default)]
pub(super) struct Ledger {
    pub tally: Tally,
    pub notes: Vec<Note>,
}

impl Ledger {
    pub fn note(&mut self, offset: u64, kind: NoteKind) {
        self.tally.notes += 1;
        let crowds =
            matches!(kind, NoteKind::Truncated { .. }) && self.tally.packets_truncated > TRUNCATED_KEPT;
        if self.notes.len() < NOTES_KEPT && !crowds {
            self.notes.push(Note { offset, kind });
        }
    }
}
