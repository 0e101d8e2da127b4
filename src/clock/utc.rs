//! UTC bound to boot time by the median of many offsets, so that a late fix, a step or a few wrong
//! stamps do not move it. Best source first: SYSTEM_TIME, GNSS time, capture stamps.

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
}

/// UTC of one boot session.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct UtcBinding {
    /// What it rests on.
    pub source: UtcSource,
    /// Unix microseconds of boot.
    pub boot_unix_us: i64,
}

impl UtcBinding {
    /// Unix microseconds of a boot instant.
    pub fn unix_us(&self, boot_ms: i64) -> i64 {
        self.boot_unix_us + boot_ms * 1000
    }
}

/// Votes kept per source; beyond that every second one is dropped.
const MAX_VOTES: usize = 4096;
/// 2010-01-01: earlier dates are clocks that were never set.
const SET_FROM_US: i64 = 1_262_304_000_000_000;
const SET_UNTIL_US: i64 = 4_102_444_800_000_000;

/// Offsets seen in one boot session.
#[derive(Debug, Clone, Default)]
pub struct UtcVotes {
    votes: [Thinned; 3],
}

#[derive(Debug, Clone, Default)]
struct Thinned {
    kept: Vec<i64>,
    offered: usize,
    shift: u32,
}

impl Thinned {
    fn push(&mut self, value: i64) {
        if self.offered & ((1 << self.shift) - 1) == 0 {
            self.kept.push(value);
            if self.kept.len() >= MAX_VOTES {
                let mut index = 0usize;
                self.kept.retain(|_| {
                    index += 1;
                    index % 2 == 1
                });
                self.shift += 1;
            }
        }
        self.offered += 1;
    }

    fn quantile(&self, numerator: usize, denominator: usize) -> Option<i64> {
        let mut sorted = self.kept.clone();
        sorted.sort_unstable();
        sorted.get((sorted.len().checked_sub(1)?) * numerator / denominator).copied()
    }
}

impl UtcVotes {
    /// One pair of Unix microseconds and boot milliseconds; a date before 2010 is no date.
    pub fn vote(&mut self, source: UtcSource, unix_us: u64, boot_ms: i64) {
        let Ok(unix_us) = i64::try_from(unix_us) else { return };
        if (SET_FROM_US..SET_UNTIL_US).contains(&unix_us) {
            let slot = match source {
                UtcSource::SystemTime => 0,
                UtcSource::Gnss => 1,
                UtcSource::Capture => 2,
                UtcSource::Told => return,
            };
            if let Some(votes) = self.votes.get_mut(slot) {
                votes.push(unix_us - boot_ms * 1000);
            }
        }
    }

    /// The best source's offset: its median, or for capture stamps, which are never early, the first decile.
    pub fn binding(&self) -> Option<UtcBinding> {
        let [system_time, gnss, capture] = &self.votes;
        let bind = |source, offset| UtcBinding { source, boot_unix_us: offset };
        (system_time.quantile(1, 2).map(|o| bind(UtcSource::SystemTime, o)))
            .or_else(|| gnss.quantile(1, 2).map(|o| bind(UtcSource::Gnss, o)))
            .or_else(|| capture.quantile(1, 10).map(|o| bind(UtcSource::Capture, o)))
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
        let want = UtcBinding { source: UtcSource::SystemTime, boot_unix_us: boot_unix_us as i64 };
        assert_eq!(votes.binding(), Some(want));
    }

    #[test]
    fn without_any_date_there_is_no_binding() {
        let mut votes = UtcVotes::default();
        votes.vote(UtcSource::SystemTime, 0, 100);
        assert_eq!(votes.binding(), None);
    }
}
