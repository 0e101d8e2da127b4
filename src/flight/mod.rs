//! Flights: from liftoff to touchdown (time in service, 14 CFR 1.1), as integer milliseconds of boot time
//! with bounds that hold the truth.
//!
//! - [`trace`]: what segmentation looks at: armed spans, height and climb, mean output
//! - [`span`]: the coarse answer: between which instants the aircraft left and met the ground
//! - `told`: the same as the autopilot's own record tells it
//! - [`instant`]: the exact answer inside those windows
//! - `hidden`: the same where a hole in the data lies in the window
//!
//! Evidence, best first: EXTENDED_SYS_STATE or FLIGHT_INFORMATION, which say what the autopilot
//! believed (its landing detector is commonly 0.5–2 s late: common practice, no published source), else
//! arming, outputs, height and climb with hysteresis. Disarmed is never airborne; outputs at idle are
//! never airborne; a spool-up without lift counts nothing. Ground contact shorter than
//! [`TOUCH_AND_GO_MS`] without disarming is a touch-and-go: one flight, one more landing, and the time
//! on the ground is not counted.
//!
//! Holes in the data ([`Signals::holes`]) are bridged by no evidence. A liftoff or touchdown that may lie in one is
//! bounded by the whole of it. In the air on both sides is in the air between, as best estimate; but the lower bound
//! of airtime leaves the hole out, for the aircraft may have stood on the ground in it, and shortly before and behind. On the ground on both sides
//! is on the ground between, unless FLIGHT_INFORMATION tells of a flight: a hole may hide one that nobody will find.

mod hidden;
pub mod instant;
pub mod span;
mod told;
pub mod trace;

use crate::signal::{GlobalPosition, Sample, Signals, hole};
use span::LANDING_REPORT_LAG_MS;
use trace::Traces;

/// Longest ground contact, still armed, that does not end a flight.
pub const TOUCH_AND_GO_MS: i64 = 10_000;

/// An instant with the interval that must hold it, in milliseconds since boot.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Bounded {
    /// Best estimate.
    pub best_ms: i64,
    /// Not before.
    pub earliest_ms: i64,
    /// Not after.
    pub latest_ms: i64,
}

impl Bounded {
    /// An instant known exactly.
    pub fn exact(time_ms: i64) -> Self {
        Bounded { best_ms: time_ms, earliest_ms: time_ms, latest_ms: time_ms }
    }
}

/// What the segmentation of a flight rests on.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Evidence {
    /// FLIGHT_INFORMATION named takeoff and landing.
    FlightInformation,
    /// EXTENDED_SYS_STATE.
    LandedState,
    /// Arming, outputs, height and climb.
    Inferred,
}

impl Evidence {
    /// The word used in machine output.
    pub fn word(self) -> &'static str {
        match self {
            Evidence::FlightInformation => "flight_information",
            Evidence::LandedState => "landed_state",
            Evidence::Inferred => "inferred",
        }
    }
}

/// One flight of one vehicle within one boot session.
#[derive(Debug, Clone, PartialEq)]
pub struct Flight {
    /// Left the ground; the log's first instant if it began in the air.
    pub takeoff: Bounded,
    /// Met the ground for the last time; the log's last instant if it ended in the air.
    pub touchdown: Bounded,
    /// Time off the ground, in milliseconds.
    pub airtime_ms: i64,
    /// Least and greatest airtime that the evidence allows, in milliseconds: the least has the aircraft on the ground
    /// for as long as holes in the data can hide.
    pub airtime_bounds_ms: (i64, i64),
    /// What it rests on.
    pub evidence: Evidence,
    /// False if the log starts or ends in the air.
    pub complete: bool,
    /// Touchdowns seen: 0 if the log ended in the air, 2 for one touch-and-go.
    pub landings: u32,
    /// Times the motors were started for it: armings since the flight before, those after the last flight of the
    /// session with that one, so that a run-up on the ground is not lost. `None` where arming is not told.
    pub motor_starts: Option<u32>,
    /// Way over ground in metres, from GLOBAL_POSITION_INT; `None` without it, or if holes hide much of the way.
    pub distance_m: Option<f64>,
}

/// Finds the flights of one boot session.
///
/// `motor_outputs` are the SERVO_OUTPUT channels (from 1) that drive motors; `None` takes every channel
/// that moves like one. `lag_ms` is how late the sender's time stamps can arrive, which widens the
/// bounds of instants that rest on messages without a stamp of their own.
pub fn segment(signals: &Signals, motor_outputs: Option<&[u8]>, lag_ms: i64) -> Vec<Flight> {
    let traces = Traces::new(signals, motor_outputs);
    let (spans, evidence) = span::coarse(signals, &traces);
    let mut flights: Vec<Flight> = Vec::new();
    for span in spans {
        let takeoff = match span.liftoff {
            Some(window) => instant::liftoff(&traces, window, lag_ms),
            None => began_airborne(&traces),
        };
        let touchdown = match span.touchdown {
            Some(window) => instant::touchdown(&traces, window, lag_ms),
            None => ended_airborne(&traces),
        };
        if touchdown.best_ms <= takeoff.best_ms {
            continue;
        }
        let (from, to) = (takeoff.latest_ms, touchdown.earliest_ms);
        let low = (to - from - hidden::on_ground_ms(&traces, from, to)).max(0);
        let high = touchdown.latest_ms - takeoff.earliest_ms;
        let flight = Flight {
            takeoff,
            touchdown,
            airtime_ms: touchdown.best_ms - takeoff.best_ms,
            airtime_bounds_ms: (low, high),
            evidence,
            complete: span.liftoff.is_some() && span.touchdown.is_some(),
            landings: u32::from(span.touchdown.is_some()),
            motor_starts: None,
            distance_m: None,
        };
        match flights.last_mut() {
            Some(last) if continues(last, &flight, &traces) => join(last, flight),
            _ => flights.push(flight),
        }
    }
    if let Some(armed) = &traces.armed {
        count_starts(&mut flights, armed, traces.start_ms);
    }
    for flight in &mut flights {
        flight.distance_m = distance_m(signals, flight.takeoff.best_ms, flight.touchdown.best_ms);
    }
    flights
}

/// The log's first instant, unless a hole soon behind it may have hidden the liftoff.
fn began_airborne(traces: &Traces) -> Bounded {
    let soon = hole::within(&traces.holes, traces.start_ms, traces.start_ms + LANDING_REPORT_LAG_MS);
    let latest_ms = soon.last().map_or(traces.start_ms, |hole| hole.1);
    Bounded { latest_ms, ..Bounded::exact(traces.start_ms) }
}

/// The log's last instant. A touchdown shortly before it may not have been told yet, or a hole may have hidden it.
fn ended_airborne(traces: &Traces) -> Bounded {
    let late = hole::within(&traces.holes, traces.end_ms - LANDING_REPORT_LAG_MS, traces.end_ms);
    let unnoticed_ms = || hidden::unnoticed_before_ms(traces, traces.end_ms);
    let earliest_ms =
        late.first().map_or_else(|| traces.end_ms - unnoticed_ms(), |hole| hole.0 - LANDING_REPORT_LAG_MS);
    Bounded { earliest_ms, ..Bounded::exact(traces.end_ms) }
}

/// Gives every arming to a flight. One before the log's beginning counts if the log begins on the ground, since
/// many recorders start by it; a log that begins in the air shows no start.
fn count_starts(flights: &mut [Flight], armed: &[(i64, i64)], log_start_ms: i64) {
    let mut after_ms = i64::MIN;
    let count = flights.len();
    for (index, flight) in flights.iter_mut().enumerate() {
        let until_ms = if index + 1 == count { i64::MAX } else { flight.touchdown.best_ms };
        let on_ground = flight.takeoff.best_ms > log_start_ms;
        let starts = armed.iter().filter(|(from_ms, _)| match *from_ms {
            i64::MIN => index == 0 && on_ground,
            from_ms => (index == 0 || from_ms > after_ms) && from_ms <= until_ms,
        });
        flight.motor_starts = Some(u32::try_from(starts.count()).unwrap_or(u32::MAX));
        after_ms = until_ms;
    }
}

fn continues(last: &Flight, next: &Flight, traces: &Traces) -> bool {
    last.landings > 0
        && next.takeoff.best_ms - last.touchdown.best_ms <= TOUCH_AND_GO_MS
        && traces.armed_throughout(last.touchdown.best_ms, next.takeoff.best_ms)
}

fn join(last: &mut Flight, next: Flight) {
    last.touchdown = next.touchdown;
    last.airtime_ms += next.airtime_ms;
    last.airtime_bounds_ms.0 += next.airtime_bounds_ms.0;
    last.airtime_bounds_ms.1 += next.airtime_bounds_ms.1;
    last.landings += next.landings;
    last.complete &= next.complete;
}

/// Mean Earth radius, metres (IUGG R₁).
pub(crate) const EARTH_RADIUS_M: f64 = 6_371_008.8;

/// Most of the way that holes may hide, as a share of it (common practice, no published source).
const MOST_HIDDEN: f64 = 0.05;

/// Haversine way over ground, points at least 0.8 s apart so that position noise does not add up.
///
/// Across a hole the straight line is the least way there is, and the hole's length at the greatest speed of the
/// flight the most. If these leave more open than [`MOST_HIDDEN`] of the way, the way is not known: a number that is
/// only a lower bound would pass for the way itself.
fn distance_m(signals: &Signals, start_ms: i64, end_ms: i64) -> Option<f64> {
    let (mut way_m, mut hidden_m) = (0.0, 0.0);
    let speed_m_s = |p: &Sample<GlobalPosition>| f64::from(p.value.vn_m_s.hypot(p.value.ve_m_s));
    let mut last: Option<(i64, f64, f64)> = None;
    let points = signals.global_position.within(start_ms, end_ms);
    let fastest_m_s = points.iter().map(speed_m_s).fold(0.0, f64::max);
    for point in points {
        let (lat, lon) = (point.value.lat_deg, point.value.lon_deg);
        if lat == 0.0 && lon == 0.0 {
            continue;
        }
        match last {
            Some((time_ms, _, _)) if point.earliest_ms - time_ms < 800 => continue,
            Some((time_ms, lat0, lon0)) => {
                let line_m = haversine_m(lat0, lon0, lat, lon);
                way_m += line_m;
                let hole_ms = hole::length_ms(&signals.holes, time_ms, point.earliest_ms);
                if hole_ms > 0 {
                    hidden_m += (fastest_m_s * hole_ms as f64 / 1000.0 - line_m).max(0.0);
                }
            }
            None => {}
        }
        last = Some((point.earliest_ms, lat, lon));
    }
    let ends_ms =
        points.first().zip(points.last()).map(|(a, b)| [(start_ms, a.earliest_ms), (b.earliest_ms, end_ms)]);
    for (from_ms, to_ms) in ends_ms.into_iter().flatten() {
        hidden_m += fastest_m_s * hole::length_ms(&signals.holes, from_ms, to_ms) as f64 / 1000.0;
    }
    last.filter(|_| hidden_m <= MOST_HIDDEN * way_m).map(|_| way_m)
}

/// Great-circle distance on a sphere, metres; angles in degrees.
pub fn haversine_m(lat0: f64, lon0: f64, lat1: f64, lon1: f64) -> f64 {
    let (phi0, phi1) = (lat0.to_radians(), lat1.to_radians());
    let half_lat = (phi1 - phi0) / 2.0;
    let half_lon = (lon1 - lon0).to_radians() / 2.0;
    let a = half_lat.sin().powi(2) + phi0.cos() * phi1.cos() * half_lon.sin().powi(2);
    2.0 * EARTH_RADIUS_M * a.sqrt().min(1.0).asin()
}
