//! How long to wait before a request is repeated: exponential backoff with full jitter, or what the server
//! asks for. Pure: the random number and the clock come in.
//!
//! # Method
//! Before repetition *n* (from 1) wait a uniformly random time from zero to `min(cap, base · 2^(n−1))`. The
//! jitter runs over the whole interval so that many clients thrown off together do not come back together
//! (common practice, no standard). If the server sent `Retry-After` (RFC 9110 §10.2.3: seconds or a
//! date), wait at least that long; if that is longer than there is time for, give up at once rather than
//! come back early.

use jiff::fmt::strtime;
use std::time::Duration;

/// Bounds of repeating; common practice, no published source.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Policy {
    /// Requests for one batch, the first included.
    pub attempts: u32,
    /// Longest wait before the first repetition.
    pub base: Duration,
    /// Longest wait before any, unless the server asks for more.
    pub cap: Duration,
    /// No repetition starts later than this after the first request for the batch.
    pub total: Duration,
    /// Time for one request from connecting to the last byte of the answer.
    pub request: Duration,
}

impl Default for Policy {
    fn default() -> Self {
        Policy {
            attempts: 8,
            base: Duration::from_secs(1),
            cap: Duration::from_secs(30),
            total: Duration::from_secs(300),
            request: Duration::from_secs(60),
        }
    }
}

/// What to do after a failed request.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Step {
    /// Wait, then repeat.
    Wait(Duration),
    /// No attempts left.
    OutOfAttempts,
    /// No time left; the wait that would have been needed.
    OutOfTime(Duration),
}

/// The step after failed attempt `attempt` (from 1). `random` is uniform in 0..1, `elapsed` runs from the
/// first request for the batch.
pub fn step(policy: &Policy, attempt: u32, elapsed: Duration, asked: Option<Duration>, random: f64) -> Step {
    if attempt >= policy.attempts {
        return Step::OutOfAttempts;
    }
    let doubled = 1u32.checked_shl(attempt.saturating_sub(1)).unwrap_or(u32::MAX);
    let ceiling = policy.base.saturating_mul(doubled).min(policy.cap);
    let jittered = ceiling.mul_f64(random.clamp(0.0, 1.0));
    let wait = asked.map_or(jittered, |asked| asked.max(jittered));
    if elapsed.saturating_add(wait) > policy.total { Step::OutOfTime(wait) } else { Step::Wait(wait) }
}

/// The wait that a `Retry-After` value asks for at `now` (Unix seconds); a date gone by asks for none.
/// `None` if it is neither seconds nor a date.
pub fn retry_after(value: &str, now_unix_s: i64) -> Option<Duration> {
    let value = value.trim();
    if !value.is_empty() && value.bytes().all(|b| b.is_ascii_digit()) {
        // More digits than fit are still a very long wait.
        return Some(Duration::from_secs(value.parse().unwrap_or(u64::MAX)));
    }
    let date = http_date(value)?;
    Some(Duration::from_secs(u64::try_from(date.saturating_sub(now_unix_s)).unwrap_or(0)))
}

/// Unix seconds of an HTTP-date in any of its three forms (RFC 9110 §5.6.7).
pub fn http_date(value: &str) -> Option<i64> {
    const FORMS: [&str; 3] =
        ["%a, %d %b %Y %H:%M:%S GMT", "%A, %d-%b-%y %H:%M:%S GMT", "%a %b %e %H:%M:%S %Y"];
    FORMS.iter().find_map(|form| {
        let time = strtime::parse(form, value.trim()).and_then(|parsed| parsed.to_datetime()).ok()?;
        Some(jiff::tz::Offset::UTC.to_timestamp(time).ok()?.as_second())
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    const fn s(seconds: u64) -> Duration {
        Duration::from_secs(seconds)
    }

    #[test]
    fn the_ceiling_doubles_up_to_the_cap() {
        let policy = Policy { attempts: 9, total: s(1000), ..Policy::default() };
        let longest: Vec<Step> = (1..=9).map(|n| step(&policy, n, s(0), None, 1.0)).collect();
        let want = [1, 2, 4, 8, 16, 30, 30, 30].map(|n| Step::Wait(s(n)));
        assert_eq!(longest, [&want[..], &[Step::OutOfAttempts]].concat());
        assert_eq!(step(&policy, 4, s(0), None, 0.0), Step::Wait(s(0)), "full jitter reaches zero");
        assert_eq!(step(&policy, 4, s(0), None, 0.25), Step::Wait(s(2)));
    }

    #[test]
    fn the_server_is_never_asked_earlier_than_it_said() {
        let policy = Policy::default();
        assert_eq!(step(&policy, 1, s(0), Some(s(120)), 1.0), Step::Wait(s(120)), "above the cap");
        assert_eq!(step(&policy, 5, s(0), Some(s(3)), 1.0), Step::Wait(s(16)), "jitter may be longer");
        assert_eq!(step(&policy, 1, s(200), Some(s(101)), 0.0), Step::OutOfTime(s(101)));
        assert_eq!(step(&policy, 1, s(200), Some(s(100)), 0.0), Step::Wait(s(100)));
        assert_eq!(step(&policy, 1, s(1), Some(Duration::MAX), 0.0), Step::OutOfTime(Duration::MAX));
    }

    #[test]
    fn retry_after_in_every_form() {
        // RFC 9110 §5.6.7 gives these three as one instant; 784111777 by `date -u -d … +%s`.
        let now = 784_111_777 - 90;
        for (value, want) in [
            ("120", Some(s(120))),
            (" 0 ", Some(s(0))),
            ("99999999999999999999999", Some(s(u64::MAX))),
            ("Sun, 06 Nov 1994 08:49:37 GMT", Some(s(90))),
            ("Sunday, 06-Nov-94 08:49:37 GMT", Some(s(90))),
            ("Sun Nov  6 08:49:37 1994", Some(s(90))),
            ("Sun, 06 Nov 1994 08:48:00 GMT", Some(s(0))),
            ("Mon, 06 Nov 1994 08:49:37 GMT", None), // that day was a Sunday
            ("-5", None),
            ("1.5", None),
            ("soon", None),
            ("", None),
        ] {
            assert_eq!(retry_after(value, now), want, "{value:?}");
        }
    }

    proptest! {
        #[test]
        fn waits_stay_inside_the_bounds(
            attempt in 1u32..100, elapsed in 0u64..400, asked in prop::option::of(0u64..1000), random in 0.0f64..1.0,
        ) {
            let policy = Policy { attempts: 50, ..Policy::default() };
            let asked = asked.map(s);
            match step(&policy, attempt, s(elapsed), asked, random) {
                Step::Wait(wait) => {
                    prop_assert!(attempt < policy.attempts);
                    prop_assert!(s(elapsed) + wait <= policy.total);
                    prop_assert!(wait >= asked.unwrap_or_default());
                    prop_assert!(wait <= asked.unwrap_or_default().max(policy.cap));
                }
                Step::OutOfTime(wait) => prop_assert!(s(elapsed) + wait > policy.total),
                Step::OutOfAttempts => prop_assert!(attempt >= policy.attempts),
            }
        }

        #[test]
        fn no_value_breaks_the_reader(value in "\\PC{0,40}") {
            let _ = retry_after(&value, 0);
        }
    }
}
