//! Invented flights with stated truth, for tests, benches and `sample-logs/`.
//!
//! Independent of the rest of fettle on purpose: its own geometry, its own physics, and frames encoded by
//! the crate `mavlink`. What fettle finds in these logs can be held against what really happened.
//!
//! | file          | what                                                              |
//! |---------------|-------------------------------------------------------------------|
//! | [`scenario`]  | what is to be flown, and how it is recorded                        |
//! | [`streams`]   | messages and their rates, protocol, container                      |
//! | `random`      | deterministic noise                                                |
//! | `geometry`    | airframe as planned and as built, closed-loop mixing               |
//! | `path`        | where the aircraft is, and how it moves                            |
//! | `outing`      | arming, spool-up, lift-off, touchdown, and what the autopilot says |
//! | `plant`       | forces, attitude, motors, currents                                 |
//! | `battery`     | pack                                                               |
//! | `sensors`     | estimates, accelerometers, vibration                               |
//! | `messages`    | state → MAVLink messages                                           |
//! | `link`        | messages → frames in a container                                   |
//! | `vehicle`     | one vehicle, tick by tick                                          |
//! | [`demo`]      | the fleet of `sample-logs/`                                        |
//! | [`truth`]     | what really happened                                               |
//!
//! ```
//! use fettle::simulator::{Frame, Scenario, simulate};
//! let made = simulate(&Scenario::new(Frame::HexaX, 7).with_flights(2));
//! assert_eq!(made.truth.flights.len(), 2);
//! assert!(made.truth.flights[0].airtime_ms() > 120_000.0);
//! ```

// One index runs over several arrays of the same motors or axes.
#![allow(clippy::needless_range_loop)]

mod battery;
pub mod demo;
#[cfg(test)]
mod fault_tests;
mod geometry;
mod link;
mod messages;
mod outing;
mod path;
mod plant;
mod random;
pub mod scenario;
mod sensors;
pub mod streams;
#[cfg(test)]
mod tests;
pub mod truth;
mod vehicle;

pub use plant::GRAVITY_M_S2;
pub use random::Random;
pub use scenario::{Faults, Frame, Plan, Scenario, Sortie};
pub use streams::{Container, FlightRecord, Protocol, Streams};
pub use truth::{TrueFlight, TrueVehicle, Truth};

use link::{Link, Sink, Written};
use vehicle::Vehicle;

/// A log in memory and the truth behind it.
#[derive(Debug, Clone)]
pub struct Simulated {
    /// The log.
    pub bytes: Vec<u8>,
    /// What really happened.
    pub truth: Truth,
}

/// Flies `scenario` into memory.
pub fn simulate(scenario: &Scenario) -> Simulated {
    let mut bytes = Vec::new();
    let Ok(truth) = run(scenario, &mut bytes);
    Simulated { bytes, truth }
}

/// Flies `scenario` into `out`; memory does not grow with the length of the log, save for the truth of
/// each flight. Writes are small: give it a buffered writer.
pub fn write_to(scenario: &Scenario, out: impl std::io::Write) -> std::io::Result<Truth> {
    let mut sink = Written(out);
    let truth = run(scenario, &mut sink)?;
    sink.0.flush()?;
    Ok(truth)
}

fn run<S: Sink>(scenario: &Scenario, sink: &mut S) -> Result<Truth, S::Error> {
    let fastest = scenario.companions.iter().chain([scenario]).map(|s| s.streams.highres_imu);
    let dt_s = 1.0 / fastest.fold(50.0, f64::max);
    let mut vehicles: Vec<Vehicle<'_>> =
        std::iter::once(scenario).chain(&scenario.companions).map(|s| Vehicle::new(s, dt_s)).collect();
    let mut link = Link::new(scenario, sink);
    while vehicles.iter().any(|v| !v.finished) {
        for vehicle in vehicles.iter_mut().filter(|v| !v.finished) {
            // Nothing is sent, nothing grows: without a single sortie there is no log to lengthen.
            if vehicle.at_the_end() && link.bytes < scenario.at_least_bytes && link.bytes > 0 {
                vehicle.extend();
            }
            vehicle.advance(&mut link)?;
        }
    }
    let mut truth = Truth { bytes: link.bytes, frames: link.frames, ..Truth::default() };
    for vehicle in &mut vehicles {
        truth.vehicles.push(vehicle.conclude());
        truth.flights.append(&mut vehicle.flights);
    }
    Ok(truth)
}
