//! Frames that stand in a log again: a recorder that wrote a block twice, a file whose blocks were linked crosswise. Their
//! boot time falls as if the aircraft had started anew, but counter, stamp and checksum are those of a frame before.

use super::Sender;
use crate::clock::Stamp;
use crate::clock::boot::LATE_MS;
use crate::wire::Frame;

/// Frames that share a place: the latest ones.
const SHARING: usize = 4;
/// Places: a MiB or so of a recording.
const PLACES: usize = 1 << 12;
/// Most frames in a row that may be forgotten within a block, since later ones took their places; no more than were known:
/// after a reboot a frame or two can be those of the boot before.
const FORGOTTEN: u8 = 16;

/// The latest stamped frames of all senders, each in a place that its hash gives it.
#[derive(Debug, Default)]
pub(super) struct Repeats {
    places: Vec<[u64; SHARING]>,
}

/// Where a sender stands in a block that repeats.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Repeating {
    /// Frames known so far; 0 outside of one.
    known: u8,
    forgotten: u8,
}

impl Repeats {
    /// Whether this frame belongs to a block that was read before. Frames without a stamp do if those before them did.
    #[inline]
    pub fn again(&mut self, frame: &Frame<'_>, stamp: Stamp, sender: &mut Sender) -> bool {
        let Stamp::BootMs(boot_ms) = stamp else { return sender.repeating.known > 0 };
        let key = key(frame, boot_ms);
        if sender.clock.behind_ms(boot_ms) <= LATE_MS {
            sender.repeating = Repeating::default();
            self.remember(key);
            return false;
        }
        self.fallen(key, &mut sender.repeating)
    }

    #[inline]
    fn remember(&mut self, key: u64) {
        if self.places.is_empty() {
            self.places = vec![[0; SHARING]; PLACES];
        }
        if let Some(place) = self.places.get_mut(place(key)) {
            place.copy_within(..SHARING - 1, 1);
            place[0] = key;
        }
    }

    #[cold]
    fn fallen(&self, key: u64, repeating: &mut Repeating) -> bool {
        if self.places.get(place(key)).is_some_and(|place| place.contains(&key)) {
            *repeating = Repeating { known: repeating.known.saturating_add(1), forgotten: 0 };
        } else {
            repeating.forgotten += 1;
            if repeating.forgotten > repeating.known.min(FORGOTTEN) {
                *repeating = Repeating::default();
            }
        }
        repeating.known > 0
    }
}

/// Sender, message, counter, stamp and checksum, mixed as `SplitMix64` does (Steele, Lea and Flood, Fast Splittable
/// Pseudorandom Number Generators, 2014).
#[inline]
fn key(frame: &Frame<'_>, boot_ms: u32) -> u64 {
    let check = frame.raw.last_chunk::<2>().copied().map_or(0, u16::from_le_bytes);
    let sender = u64::from(frame.system_id) << 32
        | u64::from(frame.message_id & 0xFF_FFFF) << 8
        | u64::from(frame.component_id);
    let own = u64::from(boot_ms) << 32 | u64::from(frame.sequence) << 16 | u64::from(check);
    mix(mix(own) ^ sender)
}

#[inline]
fn mix(key: u64) -> u64 {
    let key = (key ^ key >> 30).wrapping_mul(0xBF58_476D_1CE4_E5B9);
    let key = (key ^ key >> 27).wrapping_mul(0x94D0_49BB_1331_11EB);
    key ^ key >> 31
}

#[inline]
fn place(key: u64) -> usize {
    key as usize % PLACES
}
