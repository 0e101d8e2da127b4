//! Coarse spans: windows of time that hold each liftoff and each touchdown.

use super::Evidence;
use super::told::{agree, from_flight_information};
use super::trace::Traces;
use crate::signal::{Landed, Signals, hole};

/// A window that holds an event, in milliseconds since boot.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Window {
    /// Not before.
    pub from_ms: i64,
    /// Not after.
    pub to_ms: i64,
}

impl Window {
    /// Widened to the whole of every hole between two instants; `lag_ms` is how late the event could have been
    /// told before them.
    fn widened(self, traces: &Traces, (from_ms, to_ms): (i64, i64), lag_ms: i64) -> Self {
        match hole::within(&traces.holes, from_ms, to_ms) {
            [] => self,
            [first, .., (_, behind)] | [first @ (_, behind)] => {
                Window { from_ms: self.from_ms.min(first.0 - lag_ms), to_ms: self.to_ms.max(*behind) }
            }
        }
    }

    /// Widened to the whole of every hole that it touches.
    fn over_holes(self, traces: &Traces, lag_ms: i64) -> Self {
        self.widened(traces, (self.from_ms, self.to_ms), lag_ms)
    }
}

/// One time off the ground.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Span {
    /// Holds the liftoff; `None` if the log starts in the air.
    pub liftoff: Option<Window>,
    /// Holds the touchdown; `None` if the log ends in the air.
    pub touchdown: Option<Window>,
}

/// How late a landing detector reports: 0.5–2 s is common (no published source), twice that is allowed.
pub(super) const LANDING_REPORT_LAG_MS: i64 = 4_000;
/// How late an autopilot reports having left the ground.
pub(super) const LIFTOFF_REPORT_LAG_MS: i64 = 2_000;
/// Height that is off the ground beyond doubt of a barometer in propeller wash.
const CLEAR_M: f64 = 0.5;
/// Time without motion that says "on the ground" while outputs stay up.
const STILL_MS: i64 = 3_000;
/// Who goes lower than this below a place without disarming stood in the air there, not on the ground.
const LOWER_M: f64 = 1.5;
/// Without outputs a hover looks like the ground: only this near the height of the liftoff is it taken for that.
const NEAR_M: f64 = 3.0;

/// The spans of a session and what they rest on: FLIGHT_INFORMATION if nothing else contradicts it, else
/// EXTENDED_SYS_STATE, else what arming, outputs, height and climb show.
pub fn coarse(signals: &Signals, traces: &Traces) -> (Vec<Span>, Evidence) {
    let (seen, evidence) = match from_landed_state(signals, traces) {
        Some(spans) => (spans, Evidence::LandedState),
        None => (inferred(traces), Evidence::Inferred),
    };
    let told = from_flight_information(signals, traces, &seen);
    // Where nothing could have shown a flight, its absence contradicts nothing.
    let blind = signals.landed.is_empty() && (traces.motion.is_empty() || traces.effort.is_empty());
    if !told.is_empty() && (agree(&told, &seen, traces) || seen.is_empty() && blind) {
        return (told, Evidence::FlightInformation);
    }
    (seen, evidence)
}

/// `None` if the autopilot never said "in the air": some send the message only in some phases.
fn from_landed_state(signals: &Signals, traces: &Traces) -> Option<Vec<Span>> {
    let states: Vec<_> = signals.landed.iter().filter(|s| s.value != Landed::Undefined).collect();
    if !states.iter().any(|s| s.value == Landed::InAir) {
        return None;
    }
    let mut spans = Vec::new();
    let mut ground_ms: Option<i64> = None;
    let mut airborne_ms = i64::MIN;
    let mut open: Option<(Option<Window>, bool)> = None;
    for state in states {
        let airborne = state.value != Landed::OnGround && traces.armed_at(state.earliest_ms);
        match (airborne, open) {
            (true, None) => {
                // Not told before a hole is not the same as told from the log's beginning.
                let hidden =
                    || traces.hole_within(traces.start_ms, state.latest_ms) && !starts_airborne(traces);
                let taking_off = state.value == Landed::Takeoff;
                let from_ground = || taking_off && !starts_airborne(traces) || hidden();
                let liftoff = ground_ms
                    .or_else(|| from_ground().then_some(traces.start_ms))
                    .map(|g| Window { from_ms: g - LIFTOFF_REPORT_LAG_MS, to_ms: state.latest_ms.max(g) });
                open = Some((liftoff, !taking_off || liftoff.is_none()));
            }
            // "Taking off" is said before the aircraft leaves the ground: the window stays open.
            (true, Some((Some(window), false))) => {
                let to_ms = state.latest_ms.max(window.to_ms);
                open = Some((Some(Window { to_ms, ..window }), state.value != Landed::Takeoff));
            }
            (true, Some(_)) => {}
            (false, Some((liftoff, lifted))) => {
                if lifted {
                    // States far apart are told late on top; but disarmed is never airborne.
                    let apart = state.earliest_ms - airborne_ms > LANDING_REPORT_LAG_MS / 2;
                    let told_ms = if apart { airborne_ms } else { state.earliest_ms };
                    let from_ms = told_ms - LANDING_REPORT_LAG_MS;
                    let to_ms = state.latest_ms.min(state.earliest_ms + LANDING_REPORT_LAG_MS);
                    let to_ms = to_ms.min(traces.armed_until(airborne_ms)).max(from_ms);
                    let told = (airborne_ms, state.latest_ms);
                    let touchdown = Window { from_ms, to_ms }.widened(traces, told, LANDING_REPORT_LAG_MS);
                    spans.push(Span { liftoff, touchdown: Some(touchdown) });
                }
                open = None;
            }
            (false, None) => {}
        }
        if airborne {
            airborne_ms = state.earliest_ms;
        } else {
            ground_ms = Some(state.earliest_ms);
        }
    }
    if let Some((liftoff, true)) = open {
        let touchdown = disarmed_after(traces, liftoff.map_or(traces.start_ms, |w| w.to_ms));
        spans.push(Span { liftoff, touchdown });
    }
    Some(spans)
}

/// A log can end after disarming but before the next state message.
pub(super) fn disarmed_after(traces: &Traces, time_ms: i64) -> Option<Window> {
    let end = traces.armed.as_ref()?.iter().find(|(_, to)| *to > time_ms)?.1;
    let window = Window { from_ms: end - 2 * LANDING_REPORT_LAG_MS, to_ms: end };
    (end < i64::MAX).then(|| window.over_holes(traces, 2 * LANDING_REPORT_LAG_MS))
}

/// Hysteresis over arming, outputs, height and climb. Behind a hole every count begins anew: what was so on either
/// side need not have been so between.
fn inferred(traces: &Traces) -> Vec<Span> {
    let mut spans = Vec::new();
    let mut state = starts_airborne(traces).then_some(None::<Window>);
    let mut base_m = traces.motion.first().map_or(0.0, |m| m.height_m);
    let mut grounded_ms = traces.start_ms;
    let mut still_since: Option<(i64, f64)> = None;
    let mut low_since: Option<i64> = None;
    let mut clear = 0u32;
    let mut before_ms = traces.start_ms;
    for (motion, ahead) in traces.motion.iter().zip(ahead(traces)) {
        let now_ms = motion.time_ms;
        let effort = traces.effort_at(now_ms);
        if traces.hole_within(before_ms, now_ms) {
            (still_since, low_since, clear) = (None, None, 0);
        }
        before_ms = now_ms;
        if effort.is_none() && traces.awaits_effort(now_ms) {
            continue;
        }
        let armed = traces.armed_at(now_ms);
        let idle = effort.is_some_and(|e| e < traces.low());
        let carrying = effort.is_none_or(|e| e >= traces.low());
        match state {
            None => {
                if !armed
                    || idle
                    || (effort.is_none() && motion.climb_m_s.abs() < 0.1 && motion.height_m - base_m < 0.3)
                {
                    // The origin follows the barometer's drift until the outputs rise.
                    base_m += 0.3 * (motion.height_m - base_m);
                    grounded_ms = now_ms;
                    clear = 0;
                } else {
                    let up = motion.height_m - base_m > CLEAR_M;
                    clear = if armed && carrying && up { clear + 1 } else { 0 };
                    if clear >= 2
                        || (clear == 1 && motion.climb_m_s > 0.5 && motion.height_m - base_m > 2.0 * CLEAR_M)
                    {
                        let window = Window { from_ms: grounded_ms.min(now_ms - 1_000), to_ms: now_ms };
                        state = Some(Some(window.over_holes(traces, 0)));
                        still_since = None;
                        low_since = None;
                    }
                }
            }
            Some(liftoff) => {
                low_since = if idle { low_since.or(Some(now_ms)) } else { None };
                let still = motion.climb_m_s.abs() < 0.15 && effort.is_none_or(|e| e < traces.high());
                still_since = match still_since {
                    Some((since, height)) if still && (motion.height_m - height).abs() < 0.3 => {
                        Some((since, height))
                    }
                    _ if still => Some((now_ms, motion.height_m)),
                    _ => None,
                };
                let collapsed = low_since.filter(|since| now_ms - since >= 700);
                let on_ground = |height_m: f64| {
                    let near = (height_m - base_m).abs() < NEAR_M
                        || ahead.disarmed_m.is_some_and(|m| (height_m - m).abs() < LOWER_M);
                    ahead.lowest_m > height_m - LOWER_M && (effort.is_some() || near)
                };
                let settled = still_since
                    .filter(|(since, height_m)| now_ms - since >= STILL_MS && on_ground(*height_m))
                    .map(|s| s.0);
                let ended = if armed { collapsed.or(settled) } else { Some(now_ms) };
                if let Some(since) = ended {
                    let touchdown = Window { from_ms: since - LANDING_REPORT_LAG_MS, to_ms: now_ms };
                    let touchdown = touchdown.over_holes(traces, LANDING_REPORT_LAG_MS);
                    spans.push(Span { liftoff, touchdown: Some(touchdown) });
                    state = None;
                    base_m = motion.height_m;
                    grounded_ms = since;
                    clear = 0;
                }
            }
        }
    }
    if let Some(liftoff) = state {
        let after = traces.motion.last().map_or(traces.end_ms, |m| m.time_ms);
        spans.push(Span { liftoff, touchdown: disarmed_after(traces, after - LANDING_REPORT_LAG_MS) });
    }
    spans
}

/// What comes behind an instant until the aircraft is disarmed.
#[derive(Debug, Clone, Copy)]
struct Ahead {
    /// The lowest height but for two samples, which may be wrong.
    lowest_m: f64,
    /// Height when it is disarmed; `None` if the log does not show it.
    disarmed_m: Option<f64>,
}

/// One entry a motion sample.
fn ahead(traces: &Traces) -> Vec<Ahead> {
    let mut all = Vec::with_capacity(traces.motion.len());
    let mut until_ms = None;
    let mut lowest = [f64::INFINITY; 3];
    let mut disarmed_m = None;
    for motion in traces.motion.iter().rev() {
        let armed_until_ms = traces.armed_until(motion.time_ms);
        if until_ms != Some(armed_until_ms) {
            until_ms = Some(armed_until_ms);
            lowest = [f64::INFINITY; 3];
            disarmed_m = (armed_until_ms < i64::MAX).then_some(motion.height_m);
        }
        let mut height_m = motion.height_m;
        for low in &mut lowest {
            if height_m < *low {
                std::mem::swap(low, &mut height_m);
            }
        }
        all.push(Ahead { lowest_m: lowest[2], disarmed_m });
    }
    all.reverse();
    all
}

/// Armed and carrying the weight from the first sample on, with height or climb to show for it.
fn starts_airborne(traces: &Traces) -> bool {
    let Some(first) = traces.motion.first() else { return false };
    let early = traces.effort_within(traces.start_ms, traces.start_ms + 2_000);
    let carrying = !early.is_empty() && early.iter().all(|e| e.level >= traces.high());
    let lowest = traces.motion.iter().map(|m| m.height_m).fold(f64::INFINITY, f64::min);
    let aloft = first.height_m - lowest > CLEAR_M || first.height_m > 1.5;
    traces.armed_at(first.time_ms) && carrying && aloft
}
