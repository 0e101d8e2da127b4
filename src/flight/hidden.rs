//! What holes in the data may hide: the instant of a liftoff or touchdown whose window has a hole in it, and time on the
//! ground between two sights of an aircraft in the air.
//!
//! The bounds are the window, which holds the whole hole unless the autopilot's own record narrowed it. The best
//! estimate, in this order: where the outputs can still be seen to pass the hover level; where the climb behind the
//! hole began, or the descent before it ends, at the rate that was seen; the middle of the longest hole.

use super::Bounded;
use super::instant::{bounded, effort_fall, effort_rise};
use super::span::{LANDING_REPORT_LAG_MS, LIFTOFF_REPORT_LAG_MS, Window};
use super::trace::{Motion, Traces};
use crate::signal::hole;

/// A climb or descent slower than this says nothing of when it began or ends, m/s.
const STEADY_M_S: f64 = 0.3;

/// Outputs that carry most of the weight fall below that level within this time of a touchdown, and pass it no longer
/// before a liftoff (common practice, no published source).
const CARRYING_MS: i64 = 1_000;

/// The longest time that the aircraft may have stood on the ground between two instants of which only holes separate
/// it from being seen in the air: the holes, and beside each as long as a ground contact goes without notice. Where
/// the outputs carry the weight right up to a hole, that is short.
pub(super) fn on_ground_ms(traces: &Traces, from_ms: i64, to_ms: i64) -> i64 {
    let beside = |hole: &(i64, i64)| {
        let carrying_ms = CARRYING_MS + traces.effort_step_ms();
        let (_, to_ms) = hole::clear_around(&traces.holes, hole.1, hole.1);
        let next = traces.effort_within(hole.1, to_ms.min(hole.1 + carrying_ms)).first();
        let up = next.is_some_and(|e| e.level >= traces.high());
        unnoticed_before_ms(traces, hole.0) + if up { carrying_ms } else { LIFTOFF_REPORT_LAG_MS }
    };
    let holes = hole::within(&traces.holes, from_ms, to_ms);
    hole::length_ms(holes, from_ms, to_ms) + holes.iter().map(beside).sum::<i64>()
}

/// How long an aircraft that was last seen in the air may have stood on the ground before `time_ms`, where the log
/// or a part of it ends.
pub(super) fn unnoticed_before_ms(traces: &Traces, time_ms: i64) -> i64 {
    let carrying_ms = CARRYING_MS + traces.effort_step_ms();
    let (from_ms, _) = hole::clear_around(&traces.holes, time_ms, time_ms);
    let last = traces.effort_within(from_ms.max(time_ms - carrying_ms), time_ms).last();
    if last.is_some_and(|e| e.level >= traces.high()) { carrying_ms } else { LANDING_REPORT_LAG_MS }
}

/// A liftoff that a hole hides, or may hide.
pub(super) fn liftoff(traces: &Traces, window: Window, margin_ms: i64) -> Bounded {
    let best_ms = effort_rise(traces, window).unwrap_or_else(|| {
        let (hole, part) = longest(traces, window);
        let (before, behind) = beside(traces, hole);
        let began = before.zip(behind).and_then(|(ground, m)| reached(ground, m, m.climb_m_s, -1.0));
        within(began, part)
    });
    bounded(best_ms, window.from_ms - margin_ms, window.to_ms + margin_ms, traces)
}

/// A touchdown that a hole hides, or may hide.
pub(super) fn touchdown(traces: &Traces, window: Window, margin_ms: i64) -> Bounded {
    let best_ms = effort_fall(traces, window).unwrap_or_else(|| {
        let (hole, part) = longest(traces, window);
        let (before, behind) = beside(traces, hole);
        let ends = behind.zip(before).and_then(|(ground, m)| reached(ground, m, -m.climb_m_s, 1.0));
        within(ends, part)
    });
    bounded(best_ms, window.from_ms - margin_ms, window.to_ms + margin_ms, traces)
}

/// The longest hole of a window, and the part of it in the window.
fn longest(traces: &Traces, window: Window) -> ((i64, i64), (i64, i64)) {
    let part = |h: (i64, i64)| (h.0.max(window.from_ms), h.1.min(window.to_ms));
    let holes = hole::within(&traces.holes, window.from_ms, window.to_ms).iter();
    let longest = holes.max_by_key(|h| part(**h).1 - part(**h).0);
    let hole = longest.copied().unwrap_or((window.from_ms, window.to_ms));
    (hole, part(hole))
}

/// The last motion before a hole and the first behind it.
fn beside(traces: &Traces, hole: (i64, i64)) -> (Option<&Motion>, Option<&Motion>) {
    let before = traces.motion.partition_point(|m| m.time_ms <= hole.0);
    let behind = traces.motion.partition_point(|m| m.time_ms < hole.1);
    (before.checked_sub(1).and_then(|i| traces.motion.get(i)), traces.motion.get(behind))
}

/// When the aircraft seen at `at` was or will be at the height of `ground`, at its present rate.
fn reached(ground: &Motion, at: &Motion, rate_m_s: f64, sign: f64) -> Option<i64> {
    let seconds = (at.height_m - ground.height_m).max(0.0) / rate_m_s;
    (rate_m_s > STEADY_M_S).then(|| at.time_ms + (sign * 1000.0 * seconds) as i64)
}

/// `found` if it lies in the hole, else the hole's middle.
fn within(found: Option<i64>, (from_ms, to_ms): (i64, i64)) -> i64 {
    found.filter(|t| (from_ms..=to_ms).contains(t)).unwrap_or(from_ms + (to_ms - from_ms) / 2)
}
