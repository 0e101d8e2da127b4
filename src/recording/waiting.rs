//! What waits for the next stamp of its sender, which is its upper time bound. Where that stamp shows a reboot, what was
//! sent behind it belongs to a clock that has not spoken yet: a HEARTBEAT of a freshly booted autopilot must not disarm the
//! aircraft that was in the air when its power failed. The frame counter, which begins anew at a boot, parts the two.

use super::{Sender, State};
use crate::clock::UtcSource;
use crate::table::RowId;

/// Rows that may wait for the next stamp of their sender; beyond, all of them go on without an upper bound.
const MOST_ROWS: usize = 2_048;
/// Votes for UTC that may.
const MOST_VOTES: usize = 16;

/// Rows and samples that wait for one sender.
#[derive(Debug, Default)]
pub(super) struct Waiting {
    rows: Vec<RowId>,
    signals: bool,
    /// GNSS time, Unix µs, where the clock stood, and whether the counter had not gone on by then.
    votes: Vec<(u64, i64, bool)>,
    /// The sender's counter did not go on meanwhile: at so many rows for the first time.
    stepped: Option<usize>,
}

impl Waiting {
    /// A row of a table waits.
    #[inline]
    pub fn row(&mut self, row: RowId) {
        if self.rows.len() >= MOST_ROWS {
            self.rows.clear();
            self.stepped = self.stepped.map(|_| 0);
        }
        self.rows.push(row);
    }

    /// A sample of the vehicle's signals does.
    #[inline]
    pub fn signal(&mut self) {
        self.signals = true;
    }

    /// A vote for UTC does.
    pub fn vote(&mut self, unix_us: u64, boot_ms: i64) {
        if self.votes.len() < MOST_VOTES {
            self.votes.push((unix_us, boot_ms, self.stepped()));
        }
    }

    /// The sender's counter did not go on.
    pub fn step(&mut self) {
        self.stepped.get_or_insert(self.rows.len());
    }

    /// Whether it did not since the latest stamp.
    #[inline]
    pub fn stepped(&self) -> bool {
        self.stepped.is_some()
    }
}

impl Sender {
    /// Notes the counter of its next frame.
    #[inline]
    pub fn count(&mut self, sequence: u8) {
        if sequence != self.count.last_sequence.wrapping_add(1) && self.count.frames > 1 {
            self.waiting.step();
        }
        self.count.count(sequence);
    }
}

impl State<'_> {
    /// What waits on this sender's clock gets its upper bound.
    #[inline]
    pub fn resolve(&mut self, index: usize, latest_ms: i64) {
        let Some(sender) = self.senders.get_mut(index) else { return };
        sender.waiting.stepped = None;
        if sender.waiting.signals || !sender.waiting.rows.is_empty() {
            self.resolve_all(index, latest_ms);
        }
    }

    fn resolve_all(&mut self, index: usize, latest_ms: i64) {
        let Some(sender) = self.senders.get_mut(index) else { return };
        if let Some(tables) = &mut self.tables {
            for row in sender.waiting.rows.drain(..) {
                tables.resolve(row, latest_ms);
            }
        }
        if std::mem::take(&mut sender.waiting.signals)
            && let Some(boot) =
                sender.vehicle.and_then(|v| self.vehicles.get_mut(v)?.vehicle.boots.last_mut())
        {
            boot.signals.resolve(latest_ms);
            for (unix_us, boot_ms, _) in sender.waiting.votes.drain(..) {
                boot.votes.vote(UtcSource::Gnss, unix_us, boot_ms);
            }
        }
    }

    /// The sender was booted anew meanwhile: what waits from before gets its upper bound. What came behind the first step
    /// of its counter, or all where that went on, has no known time.
    #[cold]
    pub fn rebooted(&mut self, index: usize, latest_ms: i64) {
        let Some(sender) = self.senders.get_mut(index) else { return };
        let Waiting { rows, signals, votes, stepped } = std::mem::take(&mut sender.waiting);
        let before = stepped.unwrap_or(0);
        if let Some(tables) = &mut self.tables {
            for (number, row) in rows.into_iter().enumerate() {
                if number < before {
                    tables.resolve(row, latest_ms);
                } else {
                    tables.displace(row);
                }
            }
        }
        if signals
            && let Some(boot) =
                sender.vehicle.and_then(|v| self.vehicles.get_mut(v)?.vehicle.boots.last_mut())
        {
            if stepped.is_none() {
                return boot.signals.forget_waiting();
            }
            boot.signals.forget_doubted(latest_ms);
            for (unix_us, boot_ms, _) in votes.into_iter().filter(|(_, _, behind_step)| !behind_step) {
                boot.votes.vote(UtcSource::Gnss, unix_us, boot_ms);
            }
        }
    }

    /// What waits on this sender's clock gets no upper bound, and no method reads it.
    #[cold]
    pub fn forget(&mut self, index: usize) {
        let Some(sender) = self.senders.get_mut(index) else { return };
        let waiting = std::mem::take(&mut sender.waiting);
        if waiting.signals
            && let Some(boot) =
                sender.vehicle.and_then(|v| self.vehicles.get_mut(v)?.vehicle.boots.last_mut())
        {
            boot.signals.forget_waiting();
        }
    }
}
