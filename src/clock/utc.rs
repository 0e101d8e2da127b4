//! UTC bound to boot time by the median of many offsets, so that a late fix, a step or a few wrong
//! stamps do not move it. Best source first: SYSTEM_TIME, GNSS time, capture stamps.
//!
//! GPS counts weeks in 10 bits (IS-GPS-200, 20.3.3.3.1.1; number from memory): a receiver that does not know the
//! round gives dates that are off by 1024 weeks or a multiple. Such a date is corrected only if another clock of the
//! log confirms it within a day: a recording computer, or, where dates are too early to be true, the other one of
//! SYSTEM_TIME and GNSS.

use super::doubt::UtcDoubt;
use super::votes::Thinned;

/// UTC of boot of one boot session, from two parts or two recordings of it, differs at most by this.
pub const SAME_BOOT_US: i64 = 2_000_000;

/// Where UTC came from.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum UtcSource {
    /// SYSTEM_TIME pairs both clocks.
    SystemTime,
    /// A Unix-sized `time_usec` in GPS_RAW_INT.
    Gnss,
    /// Stamps of the recording computer: late by the link delay, as right as its clock.
    Capture,
    /// A person said so.
    Told,
}

impl UtcSource {
    /// The word used in machine output.
    pub fn word(self) -> &'static str {
        match self {
            UtcSource::SystemTime => "system_time",
            UtcSource::Gnss => "gnss",
            UtcSource::Capture => "capture",
            UtcSource::Told => "told",
        }
    }

    /// The words used in sentences.
    pub fn name(self) -> &'static str {
        match self {
            UtcSource::SystemTime => "SYSTEM_TIME",
            UtcSource::Gnss => "GNSS time",
            UtcSource::Capture => "capture stamps",
            UtcSource::Told => "the time told",
        }
    }
}

/// UTC of one boot session.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct UtcBinding {
    /// What it rests on.
    pub source: UtcSource,
    /// Unix microseconds of boot.
    pub boot_unix_us: i64,
    /// The same by the source's first and by its last stamps: others where it was stepped in between.
    pub by_ends_us: (i64, i64),
}

impl UtcBinding {
    /// A binding by a source that does not move.
    pub fn steady(source: UtcSource, boot_unix_us: i64) -> Self {
        UtcBinding { source, boot_unix_us, by_ends_us: (boot_unix_us, boot_unix_us) }
    }

    /// The same, later by so many microseconds, by another source's word.
    #[must_use]
    pub fn shifted(&self, source: UtcSource, by_us: i64) -> Self {
        let shifted = |us: i64| us.saturating_add(by_us);
        let (first, last) = self.by_ends_us;
        let by_ends_us = (shifted(first), shifted(last));
        UtcBinding { source, boot_unix_us: shifted(self.boot_unix_us), by_ends_us }
    }

    /// Unix microseconds of a boot instant.
    pub fn unix_us(&self, boot_ms: i64) -> i64 {
        self.boot_unix_us.saturating_add(boot_ms.saturating_mul(1000))
    }
}

/// 2010-01-01: earlier dates are clocks that were never set, or a GPS week that rolled over.
const SET_FROM_US: i64 = 1_262_304_000_000_000;
const SET_UNTIL_US: i64 = 4_102_444_800_000_000;
/// 1980-03-01: a GPS receiver that knows nothing begins at 1980-01-06.
const EARLY_FROM_US: i64 = 320_716_800_000_000;
/// 1024 weeks.
const ROUND_US: i64 = 619_315_200_000_000;
/// How near another clock must be after a correction: it may be set to local time.
const CONFIRM_US: i64 = 86_400_000_000;
/// Sources that differ by more are told; links are late by seconds at worst.
const APART_US: i64 = 10_000_000;
/// The sources that vote, best first.
const SOURCES: [UtcSource; 3] = [UtcSource::SystemTime, UtcSource::Gnss, UtcSource::Capture];

/// Offsets seen in one boot session.
#[derive(Debug, Clone, Default)]
pub struct UtcVotes {
    votes: [Ballot; 3],
}

/// Offsets of one source: Unix microseconds of boot.
#[derive(Debug, Clone, Default)]
struct Ballot {
    set: Thinned,
    /// From dates before 2010, kept in case that they are off by rounds of the GPS week.
    early: Thinned,
}

impl Ballot {
    fn binding(votes: &Thinned, source: UtcSource) -> Option<UtcBinding> {
        let steady = UtcBinding::steady(source, Self::offset(votes, source)?);
        // Stamps of the recording computer scatter with the link.
        let by_ends_us = votes.ends().filter(|_| source != UtcSource::Capture).unwrap_or(steady.by_ends_us);
        Some(UtcBinding { by_ends_us, ..steady })
    }

    /// The median, or for capture stamps, which are never early, the first decile.
    fn offset(votes: &Thinned, source: UtcSource) -> Option<i64> {
        if source == UtcSource::Capture { votes.quantile(1, 10) } else { votes.quantile(1, 2) }
    }
}

impl UtcVotes {
    /// One pair of Unix microseconds and boot milliseconds.
    pub fn vote(&mut self, source: UtcSource, unix_us: u64, boot_ms: i64) {
        let Ok(unix_us) = i64::try_from(unix_us) else { return };
        let Some(at) = SOURCES.iter().position(|known| *known == source) else { return };
        let Some(ballot) = self.votes.get_mut(at) else { return };
        let offset = unix_us - boot_ms * 1000;
        if (SET_FROM_US..SET_UNTIL_US).contains(&unix_us) {
            ballot.set.push(offset);
        } else if (EARLY_FROM_US..SET_FROM_US).contains(&unix_us) {
            ballot.early.push(offset);
        }
    }

    /// The best source's offset, and what is doubtful about it.
    pub fn judge(&self) -> (Option<UtcBinding>, Vec<UtcDoubt>) {
        let mut doubts = Vec::new();
        let mut offsets: [Option<UtcBinding>; 3] = [None; 3];
        for ((offset, ballot), source) in offsets.iter_mut().zip(&self.votes).zip(SOURCES) {
            let (binding, early) = match Ballot::binding(&ballot.set, source) {
                Some(binding) => (binding, false),
                None => match Ballot::binding(&ballot.early, source) {
                    Some(binding) => (binding, true),
                    None => continue,
                },
            };
            let given = binding.boot_unix_us;
            match self.rounds_missing(source, given, early) {
                Some(rounds) => {
                    *offset = Some(binding.shifted(source, rounds * ROUND_US));
                    doubts.push(UtcDoubt::Rollover { source, rounds });
                }
                None if early => doubts.push(UtcDoubt::Early { source, boot_unix_us: given }),
                None => *offset = Some(binding),
            }
            let by_us = ballot.set.spread();
            if by_us > APART_US {
                doubts.push(UtcDoubt::Moves { source, by_us });
            }
        }
        let mut known = offsets.into_iter().flatten();
        let Some(taken) = known.next() else { return (None, doubts) };
        doubts.extend(known.filter_map(|UtcBinding { source, boot_unix_us, .. }| {
            let ahead_us = boot_unix_us - taken.boot_unix_us;
            let taken = taken.source;
            (ahead_us.abs() > APART_US).then_some(UtcDoubt::Apart { source, taken, ahead_us })
        }));
        (Some(taken), doubts)
    }

    /// Rounds of the GPS week that are to be added to a source, if another one confirms it.
    fn rounds_missing(&self, source: UtcSource, given: i64, early: bool) -> Option<i64> {
        let [system_time, gnss, capture] = &self.votes;
        // The recording computer's clock is not GPS; the other two may come from the same receiver.
        let other = match source {
            UtcSource::SystemTime => gnss,
            UtcSource::Gnss => system_time,
            _ => return None,
        };
        let capture = Ballot::offset(&capture.set, UtcSource::Capture);
        let other = Ballot::offset(&other.set, UtcSource::SystemTime).filter(|_| early);
        [capture, other].into_iter().flatten().find_map(|reference| {
            let rounds = (reference - given + ROUND_US / 2).div_euclid(ROUND_US);
            let confirmed = (given + rounds * ROUND_US - reference).abs() <= CONFIRM_US;
            Some(rounds).filter(|rounds| *rounds != 0 && confirmed)
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_late_fix_and_a_step_do_not_move_the_median() {
        let mut votes = UtcVotes::default();
        let boot_unix_us = 1_790_000_000_000_000u64;
        for ms in (0..20_000i64).step_by(1000) {
            let unix = if ms < 4000 {
                315_964_800_000_000 + ms as u64 * 1000
            } else {
                boot_unix_us + ms as u64 * 1000
            };
            votes.vote(UtcSource::SystemTime, unix, ms);
            votes.vote(UtcSource::Capture, boot_unix_us + 7_200_000_000 + ms as u64 * 1000, ms);
        }
        votes.vote(UtcSource::SystemTime, boot_unix_us + 90_000_000_000, 20_000);
        let want = UtcBinding {
            by_ends_us: (boot_unix_us as i64, boot_unix_us as i64),
            ..UtcBinding::steady(UtcSource::SystemTime, boot_unix_us as i64)
        };
        assert_eq!(votes.judge().0, Some(want));
    }

    #[test]
    fn without_any_date_there_is_no_binding() {
        let mut votes = UtcVotes::default();
        votes.vote(UtcSource::SystemTime, 0, 100);
        assert_eq!(votes.judge(), (None, Vec::new()));
    }

    /// 2026-09-22T00:53:20Z (`date -u -d @1790000000`), when the clocks of these tests booted, in microseconds.
    const BOOT_US: i64 = 1_790_000_000_000_000;

    /// Votes every second for a minute, `off_us` microseconds off.
    fn minute(votes: &mut UtcVotes, source: UtcSource, off_us: i64) {
        for ms in (0..60_000).step_by(1000) {
            votes.vote(source, (BOOT_US + off_us + ms * 1000) as u64, ms);
        }
    }

    fn judged(sources: &[(UtcSource, i64)]) -> (Option<(UtcSource, i64)>, Vec<UtcDoubt>) {
        let mut votes = UtcVotes::default();
        sources.iter().for_each(|(source, off_us)| minute(&mut votes, *source, *off_us));
        let (binding, doubts) = votes.judge();
        (binding.map(|b| (b.source, b.boot_unix_us - BOOT_US)), doubts)
    }

    const WEEK_US: i64 = 7 * 86_400_000_000;
    const HOUR_US: i64 = 3_600_000_000;
    use UtcSource::{Capture, Gnss, SystemTime};

    #[test]
    fn sources_that_disagree_are_told() {
        let (utc, doubts) = judged(&[(SystemTime, 0), (Gnss, -3 * HOUR_US), (Capture, 2 * HOUR_US)]);
        assert_eq!(utc, Some((SystemTime, 0)));
        let apart = |source, ahead_us| UtcDoubt::Apart { source, taken: SystemTime, ahead_us };
        assert_eq!(doubts, [apart(Gnss, -3 * HOUR_US), apart(Capture, 2 * HOUR_US)]);
        // Ten seconds of link are not worth a word (value of this crate).
        assert_eq!(judged(&[(SystemTime, 0), (Capture, 10_000_000)]).1, []);
        assert_eq!(judged(&[(Gnss, 0), (Capture, 10_000_001)]).1.len(), 1);
    }

    #[test]
    fn a_rolled_week_is_corrected_where_another_clock_confirms_it() {
        for rounds in [1, 2] {
            let behind = -rounds * 1024 * WEEK_US;
            for (source, other) in
                [(SystemTime, Capture), (SystemTime, Gnss), (Gnss, SystemTime), (Gnss, Capture)]
            {
                let (utc, doubts) = judged(&[(source, behind), (other, 0)]);
                assert_eq!(utc.map(|u| u.1), Some(0), "{source:?} by {other:?}, {rounds}");
                assert_eq!(doubts, [UtcDoubt::Rollover { source, rounds }]);
            }
        }
        // The corrected clock leads, and the other's fault is told: 19.6 years, and two hours.
        let (utc, doubts) = judged(&[(SystemTime, -1024 * WEEK_US), (Capture, -2 * HOUR_US)]);
        assert_eq!(utc, Some((SystemTime, 0)));
        assert_eq!(doubts[1], UtcDoubt::Apart { source: Capture, taken: SystemTime, ahead_us: -2 * HOUR_US });
        // Ahead: only a clock that is not GPS can say which one is wrong.
        let ahead = judged(&[(SystemTime, 1024 * WEEK_US), (Capture, 0)]);
        assert_eq!((ahead.0, ahead.1.len()), (Some((SystemTime, 0)), 1));
        let unsure = judged(&[(SystemTime, 1024 * WEEK_US), (Gnss, 0)]);
        assert!(matches!(unsure.1[..], [UtcDoubt::Apart { source: Gnss, .. }]), "{:?}", unsure.1);
    }

    #[test]
    fn a_rolled_week_that_nothing_confirms_is_no_date() {
        let rolled = -1024 * WEEK_US;
        let early = |source| UtcDoubt::Early { source, boot_unix_us: BOOT_US + rolled };
        assert_eq!(judged(&[(SystemTime, rolled)]), (None, vec![early(SystemTime)]));
        // Two that rolled over alike come from one receiver.
        assert_eq!(
            judged(&[(SystemTime, rolled), (Gnss, rolled)]),
            (None, vec![early(SystemTime), early(Gnss)])
        );
        // 25 hours are too far off.
        let far = judged(&[(SystemTime, rolled), (Capture, 25 * HOUR_US)]);
        assert_eq!(far, (Some((Capture, 25 * HOUR_US)), vec![early(SystemTime)]));
        let near = judged(&[(SystemTime, rolled), (Capture, 23 * HOUR_US)]);
        assert_eq!(near.0, Some((SystemTime, 0)));
        // A recording computer does not count GPS weeks.
        assert_eq!(
            judged(&[(SystemTime, 0), (Capture, rolled)]),
            (Some((SystemTime, 0)), vec![early(Capture)])
        );
    }

    #[test]
    fn a_date_before_the_fix_is_not_taken_for_a_rollover() {
        let mut votes = UtcVotes::default();
        for ms in (0..60_000).step_by(1000) {
            // 1980-01-06 and 2000-01-01 (`date -u +%s`): where clocks without a fix begin.
            let start = match ms {
                0..20_000 => 315_964_800_000_000,
                20_000..50_000 => 946_684_800_000_000,
                _ => BOOT_US,
            };
            votes.vote(SystemTime, (start + ms * 1000) as u64, ms);
        }
        let (binding, doubts) = votes.judge();
        assert_eq!(binding.map(|b| b.boot_unix_us), Some(BOOT_US));
        assert_eq!(doubts, []);
    }

    #[test]
    fn a_step_is_told_and_the_greater_part_counts() {
        let mut votes = UtcVotes::default();
        minute(&mut votes, SystemTime, 0);
        minute(&mut votes, SystemTime, 0);
        minute(&mut votes, SystemTime, HOUR_US);
        let (binding, doubts) = votes.judge();
        assert_eq!(binding.map(|b| b.boot_unix_us), Some(BOOT_US));
        assert_eq!(doubts, [UtcDoubt::Moves { source: SystemTime, by_us: HOUR_US }]);
    }
}
