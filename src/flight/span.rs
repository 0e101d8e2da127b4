//! Coarse spans: windows of time that hold each liftoff and each touchdown.

use super::Evidence;
use super::trace::Traces;
use crate::signal::{Landed, Signals};

/// A window that holds an event, in milliseconds since boot.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Window {
    /// Not before.
    pub from_ms: i64,
    /// Not after.
    pub to_ms: i64,
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
const LANDING_REPORT_LAG_MS: i64 = 4_000;
/// How late an autopilot reports having left the ground.
const LIFTOFF_REPORT_LAG_MS: i64 = 2_000;
/// Height that is off the ground beyond doubt of a barometer in propeller wash.
const CLEAR_M: f64 = 0.5;
/// Time without motion that says "on the ground" while outputs stay up.
const STILL_MS: i64 = 3_000;

/// How far a takeoff or landing time may lie ahead of the message that tells it: rounding and clock ticks.
const AHEAD_MS: i64 = 1_000;

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

/// Whether the flights told are the flights seen: none is missing, and each lies in one that was seen. One that
/// was seen as whole may be told as several: a short touch escapes slow streams.
fn agree(told: &[Span], seen: &[Span], traces: &Traces) -> bool {
    let up = |s: &Span| s.liftoff.unwrap_or(Window { from_ms: traces.start_ms, to_ms: traces.start_ms });
    let down = |s: &Span| s.touchdown.unwrap_or(Window { from_ms: traces.end_ms, to_ms: traces.end_ms });
    let meet = |a: Window, b: Window| a.from_ms <= b.to_ms && b.from_ms <= a.to_ms;
    let found =
        |s: &Span| told.iter().any(|t| meet(up(t), up(s))) && told.iter().any(|t| meet(down(t), down(s)));
    let held =
        |t: &Span| seen.iter().any(|s| up(s).from_ms <= up(t).to_ms && down(t).from_ms <= down(s).to_ms);
    seen.iter().all(found) && told.iter().all(held)
}

/// `None` if the autopilot never said "in the air": some send the message only in some phases.
fn from_landed_state(signals: &Signals, traces: &Traces) -> Option<Vec<Span>> {
    let states: Vec<_> = signals.landed.iter().filter(|s| s.value != Landed::Undefined).collect();
    if !states.iter().any(|s| s.value == Landed::InAir) {
        return None;
    }
    let mut spans = Vec::new();
    let mut ground_ms: Option<i64> = None;
    let mut open: Option<(Option<Window>, bool)> = None;
    for state in states {
        let airborne = state.value != Landed::OnGround && traces.armed_at(state.earliest_ms);
        match (airborne, open) {
            (true, None) => {
                let liftoff = ground_ms
                    .map(|g| Window { from_ms: g - LIFTOFF_REPORT_LAG_MS, to_ms: state.latest_ms.max(g) });
                open = Some((liftoff, state.value != Landed::Takeoff));
            }
            // "Taking off" is said before the aircraft leaves the ground: the window stays open.
            (true, Some((Some(window), false))) => {
                let to_ms = state.latest_ms.max(window.to_ms);
                open = Some((Some(Window { to_ms, ..window }), state.value != Landed::Takeoff));
            }
            (true, Some(_)) => {}
            (false, Some((liftoff, lifted))) => {
                if lifted {
                    let from_ms = state.earliest_ms - LANDING_REPORT_LAG_MS;
                    let to_ms = state.latest_ms.min(state.earliest_ms + LANDING_REPORT_LAG_MS);
                    spans.push(Span { liftoff, touchdown: Some(Window { from_ms, to_ms }) });
                }
                open = None;
            }
            (false, None) => {}
        }
        if !airborne {
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
fn disarmed_after(traces: &Traces, time_ms: i64) -> Option<Window> {
    let end = traces.armed.as_ref()?.iter().find(|(_, to)| *to > time_ms)?.1;
    (end < i64::MAX).then_some(Window { from_ms: end - 2 * LANDING_REPORT_LAG_MS, to_ms: end })
}

/// Takeoffs and landings as FLIGHT_INFORMATION tells them. Times of zero are "not yet"; times ahead of the
/// message itself (a sender that takes the field names at their word and fills in UTC) or before arming are
/// passed over. Both reset on arming only: at a second takeoff the landing of the first is still told.
fn from_flight_information(signals: &Signals, traces: &Traces, seen: &[Span]) -> Vec<Span> {
    let mut told: Vec<(i64, Option<i64>)> = Vec::new();
    for report in signals.flight_information.iter() {
        let by_now = |time: &i64| *time <= report.earliest_ms.saturating_add(AHEAD_MS);
        let Some(takeoff) = report.value.takeoff_ms.filter(by_now) else { continue };
        if report.value.arming_ms.is_some_and(|arming| takeoff < arming) {
            continue;
        }
        let landing = report.value.landing_ms.filter(by_now);
        if told.last().is_none_or(|last| last.0 != takeoff) {
            if let Some((before, missed @ None)) = told.last_mut() {
                *missed = landing.filter(|l| *before < *l && *l < takeoff);
            }
            told.push((takeoff, None));
        }
        if let Some(last) = told.last_mut() {
            last.1 = landing.filter(|l| *l > takeoff).or(last.1);
        }
    }
    let span = |(takeoff, landing): (i64, Option<i64>)| {
        let liftoff = (takeoff >= traces.start_ms).then_some(Window {
            from_ms: takeoff - LIFTOFF_REPORT_LAG_MS - 1_000,
            to_ms: takeoff + LIFTOFF_REPORT_LAG_MS,
        });
        let touchdown = match landing {
            Some(landing) => Some(Window { from_ms: landing - LANDING_REPORT_LAG_MS, to_ms: landing }),
            // Not told: what else was seen of this flight, or at the latest the disarming.
            None => seen
                .iter()
                .find(|s| s.touchdown.is_none_or(|t| t.to_ms > takeoff))
                .map_or_else(|| disarmed_after(traces, takeoff), |s| s.touchdown),
        };
        Span { liftoff, touchdown }
    };
    told.into_iter().map(span).collect()
}

/// Hysteresis over arming, outputs, height and climb.
fn inferred(traces: &Traces) -> Vec<Span> {
    let mut spans = Vec::new();
    let mut state = starts_airborne(traces).then_some(None::<Window>);
    let mut base_m = traces.motion.first().map_or(0.0, |m| m.height_m);
    let mut grounded_ms = traces.start_ms;
    let mut still_since: Option<(i64, f64)> = None;
    let mut low_since: Option<i64> = None;
    let mut clear = 0u32;
    for motion in &traces.motion {
        let now_ms = motion.time_ms;
        let effort = traces.effort_at(now_ms);
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
                        state =
                            Some(Some(Window { from_ms: grounded_ms.min(now_ms - 1_000), to_ms: now_ms }));
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
                let settled = still_since.map(|s| s.0).filter(|since| now_ms - since >= STILL_MS);
                let ended = if armed { collapsed.or(settled) } else { Some(now_ms) };
                if let Some(since) = ended {
                    let touchdown = Window { from_ms: since - LANDING_REPORT_LAG_MS, to_ms: now_ms };
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

/// Armed and carrying the weight from the first sample on, with height or climb to show for it.
fn starts_airborne(traces: &Traces) -> bool {
    let Some(first) = traces.motion.first() else { return false };
    let early = traces.effort_within(traces.start_ms, traces.start_ms + 2_000);
    let carrying = !early.is_empty() && early.iter().all(|e| e.level >= traces.high());
    let lowest = traces.motion.iter().map(|m| m.height_m).fold(f64::INFINITY, f64::min);
    let aloft = first.height_m - lowest > CLEAR_M || first.height_m > 1.5;
    traces.armed_at(first.time_ms) && carrying && aloft
}
