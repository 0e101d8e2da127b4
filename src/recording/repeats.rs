//! Frames that stand in a log again: a recorder that wrote a block twice, a file whose blocks were linked crosswise. Their
//! boot time falls as if the aircraft had started anew, but counter, stamp and checksum are those of a frame before.

use super::Sender;
use crate::clock::boot::LATE_MS;
use crate::clock::{BootClock, Stamp};
use crate::wire::Frame;

/// Frames that share a place: the latest ones.
const SHARING: usize = 4;
/// Places: most of the latest 8,000 stamped frames are found, a quarter to half a MiB of a recording.
const PLACES: usize = 1 << 12;
/// What frames that are known bear out at most; each that is not takes two from it, since later ones may have taken its
/// place. After a reboot a few can be those of the boot before.
const MOST: i8 = 16;
/// Later than this a stamp is compared with those before: estimators are late by less as a rule, and no block so short
/// moves a landing by more.
const AGAIN_MS: i64 = 300;
/// Boot time without a known frame that ends a block.
const UNKNOWN_MS: u32 = 1_000;
/// A message of the clock alone: without UTC it is the same after every boot, so it tells no block from a reboot.
const SYSTEM_TIME: u32 = 2;

/// The latest stamped frames of all senders, each in a place that its hash gives it.
#[derive(Debug, Default)]
pub(super) struct Repeats {
    places: Vec<[u64; SHARING]>,
}

/// Where a sender stands in a block that repeats.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Repeating {
    /// How well known frames bear a block out; 0 outside of one.
    borne_out: i8,
    /// Stamp of the latest one that was known.
    known_ms: u32,
}

impl Repeats {
    /// Whether this frame belongs to a block that was read before. Frames that cannot tell do if those before them did.
    #[inline]
    pub fn again(&mut self, frame: &Frame<'_>, stamp: Stamp, sender: &mut Sender) -> bool {
        let Stamp::BootMs(boot_ms) = stamp else { return sender.repeating.within() };
        let behind_ms = sender.clock.behind_ms(boot_ms);
        let telling = frame.message_id != SYSTEM_TIME;
        if behind_ms < 0 || behind_ms <= AGAIN_MS && !sender.repeating.within() {
            sender.repeating = Repeating::default();
            if telling {
                self.remember(key(frame, boot_ms));
            }
            return false;
        }
        let late = behind_ms <= LATE_MS;
        if telling {
            let known = self.known(key(frame, boot_ms));
            sender.repeating.judge(boot_ms, known, !late);
            if late && !known {
                self.remember(key(frame, boot_ms));
            }
        }
        sender.repeating.within()
    }

    #[cold]
    fn known(&self, key: u64) -> bool {
        self.places.get(place(key)).is_some_and(|place| place.contains(&key))
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
}

impl Repeating {
    fn within(self) -> bool {
        self.borne_out > 0
    }

    /// The latest stamp in the order of the log: the clock's head, but for the end of a block that repeats.
    pub fn last_ms(self, clock: &BootClock) -> Option<i64> {
        let behind_ms = if self.within() { clock.behind_ms(self.known_ms) } else { 0 };
        clock.head_ms().map(|head| head - behind_ms)
    }

    /// A frame that was `known`, or one that may be forgotten since its stamp `fell`.
    fn judge(&mut self, boot_ms: u32, known: bool, fell: bool) {
        if known {
            (self.borne_out, self.known_ms) = ((self.borne_out + 1).min(MOST), boot_ms);
        } else if !fell || boot_ms.abs_diff(self.known_ms) > UNKNOWN_MS {
            self.borne_out = 0;
        } else {
            self.borne_out = (self.borne_out - 2).max(0);
        }
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
pub(super) fn mix(key: u64) -> u64 {
    let key = (key ^ key >> 30).wrapping_mul(0xBF58_476D_1CE4_E5B9);
    let key = (key ^ key >> 27).wrapping_mul(0x94D0_49BB_1331_11EB);
    key ^ key >> 31
}

#[inline]
fn place(key: u64) -> usize {
    key as usize % PLACES
}
