//! What the readers of both formats answer.

use super::packet::Packet;

/// What stands at a position where a record should start.
#[derive(Debug)]
pub(super) enum Step<'a> {
    /// A packet, and the bytes of its whole record.
    Packet(Packet<'a>, usize),
    /// A record of this length without a packet.
    Skip(usize),
    /// Too few bytes to tell.
    MoreBytes,
    /// No record.
    Damaged,
}

/// Whether a record starts at a position.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Looks {
    Yes,
    No,
    MoreBytes,
}

impl From<bool> for Looks {
    fn from(yes: bool) -> Self {
        if yes { Self::Yes } else { Self::No }
    }
}
