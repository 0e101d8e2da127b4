//! What an aircraft said of its attitude in a boot session, in a few numbers: recordings of the session that hold the same
//! messages share them, whatever their links, losses and clocks. No two sessions do, since attitude is measured, to the
//! last bit of a float and at the same millisecond.
//!
//! # Source
//! Bottom-k sketches: A. Z. Broder, On the resemblance and containment of documents, 1997. Of the least hashes of either
//! set as great a share is common as of the sets.

use super::repeats::mix;

/// Numbers of a session.
const SIZE: usize = 32;
/// So many must be common: a recording that holds a quarter of another one's messages has that many in 39 of 40 cases.
const COMMON: usize = 4;
/// Bytes of `time_boot_ms`, which both messages begin with.
const STAMP: usize = 4;

/// The least hashes of the ATTITUDE and ATTITUDE_QUATERNION messages of a boot session, in order.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Sketch(Vec<u64>);

impl Sketch {
    /// Takes a message in. One that says nothing but its time tells no session from another.
    #[inline]
    pub(super) fn note(&mut self, payload: &[u8]) {
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
        if self.0.len() == SIZE && self.0.last().is_some_and(|most| *most <= hash) {
            return;
        }
        if let Err(at) = self.0.binary_search(&hash) {
            self.0.insert(at, hash);
            self.0.truncate(SIZE);
        }
    }

    /// As text: 16 hex digits a number.
    pub fn text(&self) -> String {
        self.0.iter().map(|hash| format!("{hash:016x}")).collect()
    }

    /// What [`Sketch::text`] wrote; what else there is tells nothing.
    pub fn from_text(text: &str) -> Self {
        let digits = text.as_bytes().chunks_exact(16);
        Sketch(
            digits.filter_map(|hash| u64::from_str_radix(std::str::from_utf8(hash).ok()?, 16).ok()).collect(),
        )
    }

    /// The numbers.
    pub fn hashes(&self) -> &[u64] {
        &self.0
    }

    /// Whether both are of one session.
    pub fn is_of_one_session(&self, other: &Sketch) -> bool {
        self.0.iter().filter(|hash| other.0.binary_search(hash).is_ok()).count() >= COMMON
    }
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
        let whole = sketch(1, 0..10_000);
        let (mut quarters, mut others) = (0, 0);
        for of in 1..=200 {
            let whole = sketch(of, 0..10_000);
            // A quarter of it, and all but what a link lost.
            quarters += u32::from(whole.is_of_one_session(&sketch(of, 7_500..10_000)));
            assert!(whole.is_of_one_session(&sketch(of, (0..10_000).filter(|n| n % 10 > 1))));
            others += u32::from(whole.is_of_one_session(&sketch(of + 1, 0..10_000)));
        }
        assert!(quarters >= 180, "{quarters} of 200");
        assert_eq!(others, 0);
        assert_eq!(Sketch::from_text(&whole.text()), whole);
        assert_eq!(whole.text().len(), 16 * SIZE);
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
