//! What a log lost, where, and when: the rows of the `integrity` table. Memory is bounded: losses of one kind and
//! sender that lie near each other share a row, and the nearer distance grows with their number.

use crate::wire::{Fill, Gap};
use std::collections::HashMap;

/// Most rows kept.
const CAPACITY: usize = 16_384;
/// Missing frames of a sender within so many bytes share a row from the beginning: about a second of a link.
const NEAR_BYTES: u64 = 4_096;
/// Beyond this distance, rows of several boot sessions and then of several senders share one instead.
const FARTHEST_BYTES: u64 = 1 << 32;

/// What was lost, or is not as it should be.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum LossKind {
    /// Heads of defined messages whose checksum failed, with the bytes around them.
    DamagedFrame,
    /// A run of zero bytes: a block that was never written.
    Zeros,
    /// A run of 0xFF bytes: erased flash.
    Ones,
    /// The recording ends within a frame.
    CutFrame,
    /// Bytes that are part of no frame.
    Garbage,
    /// Frames missing by the sender's counter and, in a hole, its pace before it.
    Sequence,
    /// A clock that leapt: the sender's, or the capture stamps against it.
    TimeJump,
    /// Time without a message of the vehicle: a hole that measures do not bridge.
    Silence,
    /// Frames that stand in the recording again, as a block that was written twice; from the first one's time to where
    /// the clock stood. They are kept in the tables without a time, and no measure reads them.
    Repeat,
    /// A place where the packet capture is damaged or incomplete.
    Container,
}

impl LossKind {
    /// The word used in machine output.
    pub fn word(self) -> &'static str {
        match self {
            LossKind::DamagedFrame => "damaged_frame",
            LossKind::Zeros => "zeros",
            LossKind::Ones => "ones",
            LossKind::CutFrame => "cut_frame",
            LossKind::Garbage => "garbage",
            LossKind::Sequence => "sequence",
            LossKind::TimeJump => "time_jump",
            LossKind::Silence => "silence",
            LossKind::Repeat => "repeat",
            LossKind::Container => "container",
        }
    }
}

/// One loss, or several of a kind near each other.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Loss {
    /// What.
    pub kind: LossKind,
    /// Where it begins in the recording.
    pub offset: u64,
    /// Where it ends: the first byte behind it.
    pub end_offset: u64,
    /// Bytes that are part of no frame.
    pub bytes: u64,
    /// Frames damaged, missing or read again; a lower bound for bytes that hold no readable head.
    pub frames: u64,
    /// Whose clock the times are on, and whose frames are missing.
    pub system_id: Option<u32>,
    /// Component of the missing frames; `None` for bytes.
    pub component_id: Option<u8>,
    /// Boot session, counted from 0.
    pub boot: Option<u16>,
    /// Last instant before it, milliseconds since boot.
    pub from_ms: Option<i64>,
    /// First instant behind it, milliseconds since boot; `None` if nothing follows.
    pub to_ms: Option<i64>,
}

type Key = (LossKind, Option<u32>, Option<u8>, Option<u16>);

/// What rows must have in common to be joined.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
enum Common {
    /// Kind, sender and boot session.
    #[default]
    Session,
    /// Kind and sender: thousands of boots.
    Sender,
    /// Kind alone: thousands of senders.
    Kind,
}

impl Loss {
    /// The kind and extent of a gap between frames, without a time yet.
    pub(super) fn of_gap(gap: &Gap) -> Loss {
        let kind = match gap.fill {
            Fill::Zeros => LossKind::Zeros,
            Fill::Ones => LossKind::Ones,
            Fill::Cut => LossKind::CutFrame,
            Fill::Mixed if gap.frames_bad_crc > 0 => LossKind::DamagedFrame,
            Fill::Mixed => LossKind::Garbage,
        };
        let frames = gap.frames_bad_crc.max(u64::from(kind == LossKind::CutFrame));
        Loss { frames, ..Loss::at(kind, gap.offset, gap.len) }
    }

    /// A loss at a place, without frames, sender and time.
    pub(super) fn at(kind: LossKind, offset: u64, bytes: u64) -> Loss {
        Loss {
            kind,
            offset,
            end_offset: offset + bytes,
            bytes,
            frames: 0,
            system_id: None,
            component_id: None,
            boot: None,
            from_ms: None,
            to_ms: None,
        }
    }

    fn key(&self, common: Common) -> Key {
        match common {
            Common::Session => (self.kind, self.system_id, self.component_id, self.boot),
            Common::Sender => (self.kind, self.system_id, self.component_id, None),
            Common::Kind => (self.kind, None, None, None),
        }
    }

    fn absorb(&mut self, later: &Loss) {
        self.end_offset = self.end_offset.max(later.end_offset);
        self.bytes += later.bytes;
        self.frames += later.frames;
        if (self.system_id, self.boot) == (later.system_id, later.boot) {
            self.to_ms = later.to_ms;
        } else {
            // No one clock tells of both.
            (self.boot, self.from_ms, self.to_ms) = (None, None, None);
        }
        if (self.system_id, self.component_id) != (later.system_id, later.component_id) {
            (self.system_id, self.component_id) = (None, None);
        }
    }
}

/// The losses of a log, in the order they were met.
#[derive(Debug, Default)]
pub(super) struct Losses {
    kept: Vec<Loss>,
    /// The latest row of each kind and sender.
    latest: HashMap<Key, usize>,
    /// Rows that wait for the first instant behind them, by the system whose clock tells it.
    open: HashMap<Option<u32>, Vec<usize>>,
    near_bytes: u64,
    common: Common,
}

impl Losses {
    pub fn add(&mut self, loss: Loss) {
        let counted = matches!(loss.kind, LossKind::Sequence | LossKind::Repeat);
        let near = if counted { self.near_bytes.max(NEAR_BYTES) } else { self.near_bytes };
        if let Some(index) = self.latest.get(&loss.key(self.common)).copied()
            && let Some(row) = self.kept.get_mut(index)
            && self::near(row, &loss, near)
        {
            let waits = row.to_ms.is_none();
            row.absorb(&loss);
            if loss.to_ms.is_none() && !waits {
                self.wait(index, loss.system_id);
            }
            return;
        }
        if self.kept.len() >= CAPACITY {
            self.thin();
        }
        let index = self.kept.len();
        self.latest.insert(loss.key(self.common), index);
        if loss.to_ms.is_none() {
            self.wait(index, loss.system_id);
        }
        self.kept.push(loss);
    }

    fn wait(&mut self, index: usize, system_id: Option<u32>) {
        // A row of several sessions is on no clock.
        if self.common == Common::Session {
            self.open.entry(system_id).or_default().push(index);
        }
    }

    /// True if rows wait for [`Losses::close`].
    pub fn is_open(&self) -> bool {
        !self.open.is_empty()
    }

    /// The next instant of `system_id` is behind every loss before it. Those before any clock was heard are given
    /// the end alone.
    pub fn close(&mut self, system_id: u32, boot: u16, to_ms: i64) {
        for waiting in [None, Some(system_id)] {
            for index in self.open.remove(&waiting).unwrap_or_default() {
                let Some(row) = self.kept.get_mut(index) else { continue };
                // Another boot session's clock says nothing of this one.
                if row.system_id.is_some() && row.boot != Some(boot) {
                    continue;
                }
                row.system_id = Some(system_id);
                row.boot = Some(boot);
                row.to_ms = Some(to_ms.max(row.from_ms.unwrap_or(to_ms)));
            }
        }
    }

    /// Ends a file of the recording: offsets begin anew, so nothing behind is near anything before.
    pub fn next_part(&mut self) {
        self.latest.clear();
    }

    /// Joins neighbours until half of the rows are free.
    fn thin(&mut self) {
        while self.kept.len() > CAPACITY / 2 {
            match (self.near_bytes, self.common) {
                (..FARTHEST_BYTES, _) => self.near_bytes = (self.near_bytes * 2).max(NEAR_BYTES),
                (_, Common::Session) => self.common = Common::Sender,
                (_, Common::Sender) => self.common = Common::Kind,
                (_, Common::Kind) => self.near_bytes = u64::MAX,
            }
            let before = std::mem::take(&mut self.kept);
            self.latest.clear();
            self.open.clear();
            for loss in before {
                let key = loss.key(self.common);
                match self.latest.get(&key).and_then(|index| self.kept.get_mut(*index)) {
                    Some(row) if near(row, &loss, self.near_bytes) => row.absorb(&loss),
                    _ => {
                        self.latest.insert(key, self.kept.len());
                        self.kept.push(loss);
                    }
                }
            }
            if self.near_bytes == u64::MAX {
                break;
            }
        }
    }

    /// All of them, by place.
    pub fn finish(mut self) -> Vec<Loss> {
        self.kept.sort_by_key(|loss| (loss.offset, loss.kind, loss.system_id, loss.component_id));
        self.kept
    }
}

/// Behind the row in the same file, and no farther than that.
fn near(row: &Loss, loss: &Loss, bytes: u64) -> bool {
    loss.offset.checked_sub(row.offset).is_some_and(|distance| distance < bytes)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn missing(offset: u64, frames: u64) -> Loss {
        Loss { frames, system_id: Some(1), component_id: Some(1), ..Loss::at(LossKind::Sequence, offset, 0) }
    }

    #[test]
    fn memory_is_bounded_and_nothing_is_lost_from_the_count() {
        let mut losses = Losses::default();
        let all = 1_000_000u64;
        for number in 0..all {
            losses.add(Loss { to_ms: Some(number as i64), ..missing(number * 5_000, 2) });
        }
        let rows = losses.finish();
        assert!(rows.len() <= CAPACITY);
        assert_eq!(rows.iter().map(|row| row.frames).sum::<u64>(), 2 * all);
        assert_eq!(rows.first().map(|row| row.offset), Some(0));
        assert_eq!(rows.last().and_then(|row| row.to_ms), Some(all as i64 - 1));
    }

    #[test]
    fn many_senders_and_boots_cannot_fill_it_either() {
        for (senders, boots) in [(60_000u32, 1u16), (1, 60_000), (300, 300)] {
            let mut losses = Losses::default();
            let mut all = 0u64;
            for sender in 0..senders {
                for boot in 0..boots {
                    let row = missing(all * 50, 1);
                    losses.add(Loss {
                        system_id: Some(sender),
                        boot: Some(boot),
                        to_ms: all.is_multiple_of(2).then_some(5),
                        ..row
                    });
                    all += 1;
                }
            }
            let rows = losses.finish();
            assert!(rows.len() <= CAPACITY);
            assert_eq!(rows.iter().map(|row| row.frames).sum::<u64>(), all);
        }
    }

    #[test]
    fn the_next_file_begins_with_rows_of_its_own() {
        let mut losses = Losses::default();
        losses.add(Loss { to_ms: Some(1), ..missing(5_000_000, 1) });
        losses.next_part();
        losses.add(Loss { to_ms: Some(2), ..missing(1_000, 1) });
        losses.add(Loss { to_ms: Some(3), ..missing(2_000_000, 1) });
        assert_eq!(losses.finish().len(), 3);
    }

    #[test]
    fn a_loss_lies_between_the_instants_before_and_behind_it() {
        let mut losses = Losses::default();
        let gap = Loss {
            system_id: Some(1),
            boot: Some(0),
            from_ms: Some(500),
            ..Loss::at(LossKind::Garbage, 9, 4)
        };
        losses.add(gap);
        losses.close(2, 0, 77);
        assert!(losses.is_open(), "another vehicle's clock does not end it");
        losses.close(1, 0, 900);
        let rows = losses.finish();
        assert_eq!((rows[0].from_ms, rows[0].to_ms), (Some(500), Some(900)));
    }
}
