//! Since when an aircraft's hover outputs are not what they were: with the last flight, or with a run of them.
//!
//! One flight may be too short to tell causes apart, and a fault stays until a hand mends it. So every run of
//! flights up to the last one is tried whose flights are alike and each depart from the flights before the
//! run; the longest that shows a fault counts. What one flight alone shows counts otherwise. The flights
//! before the run thereby stay free of the fault, and it is still reported after ten flights.

use super::Numbers;
use super::motor::OUTPUT_ERROR;
use crate::airframe::Airframe;
use crate::measure::{Change, Reading, Trim, alike, change};

/// What one flight says of its motors; the trim from the outputs where none was archived.
pub(super) fn reading(flight: &Numbers, airframe: &Airframe) -> Option<Reading> {
    let positions = || airframe.motors.iter().map(|m| m.position.as_str());
    let outputs = flight.each("motor_output", "mean", positions())?;
    match Trim::from_archive(|part, statistic| flight.get("trim", part, statistic).map(|n| n.value)) {
        Some(trim) => Reading::new(airframe, outputs, &trim),
        None => {
            let errors = flight
                .each("motor_output", "standard_error", positions())
                .unwrap_or_else(|| vec![OUTPUT_ERROR; outputs.len()]);
            Reading::from_outputs(airframe, outputs, &errors)
        }
    }
}

/// What changed with the last flight, or with a run of flights up to it, and how long that run is.
pub(super) fn since_when(readings: &[Reading], airframe: &Airframe) -> Option<(Change, usize)> {
    let last = readings.last()?;
    let judged = |run: usize, of: &[Reading]| {
        readings.get(..readings.len().checked_sub(run)?).and_then(|before| change(airframe, before, of))
    };
    let alone = (judged(1, std::slice::from_ref(last))?, 1);
    for run in (2..readings.len()).rev() {
        let recent = &readings[readings.len() - run..];
        let departs =
            |r: &Reading| judged(run, std::slice::from_ref(r)).is_some_and(|change| change != Change::None);
        if alike(recent)
            && recent.iter().all(departs)
            && let Some(change @ (Change::Motor { .. } | Change::YawShift { .. })) = judged(run, recent)
        {
            return Some((change, run));
        }
    }
    Some(alone)
}
