//! Signatures of version 2 frames: whether the sender knew the key, and whether its clock went forward.
//!
//! A frame with the incompatibility flag 0x01 ends in 13 bytes:
//!
//! | byte | field     | type   | meaning                                                        |
//! |------|-----------|--------|----------------------------------------------------------------|
//! | 0    | link id   | u8     | the sender's channel                                           |
//! | 1    | timestamp | u48 LE | 10 µs since 2015-01-01T00:00:00Z; rises with every frame       |
//! | 7    | signature | 6      | first 48 bits of SHA-256(key ‖ the frame up to here)           |
//!
//! Source: the protocol guide, *Message Signing*. A recording is judged afterwards, so a timestamp is compared
//! only with those before it in the recording, never with a clock.

use std::collections::BTreeMap;
use std::fmt;

use sha2::{Digest, Sha256};

use super::layout::{MARKER_V2, SIGNATURE_LEN, SIGNED};

/// Bytes of a key.
pub const KEY_LEN: usize = 32;
/// Bytes of the hash that are sent.
const HASH_LEN: usize = 6;
/// 2015-01-01T00:00:00Z, µs Unix.
const EPOCH_US: u64 = 1_420_070_400_000_000;
/// Links that are told apart; a recording has a handful.
const LINKS: usize = 1024;

/// A secret key. It is never shown.
#[derive(Clone, PartialEq, Eq)]
pub struct Key([u8; KEY_LEN]);

/// Why a text or file is no key. It says nothing of the content.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
#[error("a signing key is 32 bytes, or 64 hexadecimal digits; this has {len} bytes{}", if *digits { "" } else { " that are not all digits" })]
pub struct BadKey {
    len: usize,
    digits: bool,
}

/// The signature of a frame, as sent.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Signature {
    /// The sender's channel.
    pub link_id: u8,
    /// 10 µs since 2015.
    pub timestamp: u64,
    /// First 48 bits of the hash.
    pub hash: [u8; HASH_LEN],
}

/// What is known of a frame's sender.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Verdict {
    /// The frame carries no signature.
    Unsigned,
    /// Signed, but no key was given.
    Unverified,
    /// Signed with the key, and the timestamp rose.
    Verified,
    /// Signed with the key, but not later than a frame before it: recorded twice, reordered or played again.
    Replayed,
    /// Not signed with the key, or changed on the way.
    Wrong,
}

/// A sender's channel.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Link {
    /// Sending system.
    pub system_id: u32,
    /// Sending component.
    pub component_id: u8,
    /// The sender's channel.
    pub link_id: u8,
}

/// Signed frames of one link.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct LinkTally {
    /// Signed with the key, timestamps rising.
    pub verified: u64,
    /// Signed with the key, timestamp not later than before.
    pub replayed: u64,
    /// Not signed with the key.
    pub wrong: u64,
    /// Signed, and no key to check it with.
    pub unverified: u64,
    /// The latest timestamp that was signed with the key, or of any frame without a key.
    last: Option<u64>,
}

impl LinkTally {
    /// All signed frames.
    #[must_use]
    pub fn signed(&self) -> u64 {
        self.verified + self.replayed + self.wrong + self.unverified
    }

    /// Adds the counts of another link.
    pub fn add(&mut self, other: &LinkTally) {
        self.verified += other.verified;
        self.replayed += other.replayed;
        self.wrong += other.wrong;
        self.unverified += other.unverified;
    }
}

/// Judges the signatures of a recording, link by link.
#[derive(Debug, Default)]
pub struct Signatures {
    key: Option<Key>,
    links: BTreeMap<Link, LinkTally>,
    /// Links beyond those that are told apart.
    rest: LinkTally,
    unsigned: u64,
}

impl Key {
    /// A key from the content of a file or an argument: 32 bytes, or 64 hexadecimal digits with white space
    /// around them.
    ///
    /// # Errors
    /// Anything else.
    pub fn parse(content: &[u8]) -> Result<Self, BadKey> {
        if let Ok(key) = <[u8; KEY_LEN]>::try_from(content) {
            return Ok(Self(key));
        }
        let text = content.trim_ascii();
        let bad = BadKey { len: content.len(), digits: text.iter().all(u8::is_ascii_hexdigit) };
        let (pairs, rest) = text.as_chunks::<2>();
        let mut key = [0; KEY_LEN];
        if pairs.len() != KEY_LEN || !rest.is_empty() {
            return Err(bad);
        }
        for (byte, [high, low]) in key.iter_mut().zip(pairs) {
            *byte = digit(*high).zip(digit(*low)).map(|(high, low)| high << 4 | low).ok_or(bad)?;
        }
        Ok(Self(key))
    }
}

impl fmt::Debug for Key {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("Key(secret)")
    }
}

impl Signature {
    /// The signature of a whole frame, marker first; `None` if it carries none.
    #[must_use]
    pub fn read(frame: &[u8]) -> Option<Self> {
        let [MARKER_V2, _, flags, ..] = frame else { return None };
        if flags & SIGNED == 0 {
            return None;
        }
        let [link_id, time @ .., _, _, _, _, _, _] = frame.last_chunk::<SIGNATURE_LEN>()?;
        let timestamp = time.iter().rev().fold(0, |sum, byte| sum << 8 | u64::from(*byte));
        Some(Self { link_id: *link_id, timestamp, hash: *frame.last_chunk()? })
    }

    /// The timestamp as µs Unix, as far as the sender knew the time.
    #[must_use]
    pub fn unix_us(&self) -> u64 {
        EPOCH_US + self.timestamp * 10
    }

    /// Whether the frame was signed with this key.
    #[must_use]
    pub fn verify(&self, key: &Key, frame: &[u8]) -> bool {
        let covered = frame.get(..frame.len().saturating_sub(HASH_LEN)).unwrap_or_default();
        let hash = Sha256::new().chain_update(key.0).chain_update(covered).finalize();
        hash.starts_with(&self.hash)
    }
}

impl Signatures {
    /// A judge with a key, or one that only counts.
    #[must_use]
    pub fn new(key: Option<Key>) -> Self {
        Self { key, ..Self::default() }
    }

    /// Judges a whole frame whose checksum was good, marker first.
    pub fn check(&mut self, frame: &[u8], system_id: u32, component_id: u8) -> Verdict {
        let Some(signature) = Signature::read(frame) else {
            self.unsigned += 1;
            return Verdict::Unsigned;
        };
        let good = self.key.as_ref().map(|key| signature.verify(key, frame));
        let link = Link { system_id, component_id, link_id: signature.link_id };
        if self.links.len() >= LINKS && !self.links.contains_key(&link) {
            // So many senders are noise or an attack; the verdict stands, only no timestamp is remembered.
            let (count, verdict) = match good {
                Some(true) => (&mut self.rest.verified, Verdict::Verified),
                Some(false) => (&mut self.rest.wrong, Verdict::Wrong),
                None => (&mut self.rest.unverified, Verdict::Unverified),
            };
            *count += 1;
            return verdict;
        }
        let tally = self.links.entry(link).or_default();
        if good == Some(false) {
            tally.wrong += 1;
            return Verdict::Wrong;
        }
        let rose = tally.last.is_none_or(|last| signature.timestamp > last);
        tally.last = tally.last.max(Some(signature.timestamp));
        let (count, verdict) = match (good, rose) {
            (None, _) => (&mut tally.unverified, Verdict::Unverified),
            (_, true) => (&mut tally.verified, Verdict::Verified),
            (_, false) => (&mut tally.replayed, Verdict::Replayed),
        };
        *count += 1;
        verdict
    }

    /// The signed links in order of their numbers.
    pub fn links(&self) -> impl Iterator<Item = (&Link, &LinkTally)> {
        self.links.iter()
    }

    /// Signed frames of links beyond those that are told apart; none unless a recording has over a thousand.
    #[must_use]
    pub fn rest(&self) -> LinkTally {
        self.rest
    }

    /// Whether there is a key to verify with.
    #[must_use]
    pub fn has_key(&self) -> bool {
        self.key.is_some()
    }

    /// Frames without a signature that were shown to [`Signatures::check`].
    #[must_use]
    pub fn unsigned(&self) -> u64 {
        self.unsigned
    }
}

fn digit(byte: u8) -> Option<u8> {
    char::from(byte).to_digit(16).map(|digit| digit as u8)
}
