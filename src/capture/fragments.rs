//! Datagrams that were sent in fragments, put together again in bounded memory.
//!
//! The crate that reads the headers has a pool for this too, but one without a bound, as its documentation says.

use std::collections::VecDeque;
use std::net::IpAddr;

use super::packet::{Fragment, Ip};

/// Datagrams in work at a time; the oldest gives way.
const DATAGRAMS: usize = 64;
/// Fragments of one datagram that are kept.
const PARTS: usize = 1024;
/// The longest datagram, and the most that is kept of one.
const LONGEST: usize = 65_535;
/// How long a datagram may stay incomplete, µs. RFC 791 suggests 15 s, RFC 8200 sets 60 s.
const PATIENCE_US: u64 = 60_000_000;

/// A fragment that comes again within this time of its datagram's completion, µs, as on two interfaces of the same
/// machine, is no datagram's beginning (common practice, no published source).
const AGAIN_US: u64 = 2_000_000;

/// Two ends, protocol and identification.
type Key = (IpAddr, IpAddr, u8, u32);

/// Datagrams in work.
#[derive(Debug, Default)]
pub(super) struct Fragments {
    /// Oldest first.
    partial: VecDeque<Partial>,
    /// The last ones that were completed, and when; oldest first.
    completed: VecDeque<(Key, Option<u64>)>,
}

/// A datagram in work.
#[derive(Debug)]
pub(super) struct Partial {
    key: Key,
    /// Place in the file of the first fragment read.
    pub offset: u64,
    /// Time of the first fragment read.
    pub capture_us: Option<u64>,
    /// Start in the datagram and bytes, in order of the start.
    pub parts: Vec<(usize, Vec<u8>)>,
    kept: usize,
    total: Option<usize>,
}

impl Fragments {
    /// Adds a fragment and returns the datagram if that completes it.
    pub fn add(
        &mut self,
        ip: &Ip<'_>,
        fragment: Fragment,
        offset: u64,
        capture_us: Option<u64>,
    ) -> Option<Vec<u8>> {
        let key = (ip.source, ip.destination, ip.protocol, fragment.id);
        let at = match self.partial.iter().position(|partial| partial.key == key) {
            Some(at) => at,
            None if self.again(&key, capture_us) => return None,
            None => {
                self.partial.push_back(Partial {
                    key,
                    offset,
                    capture_us,
                    parts: Vec::new(),
                    kept: 0,
                    total: None,
                });
                self.partial.len() - 1
            }
        };
        let partial = self.partial.get_mut(at)?;
        partial.insert(fragment, ip.payload, ip.missing == 0);
        let whole = partial.whole()?;
        self.partial.remove(at);
        if self.completed.len() == DATAGRAMS {
            self.completed.pop_front();
        }
        self.completed.push_back((key, capture_us));
        Some(whole)
    }

    /// Whether a datagram of this key was completed just now.
    fn again(&self, key: &Key, now_us: Option<u64>) -> bool {
        let since = |then_us: u64| now_us.is_none_or(|now| now.abs_diff(then_us) <= AGAIN_US);
        self.completed.iter().any(|(known, then_us)| known == key && then_us.is_none_or(since))
    }

    /// Gives up a datagram that waits too long or takes a newer one's place.
    pub fn give_up(&mut self, now_us: Option<u64>) -> Option<Partial> {
        let oldest = self.partial.front()?;
        let late = match (now_us, oldest.capture_us) {
            (Some(now), Some(then)) => now.saturating_sub(then) > PATIENCE_US,
            _ => false,
        };
        if late || self.partial.len() > DATAGRAMS { self.partial.pop_front() } else { None }
    }

    /// Everything still incomplete.
    pub fn rest(&mut self) -> impl Iterator<Item = Partial> + use<> {
        std::mem::take(&mut self.partial).into_iter()
    }
}

impl Partial {
    fn insert(&mut self, fragment: Fragment, bytes: &[u8], stored_whole: bool) {
        let end = fragment.start + bytes.len();
        let at = self.parts.partition_point(|(start, _)| *start < fragment.start);
        let known = self
            .parts
            .get(at)
            .is_some_and(|(start, known)| *start == fragment.start && known.len() >= bytes.len());
        if known || end > LONGEST || self.kept + bytes.len() > 2 * LONGEST || self.parts.len() == PARTS {
            return;
        }
        if !fragment.more && stored_whole {
            self.total = Some(end);
        }
        self.kept += bytes.len();
        self.parts.insert(at, (fragment.start, bytes.to_vec()));
    }

    /// The datagram, if nothing is missing. Where parts overlap, the one that starts first counts.
    fn whole(&self) -> Option<Vec<u8>> {
        let total = self.total?;
        let mut whole: Vec<u8> = Vec::with_capacity(total);
        for (start, bytes) in &self.parts {
            let known = whole.len().checked_sub(*start)?;
            whole.extend_from_slice(bytes.get(known..).unwrap_or_default());
        }
        whole.truncate(total);
        (whole.len() == total).then_some(whole)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn fragments_that_come_twice_make_one_datagram_and_leave_nothing() {
        fn ip(payload: &[u8]) -> Ip<'_> {
            Ip {
                source: [10, 0, 0, 1].into(),
                destination: [10, 0, 0, 2].into(),
                protocol: 17,
                fragment: None,
                payload,
                missing: 0,
            }
        }
        let mut fragments = Fragments::default();
        let mut add = |start: usize, now_us: u64| {
            let fragment = Fragment { id: 7, start, more: start == 0 };
            let bytes = [start as u8; 8];
            fragments.add(&ip(&bytes), fragment, 0, Some(now_us))
        };
        let whole = Some([[0; 8], [8; 8]].concat());
        assert_eq!([add(0, 0), add(0, 1), add(8, 2), add(8, 3)], [None, None, whole.clone(), None]);
        // The identification is used again later.
        assert_eq!([add(0, 9_000_000), add(8, 9_000_001)], [None, whole]);
        assert_eq!(fragments.rest().count(), 0);
    }
}
