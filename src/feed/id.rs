//! Ids of events: they follow from what an event is about, so they are the same on every machine and after
//! every rebuild of the logbook.
//!
//! An id is the first 16 bytes, as 32 hex digits, of BLAKE3 over the event's type and natural key, each part
//! preceded by its length in bytes as 8 bytes little-endian, so that no two lists of parts run into the same
//! bytes.

use std::fmt;

/// Types of event.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum EventType {
    /// One flight's share of one component's use.
    Usage,
    /// An inspection signed.
    Inspection,
    /// A finding nobody has answered yet.
    Finding,
}

impl EventType {
    /// The word in `type`.
    pub fn word(self) -> &'static str {
        match self {
            EventType::Usage => "usage",
            EventType::Inspection => "inspection",
            EventType::Finding => "finding",
        }
    }

    /// The type of a word.
    pub fn from_word(word: &str) -> Option<Self> {
        [EventType::Usage, EventType::Inspection, EventType::Finding].into_iter().find(|t| t.word() == word)
    }
}

/// Names an event for good; see the module's table.
#[derive(Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct EventId(pub [u8; 16]);

impl EventId {
    /// The id of an event of this type with this natural key.
    pub fn of(kind: EventType, key: &[&str]) -> Self {
        EventId(digest(std::iter::once(kind.word()).chain(key.iter().copied())))
    }

    /// Reads 32 hex digits.
    pub fn from_hex(text: &str) -> Option<Self> {
        let hash = blake3::Hash::from_hex(format!("{text}{}", "0".repeat(32))).ok()?;
        hash.as_bytes().first_chunk().copied().map(EventId).filter(|_| text.len() == 32)
    }
}

impl fmt::Display for EventId {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.0.iter().try_for_each(|byte| write!(f, "{byte:02x}"))
    }
}

impl fmt::Debug for EventId {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        fmt::Display::fmt(self, f)
    }
}

/// The first 16 bytes of BLAKE3 over parts with their lengths.
pub(crate) fn digest<'a>(parts: impl Iterator<Item = &'a str>) -> [u8; 16] {
    let mut hasher = blake3::Hasher::new();
    for part in parts {
        hasher.update(&(part.len() as u64).to_le_bytes());
        hasher.update(part.as_bytes());
    }
    let mut id = [0; 16];
    hasher.finalize_xof().fill(&mut id);
    id
}
