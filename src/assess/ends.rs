//! What a log's senders and clocks say at its beginning and its end: by that logs are known to be parts or copies of one
//! another. Kept as JSON in the log's row.

use super::joint::hex;
use crate::clock::UtcSource;
use crate::recording::situation::Situation;
use crate::recording::{BootSession, Recording, SenderCount, Vehicle};
use serde::{Deserialize, Serialize};

/// Both ends of a log.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct Ends {
    /// Every sender.
    pub senders: Vec<SenderCount>,
    /// Unix microseconds of boot, by system: of its first and its last boot session; stamps of a recording computer
    /// do not count.
    pub boots: Vec<BootEnds>,
    /// What every system was doing at both ends, such as told no heartbeat of an autopilot, too.
    #[serde(default)]
    pub situations: Vec<Situations>,
    /// Bytes before the first frame, hex.
    #[serde(default)]
    pub head: String,
    /// Bytes behind the last frame, hex.
    #[serde(default)]
    pub tail: String,
}

/// UTC of a system's first and last boot session.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct BootEnds {
    /// The system.
    pub system_id: u32,
    /// Its boot sessions.
    #[serde(default)]
    pub sessions: u64,
    /// Unix microseconds of its first boot.
    pub first_us: Option<i64>,
    /// Unix microseconds of its last boot.
    pub last_us: Option<i64>,
    /// Unix microseconds of its first boot, by the first stamps alone: another where UTC was stepped later.
    #[serde(default)]
    pub begin_us: Option<i64>,
    /// Unix microseconds of its last boot, by the last stamps alone.
    #[serde(default)]
    pub end_us: Option<i64>,
    /// Hardware identities, as `fleet.toml` has them, in the order of the boot sessions: several if aircraft with the
    /// same system id followed one another.
    #[serde(default)]
    pub uids: Vec<String>,
    /// The first boot session told its own.
    #[serde(default)]
    pub first_uid_told: bool,
    /// The last one did.
    #[serde(default)]
    pub last_uid_told: bool,
}

/// What a system was doing.
#[derive(Debug, Clone, Copy, Default, PartialEq, Serialize, Deserialize)]
pub struct Situations {
    /// The system.
    pub system_id: u32,
    /// Its boot sessions.
    pub sessions: u64,
    /// As the first one begins.
    pub begin: Situation,
    /// As the last one ends.
    pub end: Situation,
    /// It was armed or in the air.
    pub set_off: bool,
}

impl Situations {
    fn of(vehicle: &Vehicle) -> Self {
        let as_sent = |boot_ms: i64| boot_ms.rem_euclid(1 << 32) as u32;
        let begin = |boot: &BootSession| Situation {
            at_ms: boot.span_ms.map(|(first_ms, _)| as_sent(first_ms)),
            ..boot.doing.begin()
        };
        let end = |boot: &BootSession| Situation {
            at_ms: boot.span_ms.map(|(_, last_ms)| as_sent(last_ms)),
            ..boot.doing.end()
        };
        Situations {
            system_id: vehicle.system_id,
            sessions: vehicle.boots.len() as u64,
            begin: vehicle.boots.first().map(begin).unwrap_or_default(),
            end: vehicle.boots.last().map(end).unwrap_or_default(),
            set_off: vehicle.boots.iter().any(|boot| boot.doing.set_off),
        }
    }

    /// Both as one. What the one does not tell is as in the other, while there is no boot between.
    fn and(&self, next: &Situations) -> Self {
        let (begin, end) = (self.begin, next.end);
        Situations {
            system_id: self.system_id,
            sessions: (self.sessions + next.sessions).saturating_sub(1),
            begin: if self.sessions <= 1 { begin.or(&next.begin) } else { begin },
            end: if next.sessions <= 1 { end.or(&self.end) } else { end },
            set_off: self.set_off || next.set_off,
        }
    }
}

/// Without neighbours that are equal.
fn uids(told: impl Iterator<Item = String>) -> Vec<String> {
    let mut uids: Vec<String> = told.collect();
    uids.dedup();
    uids
}

impl Ends {
    /// How many bytes of the frames that were cut at both ends are there: but for 0x00 and 0xFF, which may be space that
    /// was set aside, and all.
    pub fn cut(&self) -> (usize, usize) {
        let bytes = || [&self.head, &self.tail].into_iter().flat_map(|cut| cut.as_bytes().chunks_exact(2));
        (bytes().filter(|byte| !matches!(*byte, b"00" | b"ff")).count(), bytes().count())
    }

    /// The ends of a recording.
    pub fn of(recording: &Recording) -> Self {
        let boots = recording.vehicles.iter().map(|vehicle| {
            let told = |boot: Option<&BootSession>| boot?.utc.filter(|utc| utc.source < UtcSource::Capture);
            let (first, last) = (told(vehicle.boots.first()), told(vehicle.boots.last()));
            BootEnds {
                system_id: vehicle.system_id,
                sessions: vehicle.boots.len() as u64,
                first_us: first.map(|utc| utc.boot_unix_us),
                last_us: last.map(|utc| utc.boot_unix_us),
                begin_us: first.map(|utc| utc.by_ends_us.0),
                end_us: last.map(|utc| utc.by_ends_us.1),
                first_uid_told: vehicle.boots.first().is_some_and(|boot| boot.uid_told),
                last_uid_told: vehicle.boots.last().is_some_and(|boot| boot.uid_told),
                uids: if vehicle.boots.is_empty() {
                    vehicle.autopilot_uid.clone().into_iter().collect()
                } else {
                    uids(vehicle.boots.iter().filter_map(|boot| boot.autopilot_uid.clone()))
                },
            }
        });
        let (head, tail) = (hex(&recording.cut.head), hex(&recording.cut.tail));
        let systems = recording.vehicles.iter().chain(&recording.unheard);
        Ends {
            senders: recording.senders.clone(),
            boots: boots.collect(),
            situations: systems.map(Situations::of).collect(),
            head,
            tail,
        }
    }

    /// A sender as it is in this log.
    pub(super) fn sender(&self, like: &SenderCount) -> Option<&SenderCount> {
        let is = |s: &&SenderCount| (s.system_id, s.component_id) == (like.system_id, like.component_id);
        self.senders.iter().find(is)
    }

    /// Both as one: what is first in `self`, and last in `next`.
    pub(super) fn and(&self, next: &Ends) -> Ends {
        let one = |first: &SenderCount| {
            let last = next.sender(first).unwrap_or(first);
            SenderCount {
                frames: first.frames + next.sender(first).map_or(0, |last| last.frames),
                last_sequence: last.last_sequence,
                steps: first.steps + next.sender(first).map_or(0, |last| last.steps),
                backward: first.backward + next.sender(first).map_or(0, |last| last.backward),
                sent: first.sent + next.sender(first).map_or(0, |last| last.sent),
                falls: first.falls + next.sender(first).map_or(0, |last| last.falls),
                before_reboot: last.before_reboot,
                first_boot_ms: first.first_boot_ms.or(last.first_boot_ms),
                last_boot_ms: last.last_boot_ms.or(first.last_boot_ms),
                ..*first
            }
        };
        let new = next.senders.iter().filter(|sender| self.sender(sender).is_none());
        let both = |first: &BootEnds| {
            let Some(last) = next.boot(first.system_id) else { return first.clone() };
            // The session that goes on from the one to the other is the first of all, or the last, where it is the only one.
            let (to_last, to_first) = (first.sessions <= 1, last.sessions <= 1);
            let or = |own: Option<i64>, other: Option<i64>, same: bool| own.or(other.filter(|_| same));
            BootEnds {
                system_id: first.system_id,
                sessions: (first.sessions + last.sessions).saturating_sub(1),
                first_us: or(first.first_us, last.first_us, to_last),
                last_us: or(last.last_us, first.last_us, to_first),
                begin_us: or(first.begin_us, last.begin_us, to_last),
                end_us: or(last.end_us, first.end_us, to_first),
                first_uid_told: first.first_uid_told,
                last_uid_told: last.last_uid_told,
                uids: uids(first.uids.iter().chain(&last.uids).cloned()),
            }
        };
        let more = next.boots.iter().filter(|boot| self.boot(boot.system_id).is_none());
        let doing = |first: &Situations| next.doing(first.system_id).map_or(*first, |last| first.and(last));
        let others = next.situations.iter().filter(|last| self.doing(last.system_id).is_none());
        Ends {
            situations: self.situations.iter().map(doing).chain(others.copied()).collect(),
            senders: self.senders.iter().map(one).chain(new.copied()).collect(),
            boots: self.boots.iter().map(both).chain(more.cloned()).collect(),
            head: self.head.clone(),
            tail: next.tail.clone(),
        }
    }

    /// By how much these begin later than `other`, milliseconds by the clock of the sender that says most.
    pub fn later_ms(&self, other: &Ends) -> Option<i64> {
        let both =
            self.senders.iter().filter_map(|s| Some((s, s.first_boot_ms?, other.sender(s)?.first_boot_ms?)));
        both.max_by_key(|(sender, ..)| sender.frames).map(|(_, own_ms, first_ms)| own_ms - first_ms)
    }

    /// What a system was doing.
    pub(super) fn doing(&self, system_id: u32) -> Option<&Situations> {
        self.situations.iter().find(|system| system.system_id == system_id)
    }

    /// A system's boot sessions.
    pub(super) fn boot(&self, system_id: u32) -> Option<&BootEnds> {
        self.boots.iter().find(|boot| boot.system_id == system_id)
    }
}
