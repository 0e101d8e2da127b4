//! Flights as the autopilot's own record, FLIGHT_INFORMATION, tells them, held against what else was seen.

use super::TOUCH_AND_GO_MS;
use super::span::{LANDING_REPORT_LAG_MS, LIFTOFF_REPORT_LAG_MS, Span, Window, disarmed_after};
use super::trace::Traces;
use crate::signal::{Signals, hole};

/// How far a takeoff or landing time may lie ahead of the message that tells it: rounding and clock ticks.
const AHEAD_MS: i64 = 1_000;

/// Whether the flights told are the flights seen: none is missing, and each lies in one that was seen, or in a hole
/// where none could be. One that was seen as whole may be told as several: a short touch escapes slow streams, and
/// any touch escapes in a hole.
pub(super) fn agree(told: &[Span], seen: &[Span], traces: &Traces) -> bool {
    let up = |s: &Span| s.liftoff.unwrap_or(Window { from_ms: traces.start_ms, to_ms: traces.start_ms });
    let down = |s: &Span| s.touchdown.unwrap_or(Window { from_ms: traces.end_ms, to_ms: traces.end_ms });
    let meet = |a: Window, b: Window| a.from_ms <= b.to_ms && b.from_ms <= a.to_ms;
    let found =
        |s: &Span| told.iter().any(|t| meet(up(t), up(s))) && told.iter().any(|t| meet(down(t), down(s)));
    let held =
        |t: &Span| seen.iter().any(|s| up(s).from_ms <= up(t).to_ms && down(t).from_ms <= down(s).to_ms);
    let hidden = |t: &Span| traces.holes.iter().any(|h| h.0 <= up(t).to_ms && down(t).from_ms <= h.1);
    seen.iter().all(found) && told.iter().all(|t| held(t) || hidden(t))
}

/// Takeoffs and landings as FLIGHT_INFORMATION tells them. Times of zero are "not yet"; times ahead of the
/// message itself (a sender that takes the field names at their word and fills in UTC) or before arming are
/// passed over. Both reset on arming only: at a second takeoff the landing of the first is still told.
pub(super) fn from_flight_information(signals: &Signals, traces: &Traces, seen: &[Span]) -> Vec<Span> {
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
    let next = told.iter().skip(1).map(|t| Some(t.0)).chain([None]);
    let span = |(&(takeoff, landing), next): (&(i64, Option<i64>), Option<i64>)| {
        let liftoff = (takeoff >= traces.start_ms).then_some(Window {
            from_ms: takeoff - LIFTOFF_REPORT_LAG_MS - 1_000,
            to_ms: takeoff + LIFTOFF_REPORT_LAG_MS,
        });
        let touchdown = match landing {
            Some(landing) => Some(Window { from_ms: landing - LANDING_REPORT_LAG_MS, to_ms: landing }),
            None => untold(traces, seen, takeoff, next),
        };
        Span { liftoff, touchdown }
    };
    told.iter().zip(next).map(span).collect()
}

/// A landing that is not told: what else was seen of this flight, or at the latest the disarming. If that lies
/// behind the next takeoff, nobody saw this one. If the aircraft was seen in the air before and at that takeoff, it
/// touched the ground in the last holes before it, or but briefly; else it was down at the end of the first ones.
fn untold(traces: &Traces, seen: &[Span], takeoff: i64, next: Option<i64>) -> Option<Window> {
    let span = seen.iter().find(|s| s.touchdown.is_none_or(|t| t.to_ms > takeoff));
    let window = span.map_or_else(|| disarmed_after(traces, takeoff), |s| s.touchdown);
    let Some(next) = next else { return window };
    if let Some(window) = window
        && window.from_ms < next
    {
        return Some(Window { to_ms: window.to_ms.min(next), ..window });
    }
    let aloft = span.is_some_and(|s| s.liftoff.is_none_or(|l| l.to_ms < next));
    let mut groups = hole::within(&traces.holes, takeoff, next)
        .chunk_by(|a, b| b.0 - a.1 < LANDING_REPORT_LAG_MS)
        .filter_map(|group| Some((group.first()?.0, group.last()?.1 + LANDING_REPORT_LAG_MS)));
    let hidden = if aloft { groups.next_back().filter(|group| group.1 >= next) } else { groups.next() };
    let (from_ms, to_ms) = hidden
        .map_or((next - TOUCH_AND_GO_MS, next), |group| (group.0 - LANDING_REPORT_LAG_MS, group.1.min(next)));
    Some(Window { from_ms: from_ms.max(takeoff), to_ms })
}
