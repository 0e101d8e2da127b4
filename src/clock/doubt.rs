//! What is doubtful about the UTC of a boot session, as data and as a sentence.

use super::UtcSource;
use std::fmt;

/// One doubt.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum UtcDoubt {
    /// Two sources differ by more than seconds.
    Apart {
        /// The one.
        source: UtcSource,
        /// The one that UTC is taken from.
        taken: UtcSource,
        /// How far `source` is ahead of it, microseconds; negative: behind.
        ahead_us: i64,
    },
    /// A source does not keep pace with the boot clock: it was stepped, or runs at another rate.
    Moves {
        /// Which.
        source: UtcSource,
        /// By how much within the session, microseconds.
        by_us: i64,
    },
    /// A source was off by whole rounds of the GPS week counter; another one confirmed it, and it was corrected.
    Rollover {
        /// Which.
        source: UtcSource,
        /// Rounds of 1024 weeks that were added.
        rounds: i64,
    },
    /// A source gives dates too early to be true, and no other confirms a rollover: it is not taken.
    Early {
        /// Which.
        source: UtcSource,
        /// What it gives for the boot, Unix microseconds.
        boot_unix_us: i64,
    },
}

impl UtcDoubt {
    /// True if both are of one kind about the same sources.
    pub fn is_like(&self, other: &UtcDoubt) -> bool {
        use UtcDoubt::{Apart, Early, Moves, Rollover};
        match (self, other) {
            (Apart { source: a, taken: b, .. }, Apart { source, taken, .. }) => (a, b) == (source, taken),
            (Moves { source: a, .. }, Moves { source, .. })
            | (Rollover { source: a, .. }, Rollover { source, .. })
            | (Early { source: a, .. }, Early { source, .. }) => a == source,
            _ => false,
        }
    }
}

impl fmt::Display for UtcDoubt {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match *self {
            UtcDoubt::Apart { source, taken, ahead_us } => {
                let direction = if ahead_us < 0 { "behind" } else { "ahead of" };
                let apart = Length(ahead_us);
                write!(f, "{} {apart} {direction} {}", Is(source), taken.name())
            }
            UtcDoubt::Moves { source, by_us } => {
                let of = source.name();
                write!(f, "within a boot session, {of} shifted by {} against the boot clock", Length(by_us))
            }
            UtcDoubt::Rollover { source, rounds } => {
                let direction = if rounds < 0 { "ahead" } else { "behind" };
                let weeks = rounds.unsigned_abs() * 1024;
                write!(f, "{} {weeks} weeks {direction}, a rollover of the GPS week: corrected", Is(source))
            }
            UtcDoubt::Early { source, boot_unix_us } => {
                let day = jiff::Timestamp::from_microsecond(boot_unix_us)
                    .map_or_else(|_| "a date".to_owned(), |t| t.strftime("%Y-%m-%d").to_string());
                write!(f, "{} at {day}, taken as never set", Is(source))?;
                if source == UtcSource::Capture {
                    return Ok(());
                }
                f.write_str(": no other clock of the log confirms a rollover of the GPS week")
            }
        }
    }
}

/// A source with its verb.
struct Is(UtcSource);

impl fmt::Display for Is {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let verb = if self.0 == UtcSource::Capture { "are" } else { "is" };
        write!(f, "{} {verb}", self.0.name())
    }
}

/// A length of time without its sign, in its two largest units.
struct Length(i64);

impl fmt::Display for Length {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let seconds = (self.0.unsigned_abs() + 500_000) / 1_000_000;
        let (minutes, hours, days) = (seconds / 60, seconds / 3_600, seconds / 86_400);
        match (days, hours, minutes) {
            (0, 0, 0) => write!(f, "{seconds} s"),
            (0, 0, _) => write!(f, "{minutes} min {} s", seconds % 60),
            (0, ..) => write!(f, "{hours} h {} min", minutes % 60),
            _ => write!(f, "{days} d {} h", hours % 24),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn doubts_read_as_people_say_them() {
        let (capture, system_time) = (UtcSource::Capture, UtcSource::SystemTime);
        // 1173657600: `date -u -d 2007-03-12 +%s`.
        let cases = [
            (
                UtcDoubt::Apart { source: capture, taken: system_time, ahead_us: 7_200_000_000 },
                "capture stamps are 2 h 0 min ahead of SYSTEM_TIME",
            ),
            (
                UtcDoubt::Apart { source: UtcSource::Gnss, taken: system_time, ahead_us: -200_400_000 },
                "GNSS time is 3 min 20 s behind SYSTEM_TIME",
            ),
            (
                UtcDoubt::Moves { source: system_time, by_us: 115_835_000_000 },
                "within a boot session, SYSTEM_TIME shifted by 1 d 8 h against the boot clock",
            ),
            (
                UtcDoubt::Rollover { source: UtcSource::Gnss, rounds: 2 },
                "GNSS time is 2048 weeks behind, a rollover of the GPS week: corrected",
            ),
            (
                UtcDoubt::Early { source: system_time, boot_unix_us: 1_173_657_600_000_000 },
                "SYSTEM_TIME is at 2007-03-12, taken as never set: no other clock of the log confirms a rollover \
                 of the GPS week",
            ),
            (
                UtcDoubt::Early { source: capture, boot_unix_us: 1_173_657_600_000_000 },
                "capture stamps are at 2007-03-12, taken as never set",
            ),
        ];
        for (doubt, sentence) in cases {
            assert_eq!(doubt.to_string(), sentence);
        }
    }
}
