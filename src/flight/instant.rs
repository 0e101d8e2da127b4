//! The instant of liftoff and of touchdown inside a window, with bounds.
//!
//! Liftoff: the outputs pass the hover level (thrust carries the weight) and the height passes half a metre
//! for good soon after; from there back along the climb to where a straight line through the first
//! climbing samples meets zero. Touchdown: the last sample that still descends;
//! the outputs fall right after it. Where motion and outputs disagree, the bounds hold both. With thin
//! evidence the bounds are the window itself. Nothing is read across a hole in the data; a window with a hole in it
//! is `hidden`'s.

use super::span::Window;
use super::trace::{Effort, Motion, Traces};
use super::{Bounded, hidden};
use crate::signal::hole;

/// Climb or descent that noise of an estimator's velocity rarely shows, m/s.
const MOVING_M_S: f64 = 0.2;
/// A velocity estimate follows the truth this late at worst; added to every bound.
const ESTIMATOR_LAG_MS: i64 = 250;
/// A climb can be told from noise this long after leaving the ground; the weight of motion against
/// outputs follows from it.
const CLIMB_LATE_MS: i64 = 500;
/// How far the refinement may look past the window's ends.
const LOOK_MS: i64 = 4_000;
/// The same ahead of a touchdown's outputs.
const FALL_LOOK_MS: i64 = 1_000;

/// How far landing gear and soft ground give way under the weight, and how soon after the contact (common practice, no
/// published source).
const SETTLING_M: f64 = 0.3;
const SETTLING_MS: i64 = 1_500;

/// Heights of so many milliseconds before the outputs rise give the ground.
const IDLE_MS: i64 = 1_500;

/// Refines a liftoff.
pub fn liftoff(traces: &Traces, window: Window, lag_ms: i64) -> Bounded {
    let step_ms = traces.motion_step_ms();
    let margin_ms = ESTIMATOR_LAG_MS + lag_ms.min(1_500) / 2 + step_ms / 2;
    if traces.hole_within(window.from_ms, window.to_ms) {
        return hidden::liftoff(traces, window, margin_ms);
    }
    let look = around(traces, window, LOOK_MS, LOOK_MS);
    let motion = traces.motion_within(look.from_ms, look.to_ms);
    let by_effort = effort_rise(traces, look);
    let idle = |rise| idle_until(traces, rise, around(traces, window, i64::MAX, 0).from_ms);
    let by_motion = climb_start(motion, window, by_effort.and_then(idle));
    let (best_ms, low, high) = match (by_motion, by_effort) {
        // Outputs pass the hover level, the aircraft leaves the ground, and only then does it gather a
        // climb that can be seen: the outputs say when, the motion says that it was so.
        (Some((best, low, high)), Some(rise)) if (-500..=1_200).contains(&(best - rise)) => {
            let weight = |step_ms: i64, late_ms: i64| 1.0 / (step_ms + late_ms) as f64;
            let by_rise = weight(traces.effort_step_ms(), 0);
            let by_climb = weight(step_ms, CLIMB_LATE_MS);
            let share = by_climb / (by_rise + by_climb);
            (rise + (share * (best - rise) as f64) as i64, low.min(rise), high.max(rise))
        }
        (Some((best, low, high)), Some(rise)) => (best, low.min(rise), high.max(rise)),
        (Some((best, low, high)), None) => (best - CLIMB_LATE_MS / 2, low - CLIMB_LATE_MS, high),
        (None, Some(rise)) => (rise, window.from_ms.max(rise - 1_500), window.to_ms.max(rise)),
        (None, None) => ((window.from_ms + window.to_ms) / 2, window.from_ms, window.to_ms),
    };
    bounded(best_ms, low - margin_ms, high + margin_ms, traces)
}

/// Refines a touchdown.
pub fn touchdown(traces: &Traces, window: Window, lag_ms: i64) -> Bounded {
    let step_ms = traces.motion_step_ms();
    let margin_ms = ESTIMATOR_LAG_MS + lag_ms.min(1_500) / 2 + step_ms / 2;
    if traces.hole_within(window.from_ms, window.to_ms) {
        return hidden::touchdown(traces, window, margin_ms);
    }
    let fall = effort_fall(traces, around(traces, window, LOOK_MS, FALL_LOOK_MS));
    let until = fall.map_or(window.to_ms, |f| (f + 1_000).min(window.to_ms.max(f)));
    let by_motion = descent_end(traces, window, until);
    let (best_ms, low, high) = match (by_motion, fall) {
        (Some((best, low, high)), Some(fall)) => (best, low.min(fall), high.max(fall)),
        (Some(found), None) => found,
        // The outputs begin to fall after the ground carries the aircraft.
        (None, Some(fall)) => (fall, fall - 2_000, fall + 500),
        (None, None) => ((window.from_ms + window.to_ms) / 2, window.from_ms, window.to_ms),
    };
    bounded(best_ms, low - margin_ms, high + margin_ms, traces)
}

/// The window with so much time before it and behind it, but none across a hole.
fn around(traces: &Traces, window: Window, before_ms: i64, behind_ms: i64) -> Window {
    let (from_ms, to_ms) = hole::clear_around(&traces.holes, window.from_ms, window.to_ms);
    Window {
        from_ms: from_ms.max(window.from_ms.saturating_sub(before_ms)),
        to_ms: to_ms.min(window.to_ms.saturating_add(behind_ms)),
    }
}

pub(super) fn bounded(best_ms: i64, earliest_ms: i64, latest_ms: i64, traces: &Traces) -> Bounded {
    let best_ms = best_ms.clamp(traces.start_ms, traces.end_ms.max(traces.start_ms));
    Bounded { best_ms, earliest_ms: earliest_ms.min(best_ms), latest_ms: latest_ms.max(best_ms) }
}

/// (best, low, high) of the start of the climb that clears the ground.
///
/// Until `idle_ms` the outputs say that it stood: heights then give the ground, but only the last seconds of
/// them, for some senders reset the origin of height at arming.
fn climb_start(motion: &[Motion], window: Window, idle_ms: Option<i64>) -> Option<(i64, i64, i64)> {
    let last = |m: &&Motion| match idle_ms {
        Some(idle) => (idle - IDLE_MS..=idle).contains(&m.time_ms),
        None => m.time_ms <= window.from_ms + 500,
    };
    let ground: Vec<f64> = motion.iter().filter(last).map(|m| m.height_m).collect();
    let base_m = match ground.len() {
        0 => motion.iter().map(|m| m.height_m).fold(f64::INFINITY, f64::min),
        _ => median(ground),
    };
    let from_ms = window.from_ms.max(idle_ms.unwrap_or(i64::MIN));
    let above = |m: &Motion| m.height_m - base_m > 0.5;
    let cleared = (0..motion.len()).find(|i| {
        let run = motion.get(*i..(*i + 2).min(motion.len())).unwrap_or_default();
        motion[*i].time_ms >= from_ms && run.iter().all(above)
    })?;
    let mut first = cleared;
    while first > 0 && motion[first - 1].climb_m_s > MOVING_M_S && motion[first - 1].time_ms >= from_ms {
        first -= 1;
    }
    let before = first.checked_sub(1).map(|i| &motion[i]);
    let early: Vec<&Motion> = motion[first..]
        .iter()
        .take_while(|m| m.time_ms <= motion[first].time_ms + 1_200 && m.climb_m_s > 0.0)
        .take(4)
        .collect();
    let low = before.map_or(motion[first].time_ms - 1_000, |m| m.time_ms - m.slack_ms);
    let high = motion[first].time_ms + motion[first].slack_ms;
    let projected = zero_crossing(&early).unwrap_or((low + high) / 2);
    let reach = (high - low).max(300);
    let best = projected.clamp(low - reach / 2, high);
    Some((best, low.min(best), high.max(best)))
}

/// Where a least-squares line of climb over time meets zero; `None` if climb does not rise.
fn zero_crossing(samples: &[&Motion]) -> Option<i64> {
    if samples.len() < 2 {
        return None;
    }
    let n = samples.len() as f64;
    let origin = samples.first()?.time_ms;
    let t = |m: &Motion| (m.time_ms - origin) as f64;
    let mean_t = samples.iter().map(|m| t(m)).sum::<f64>() / n;
    let mean_v = samples.iter().map(|m| m.climb_m_s).sum::<f64>() / n;
    let covariance: f64 = samples.iter().map(|m| (t(m) - mean_t) * (m.climb_m_s - mean_v)).sum();
    let variance: f64 = samples.iter().map(|m| (t(m) - mean_t).powi(2)).sum();
    let slope = covariance / variance;
    (slope > 1e-5).then(|| origin + (mean_t - mean_v / slope) as i64)
}

/// The last instant before `rise_ms`, but not before `clear_ms`, at which the outputs were near idle.
fn idle_until(traces: &Traces, rise_ms: i64, clear_ms: i64) -> Option<i64> {
    let before = traces.effort_within(clear_ms.max(rise_ms - 2 * LOOK_MS), rise_ms);
    before.iter().rev().find(|e| e.level < traces.low()).map(|e| e.time_ms)
}

/// First crossing of 95 % of the hover level (near the ground a little less thrust carries the weight),
/// interpolated.
pub(super) fn effort_rise(traces: &Traces, window: Window) -> Option<i64> {
    let level = traces.idle + 0.95 * (traces.hover - traces.idle);
    let efforts = traces.effort_within(window.from_ms, window.to_ms);
    let rises = |w: &&[Effort]| w[0].level < level && w[1].level >= level && no_hole(traces, w);
    efforts.windows(2).find(rises).map(|w| {
        let share = (level - w[0].level) / (w[1].level - w[0].level).max(1e-9);
        w[0].time_ms + (share * (w[1].time_ms - w[0].time_ms) as f64) as i64
    })
}

fn no_hole(traces: &Traces, pair: &[Effort]) -> bool {
    !traces.hole_within(pair[0].time_ms, pair[1].time_ms)
}

/// Last crossing downwards of 85 % of the hover level, interpolated.
pub(super) fn effort_fall(traces: &Traces, window: Window) -> Option<i64> {
    let level = traces.idle + 0.85 * (traces.hover - traces.idle);
    let efforts = traces.effort_within(window.from_ms, window.to_ms);
    let falls = |w: &&[Effort]| w[0].level >= level && w[1].level < level && no_hole(traces, w);
    efforts.windows(2).rev().find(falls).map(|w| {
        let share = (w[0].level - level) / (w[0].level - w[1].level).max(1e-9);
        w[0].time_ms + (share * (w[1].time_ms - w[0].time_ms) as f64) as i64
    })
}

/// (best, low, high) of the end of the last descent before `until_ms`.
fn descent_end(traces: &Traces, window: Window, until_ms: i64) -> Option<(i64, i64, i64)> {
    let look = around(traces, window, LOOK_MS, LOOK_MS);
    let motion = traces.motion_within(look.from_ms, look.to_ms);
    let after: Vec<f64> = motion.iter().filter(|m| m.time_ms >= until_ms).map(|m| m.height_m).collect();
    let ground_m = if after.is_empty() { f64::NEG_INFINITY } else { median(after) };
    let last = (0..motion.len()).rev().find(|i| {
        let m = &motion[*i];
        m.time_ms <= until_ms && m.climb_m_s < -MOVING_M_S && m.height_m - ground_m > -1.0
    })?;
    let descending = &motion[last];
    let contact = &motion[before_settling(motion, last)];
    let low = contact.time_ms - contact.slack_ms;
    let Some(next) = motion.get(last + 1) else {
        return Some((descending.time_ms, low, window.to_ms.max(descending.time_ms)));
    };
    let high = next.time_ms + next.slack_ms;
    // The descent ends abruptly: half a step after its last sample on average.
    let best = descending.time_ms + (next.time_ms - descending.time_ms) / 2;
    Some((best, low, high))
}

/// The last sample of the descent before the one that ends at `last`, if that is no deeper than legs give way and hardly
/// later: then the earlier one may have ended at the ground.
fn before_settling(motion: &[Motion], last: usize) -> usize {
    let sinks = |i: &usize| motion[*i].climb_m_s < -MOVING_M_S;
    let first = (0..=last).rev().take_while(sinks).last().unwrap_or(last);
    let before = (0..first).rev().find(sinks);
    let near = |i: &usize| {
        motion[*i].height_m - motion[last].height_m < SETTLING_M
            && motion[first].time_ms - motion[*i].time_ms < SETTLING_MS
    };
    before.filter(near).unwrap_or(last)
}

fn median(mut values: Vec<f64>) -> f64 {
    values.sort_by(f64::total_cmp);
    values.get(values.len() / 2).copied().unwrap_or(f64::NAN)
}
