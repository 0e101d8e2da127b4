//! One sender's clock since boot.
//!
//! Stamps arrive slightly out of order (an estimator's message is older than the message sent before
//! it; up to 1.4 s was measured on real recordings), so the clock's head is the running maximum and only
//! a fall of seconds, confirmed by a second stamp, is a reboot. A leap forward beyond the stream's pace must be
//! confirmed as well: a single wild stamp moves nothing.
//!
//! That holds for the first stamp as well: until a second one agrees with it, it is provisional. If two others agree
//! with each other instead, the clock is set anew ([`Placed::anew`]), and what was placed by the first one has no
//! known time. The same happens when `time_boot_ms` comes after a moment of `time_usec` from another clock.

/// The time field of a message as sent.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Stamp {
    /// `time_boot_ms`: milliseconds since boot, wraps after 49.7 days.
    BootMs(u32),
    /// `time_usec`: microseconds since boot, or since 1970 when above 10¹⁵; 0 is unknown.
    Micros(u64),
    /// SERVO_OUTPUT_RAW's 32-bit `time_usec`: microseconds since boot modulo 71.6 minutes.
    Micros32(u32),
    /// The message has no time field.
    None,
}

/// Where a message lies on its sender's boot clock.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Placed {
    /// Boot session, counted from 0.
    pub boot: u16,
    /// Not before, in milliseconds since boot.
    pub earliest_ms: i64,
    /// Not after; `None` until the next stamp arrives.
    pub latest_ms: Option<i64>,
    /// This message moved the clock on: messages waiting for their upper bound get it now.
    pub advanced: bool,
    /// This message began a new boot session.
    pub rebooted: bool,
    /// The stamps before this one in the boot session were wrong: what was placed by them has no known time.
    pub anew: bool,
}

/// Largest ordinary lateness of a stamp; a fall beyond it may be a reboot.
pub const LATE_MS: i64 = 3_000;
/// Stamps in order with no more than this between them are a stream with holes.
const LEAP_MS: i64 = 600_000;
/// A leap forward beyond [`LATE_MS`] and twice the stream's pace must be confirmed by a second stamp, as a reboot must;
/// so near must that one be.
const CONFIRM_MS: i64 = 5_000;
/// The slowest pace that is believed.
const SLOWEST_MS: i64 = 30_000;
/// A `time_usec` counts as boot time only this near the clock; some senders stamp it with another clock.
const AGREE_MS: i64 = 5_000;
const UNIX_FROM_US: u64 = 1_000_000_000_000_000;
const WRAP_MS: i64 = 1 << 32;
const WRAP_US: i64 = 1 << 32;

/// The clock of one (system, component).
#[derive(Debug, Clone, Default)]
pub struct BootClock {
    boot: u16,
    head_ms: Option<i64>,
    suspect_ms: Option<i64>,
    has_boot_ms: bool,
    max_lag_ms: i64,
    /// From one stamp to the next later one.
    pace_ms: i64,
    /// First stamp of a clock that no `time_boot_ms` has confirmed.
    since_ms: i64,
    confirmed: bool,
    /// First and last `time_usec` of 32 bits before any other stamp.
    micros32_ms: Option<(i64, i64)>,
}

impl BootClock {
    /// Latest stamp seen in this boot session.
    pub fn head_ms(&self) -> Option<i64> {
        self.head_ms
    }

    /// First and last stamp of a clock that told no other than `time_usec` of 32 bits, milliseconds since boot modulo 71.6 minutes:
    /// nothing is placed by them.
    pub fn alone_ms(&self) -> Option<(i64, i64)> {
        self.micros32_ms.filter(|_| self.head_ms.is_none())
    }

    /// Boot session, counted from 0.
    pub fn boot(&self) -> u16 {
        self.boot
    }

    /// Whether the latest stamp lies so far before the head that one more like it would show a reboot.
    pub fn is_falling(&self) -> bool {
        self.suspect_ms.zip(self.head_ms).is_some_and(|(suspect, head)| suspect < head)
    }

    /// Greatest lateness of a stamp seen: how far "the next stamp" may lie before a message's true instant.
    pub fn max_lag_ms(&self) -> i64 {
        self.max_lag_ms
    }

    /// How far a `time_boot_ms` lies before the head, in milliseconds.
    #[inline]
    pub fn behind_ms(&self, boot_ms: u32) -> i64 {
        self.head_ms.map_or(0, |head| i64::from((head as u32).wrapping_sub(boot_ms) as i32))
    }

    /// Places one message; `None` while this clock has not seen any stamp.
    #[inline(always)]
    pub fn place(&mut self, stamp: Stamp) -> Option<Placed> {
        if let Stamp::None = stamp {
            return self.between();
        }
        // Nearly every stamp: the clock's own kind, a little later than the latest one.
        if let (Stamp::BootMs(ms), Some(head), true, None) =
            (stamp, self.head_ms, self.confirmed & self.has_boot_ms, self.suspect_ms)
        {
            let time_ms = (head & !(WRAP_MS - 1)) | i64::from(ms);
            let step_ms = time_ms - head;
            if (0..=LATE_MS).contains(&step_ms) {
                self.head_ms = Some(time_ms);
                self.pace_ms = if step_ms > 0 { step_ms } else { self.pace_ms };
                return Some(self.instant(time_ms, time_ms > head));
            }
        }
        self.place_any(stamp)
    }

    #[inline(never)]
    fn place_any(&mut self, stamp: Stamp) -> Option<Placed> {
        match stamp {
            Stamp::BootMs(ms) => {
                let unwrapped = nearest(i64::from(ms), WRAP_MS, self.head_ms);
                if !self.has_boot_ms {
                    self.has_boot_ms = true;
                    // A moment of another time field proves nothing against the clock's own.
                    self.confirmed &= self.head_ms.is_some_and(|head| head - self.since_ms > CONFIRM_MS);
                }
                self.reference(unwrapped, i64::from(ms))
            }
            Stamp::Micros(us) if us == 0 || us >= UNIX_FROM_US => self.between(),
            Stamp::Micros(us) => {
                let ms = i64::try_from(us / 1000).unwrap_or(i64::MAX);
                if self.has_boot_ms { self.secondary(ms) } else { self.reference(ms, ms) }
            }
            Stamp::Micros32(us) => match self.head_ms {
                Some(head) => self.secondary(nearest(i64::from(us), WRAP_US, Some(head * 1000)) / 1000),
                None => {
                    let ms = i64::from(us) / 1000;
                    self.micros32_ms = Some((self.micros32_ms.map_or(ms, |(first_ms, _)| first_ms), ms));
                    None
                }
            },
            Stamp::None => self.between(),
        }
    }

    /// A stamp of the clock's own kind: it may move the head, and it may reveal a reboot.
    fn reference(&mut self, time_ms: i64, as_sent_ms: i64) -> Option<Placed> {
        let Some(head) = self.head_ms else {
            self.head_ms = Some(time_ms);
            self.since_ms = time_ms;
            return Some(self.instant(time_ms, true));
        };
        let step = time_ms - head;
        let usual_ms = 2 * self.pace_ms.min(SLOWEST_MS);
        // A leap that were believed and wrong must leave the next true stamps merely late.
        if (-LATE_MS..=LATE_MS.max(usual_ms)).contains(&step) {
            self.pace_ms = if step > 0 { step } else { self.pace_ms };
            return Some(self.go_on(head, time_ms));
        }
        match self.suspect_ms {
            Some(suspect) if (time_ms - suspect).abs() <= CONFIRM_MS.max(usual_ms) => {
                self.suspect_ms = None;
                let (anew, rebooted) = (!self.confirmed, self.confirmed && step < 0);
                let set_ms = if anew || rebooted { as_sent_ms } else { time_ms };
                self.boot = self.boot.saturating_add(u16::from(rebooted));
                self.head_ms = Some(set_ms);
                if anew {
                    self.since_ms = set_ms;
                    self.max_lag_ms = 0;
                    self.confirmed = true;
                }
                Some(Placed { rebooted, anew, ..self.instant(set_ms, true) })
            }
            // Stamps far apart, in order: a slow stream, or holes.
            Some(suspect) if suspect > head && (0..=LEAP_MS).contains(&(time_ms - suspect)) => {
                self.pace_ms = time_ms - suspect;
                Some(self.go_on(head, time_ms))
            }
            _ => {
                self.suspect_ms = Some(time_ms);
                self.between()
            }
        }
    }

    /// A stamp that agrees with the clock.
    fn go_on(&mut self, head: i64, time_ms: i64) -> Placed {
        self.suspect_ms = None;
        self.confirmed = true;
        self.max_lag_ms = self.max_lag_ms.max(head - time_ms);
        self.head_ms = Some(head.max(time_ms));
        self.instant(time_ms, time_ms > head)
    }

    /// A stamp that counts only while it agrees with the clock.
    fn secondary(&mut self, time_ms: i64) -> Option<Placed> {
        let head = self.head_ms?;
        if (time_ms - head).abs() > AGREE_MS || self.suspect_ms.is_some() {
            return self.between();
        }
        self.max_lag_ms = self.max_lag_ms.max(head - time_ms);
        self.head_ms = Some(head.max(time_ms));
        Some(self.instant(time_ms, time_ms > head))
    }

    #[inline]
    fn between(&self) -> Option<Placed> {
        Some(Placed {
            boot: self.boot,
            earliest_ms: self.head_ms?,
            latest_ms: None,
            advanced: false,
            rebooted: false,
            anew: false,
        })
    }

    #[inline]
    fn instant(&self, time_ms: i64, advanced: bool) -> Placed {
        Placed {
            boot: self.boot,
            earliest_ms: time_ms,
            latest_ms: Some(time_ms),
            advanced,
            rebooted: false,
            anew: false,
        }
    }
}

/// `value + k · period` nearest to `near`, k ≥ 0.
fn nearest(value: i64, period: i64, near: Option<i64>) -> i64 {
    let Some(near) = near else { return value };
    let turns = (near - value + period / 2).div_euclid(period).max(0);
    value + turns * period
}

#[cfg(test)]
mod tests {
    use super::*;

    fn place_all(stamps: &[Stamp]) -> Vec<(u16, i64)> {
        let mut clock = BootClock::default();
        stamps.iter().filter_map(|s| clock.place(*s)).map(|p| (p.boot, p.earliest_ms)).collect()
    }

    #[test]
    fn a_stamp_of_32_bits_that_is_alone_places_nothing_and_is_told() {
        let mut clock = BootClock::default();
        assert_eq!(
            (clock.place(Stamp::Micros32(15_060_000)), clock.alone_ms()),
            (None, Some((15_060, 15_060)))
        );
        assert_eq!(
            (clock.place(Stamp::Micros32(16_060_999)), clock.alone_ms()),
            (None, Some((15_060, 16_060)))
        );
        assert_eq!(clock.place(Stamp::BootMs(16_200)).map(|placed| placed.earliest_ms), Some(16_200));
        assert_eq!(clock.alone_ms(), None);
    }

    #[test]
    fn boot_time_goes_on_over_the_32_bit_wrap() {
        // 2³² ms = 49 d 17 h 2 min 47.296 s
        let before = u32::MAX - 99;
        let placed = place_all(&[Stamp::BootMs(before), Stamp::BootMs(100)]);
        assert_eq!(placed, [(0, i64::from(before)), (0, (1 << 32) + 100)]);
    }

    #[test]
    fn servo_microseconds_wrap_every_71_minutes() {
        let head = 4_294_900u32; // ms, just before 2³² µs
        let placed = place_all(&[Stamp::BootMs(head), Stamp::Micros32(33_000)]);
        assert_eq!(placed[1], (0, 4_294_967 + 33), "2³² µs + 33 ms");
    }

    #[test]
    fn a_fall_is_a_reboot_only_when_confirmed() {
        let reboot = [
            Stamp::BootMs(59_900),
            Stamp::BootMs(60_000),
            Stamp::BootMs(500),
            Stamp::BootMs(600),
            Stamp::None,
        ];
        assert_eq!(place_all(&reboot), [(0, 59_900), (0, 60_000), (0, 60_000), (1, 600), (1, 600)]);
        let one_wild = [Stamp::BootMs(60_000), Stamp::BootMs(500), Stamp::BootMs(60_100)];
        assert_eq!(place_all(&one_wild), [(0, 60_000), (0, 60_000), (0, 60_100)]);
        // Neither does one that leaps ahead, by seconds or by minutes.
        for wild in [66_000, 360_000, 900_000] {
            let ahead = boot_ms(&[60_000, 60_100, wild, 60_200, 60_300]);
            let still = [(0, 60_000), (0, 60_100), (0, 60_100), (0, 60_200), (0, 60_300)];
            assert_eq!(place_all(&ahead), still, "{wild}");
        }
        // A silence is told by two.
        assert_eq!(course(&boot_ms(&[60_000, 60_100, 360_000, 360_100])), (0, Some(360_100), 0));
        let late = [Stamp::BootMs(60_000), Stamp::BootMs(58_600), Stamp::None];
        assert_eq!(place_all(&late), [(0, 60_000), (0, 58_600), (0, 60_000)]);
    }

    #[test]
    fn another_clock_in_time_usec_does_not_move_the_boot_clock() {
        let stamps = [
            Stamp::BootMs(10_000),
            Stamp::Micros(900_000_000),
            Stamp::Micros(0),
            Stamp::Micros(1_700_000_000_000_000),
        ];
        assert!(place_all(&stamps).iter().all(|p| *p == (0, 10_000)));
        assert_eq!(place_all(&[Stamp::BootMs(10_000), Stamp::Micros(10_020_000)])[1], (0, 10_020));
    }

    #[test]
    fn the_usual_case_is_placed_like_any_other() {
        let mut state = 7u32;
        let mut next = || {
            state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            state >> 8
        };
        for start in [0, 1_000_000, u32::MAX - 400_000] {
            let (mut usual, mut any, mut ms) = (BootClock::default(), BootClock::default(), start);
            for _ in 0..20_000 {
                ms = match next() % 50 {
                    0 => ms.wrapping_sub(next() % 2_000),
                    1 => ms.wrapping_add(next() % 700_000),
                    2 => next(),
                    _ => ms.wrapping_add(next() % 100),
                };
                let stamp = match next() % 8 {
                    0 => Stamp::None,
                    1 => Stamp::Micros(u64::from(ms) * 1000),
                    2 => Stamp::Micros32(ms.wrapping_mul(1000)),
                    _ => Stamp::BootMs(ms),
                };
                assert_eq!(usual.place(stamp), any.place_any(stamp));
                assert_eq!(format!("{usual:?}"), format!("{any:?}"));
            }
            assert!(usual.boot() > 10);
        }
    }

    fn boot_ms(stamps: &[u32]) -> Vec<Stamp> {
        stamps.iter().map(|ms| Stamp::BootMs(*ms)).collect()
    }

    /// Boot sessions, heads and times set anew.
    fn course(stamps: &[Stamp]) -> (u16, Option<i64>, usize) {
        let mut clock = BootClock::default();
        let anew = stamps.iter().filter_map(|s| clock.place(*s)).filter(|p| p.anew).count();
        (clock.boot(), clock.head_ms(), anew)
    }

    #[test]
    fn a_wild_first_stamp_is_no_boot_session() {
        for wild in [0, 500, 3_600_000, 4_000_000_000, u32::MAX] {
            let stamps = boot_ms(&[wild, 700_000, 700_100, 700_200]);
            assert_eq!(course(&stamps), (0, Some(700_200), 1), "{wild}");
        }
        // Nor are two wild ones, or one that is only minutes behind.
        assert_eq!(course(&boot_ms(&[9_000_000, 44, 700_000, 700_100])), (0, Some(700_100), 1));
        assert_eq!(course(&boot_ms(&[690_000, 700_000, 700_100])), (0, Some(700_100), 1));
        // Once it is confirmed, the same is a reboot.
        assert_eq!(course(&boot_ms(&[900_000, 900_100, 500, 600])), (1, Some(600), 0));
    }

    #[test]
    fn a_slow_stream_is_no_wild_stamp() {
        let slow: Vec<u32> = (0..20).map(|beat| 5_000 + beat * 10_000).collect();
        assert_eq!(course(&boot_ms(&slow)), (0, Some(195_000), 0));
        // It may fall silent for longer than a leap, or begin anew.
        let silent = slow.iter().copied().chain((0..5).map(|beat| 900_000 + beat * 10_000));
        assert_eq!(course(&boot_ms(&silent.collect::<Vec<_>>())), (0, Some(940_000), 0));
        let rebooted = slow.iter().copied().chain((1..5).map(|beat| beat * 10_000));
        assert_eq!(course(&boot_ms(&rebooted.collect::<Vec<_>>())), (1, Some(40_000), 0));
        // One stamp in doubt, then the clock goes on as it began.
        assert_eq!(course(&boot_ms(&[60_000, 500, 60_100, 60_200])), (0, Some(60_200), 0));
    }

    #[test]
    fn time_boot_ms_overrules_a_moment_of_another_clock() {
        let imu = |ms: u64| Stamp::Micros(900_000_000 + ms * 1000);
        let stamps: Vec<Stamp> =
            (0..10).map(|i| imu(i * 20)).chain(boot_ms(&[10_000, 10_100])).chain([imu(220)]).collect();
        assert_eq!(course(&stamps), (0, Some(10_100), 1));
        // The same clock in both fields is confirmed by the first time_boot_ms.
        let agree: Vec<Stamp> = (0..10).map(|i| imu(i * 20)).chain(boot_ms(&[900_200, 900_300])).collect();
        assert_eq!(course(&agree), (0, Some(900_300), 0));
    }

    #[test]
    fn the_wrap_is_no_reboot() {
        let mut clock = BootClock::default();
        for stamp in boot_ms(&[u32::MAX - 200, u32::MAX - 100, u32::MAX, 99, 199]) {
            clock.place(stamp);
        }
        assert_eq!((clock.boot(), clock.head_ms()), (0, Some((1 << 32) + 199)));
    }
}
