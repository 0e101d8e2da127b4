//! What an aircraft said of its attitude in a boot session, in a few numbers: recordings of the session that hold the same
//! messages share them, whatever their links, losses and clocks. No two sessions do, since attitude is measured, to the
//! last bit of a float and at the same millisecond.
//!
//! # Source
//! Bottom-k sketches: A. Z. Broder, On the resemblance and containment of documents, 1997. Of the least hashes of either
//! set as great a share is common as of the sets. Here the times are hashed for that, so that most messages need not be.

use super::repeats::mix;
use crate::wire::payload::u32_at;
use std::collections::BTreeSet;

/// Numbers of a session.
const SIZE: usize = 64;
/// So many must be common: a recording that holds a ninth of another one's messages has that many in 39 of 40 cases.
const COMMON: usize = 3;
/// Bytes of `time_boot_ms`, which both messages begin with.
const STAMP: usize = 4;

/// The ATTITUDE and ATTITUDE_QUATERNION messages of a boot session whose times have the least hashes.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Sketch {
    /// Hashes of the times, in order, and of the messages.
    least: Vec<(u32, u64)>,
    /// No time with a greater hash comes in.
    most: u32,
}

impl Default for Sketch {
    fn default() -> Self {
        Sketch { least: Vec::new(), most: u32::MAX }
    }
}

impl Sketch {
    /// Takes a message in. One that says nothing but its time tells no session from another.
    #[inline]
    pub(super) fn note(&mut self, payload: &[u8]) {
        let order = (mix(u64::from(u32_at(payload, 0)) + 1) >> 32) as u32;
        if order <= self.most {
            self.add(order, payload);
        }
    }

    #[cold]
    fn add(&mut self, order: u32, payload: &[u8]) {
        // Version 2 cuts zeros off the end.
        let len = payload.iter().rposition(|byte| *byte != 0).map_or(0, |last| last + 1);
        if len <= STAMP {
            return;
        }
        let hash = payload.get(..len).unwrap_or_default().chunks(8).fold(len as u64, |hash, chunk| {
            let mut word = [0; 8];
            word.iter_mut().zip(chunk).for_each(|(to, from)| *to = *from);
            mix(hash ^ u64::from_le_bytes(word)).wrapping_add(0x9E37_79B9_7F4A_7C15)
        });
        if let Err(at) = self.least.binary_search(&(order, hash)) {
            self.least.insert(at, (order, hash));
            self.least.truncate(SIZE);
            self.most = self.least.get(SIZE - 1).map_or(u32::MAX, |(order, _)| *order);
        }
    }

    /// The messages' hashes as text: 16 hex digits each.
    pub fn text(&self) -> String {
        self.least.iter().map(|(_, hash)| format!("{hash:016x}")).collect()
    }
}

/// The hashes that [`Sketch::text`] wrote; what else there is tells nothing.
pub fn hashes(text: &str) -> impl Iterator<Item = u64> {
    let digits = text.as_bytes().chunks_exact(16);
    digits.filter_map(|hash| u64::from_str_radix(std::str::from_utf8(hash).ok()?, 16).ok())
}

/// Whether two texts are of one session.
pub fn of_one_session(one: &str, other: &str) -> bool {
    let other: BTreeSet<u64> = hashes(other).collect();
    !other.is_empty() && hashes(one).filter(|hash| other.contains(hash)).count() >= COMMON
}

#[cfg(test)]
mod tests {
    use super::*;

    /// So many ATTITUDE payloads a millisecond apart, of a session whose attitude is `of`.
    fn sketch(of: u32, times: impl Iterator<Item = u32>) -> Sketch {
        let mut sketch = Sketch::default();
        for time in times {
            let attitude = (0..6).map(|axis| time.wrapping_mul(2_654_435_761).rotate_left(axis) ^ of);
            sketch.note(&[time].into_iter().chain(attitude).flat_map(u32::to_le_bytes).collect::<Vec<u8>>());
        }
        sketch
    }

    #[test]
    fn recordings_of_a_session_share_what_no_others_do() {
        let (mut ninths, mut others) = (0, 0);
        for of in 1..=200 {
            let text =
                |of, times: &dyn Fn(u32) -> bool| sketch(of, (0..10_000).filter(|n| times(*n + of))).text();
            let whole = text(of, &|_| true);
            assert_eq!((whole.len(), hashes(&whole).count()), (16 * SIZE, SIZE));
            // All but what a link lost, and a ninth of it.
            assert!(of_one_session(&whole, &text(of, &|n| n % 10 > 1)));
            ninths += u32::from(of_one_session(&whole, &text(of, &|n| n / 100 % 9 == 0)));
            others += u32::from(of_one_session(&whole, &text(of + 1, &|_| true)));
        }
        // By the binomial distribution 195 are to be expected, and fewer than 185 never.
        assert!(ninths >= 185, "{ninths} of 200");
        assert_eq!(others, 0);
        assert!(!of_one_session("", "") && !of_one_session("nothing of the kind", &"é".repeat(64)));
    }

    #[test]
    fn an_attitude_that_is_not_known_yet_tells_nothing() {
        let mut sketch = Sketch::default();
        for time in 0..1_000u32 {
            sketch.note(&[&time.to_le_bytes()[..], &[0; 24]].concat());
        }
        assert_eq!(sketch, Sketch::default());
        // Truncated or not, it is the same message.
        let (mut cut, mut whole) = (Sketch::default(), Sketch::default());
        cut.note(&[1, 2, 3, 4, 5, 6]);
        whole.note(&[1, 2, 3, 4, 5, 6, 0, 0, 0, 0]);
        assert_eq!(cut, whole);
    }
}
