//! Findings of every flight of one aircraft, each judged against the flights before it. Computed from
//! archived rows alone, so the order of import does not matter.

use super::short_id;
use crate::airframe::Airframe;
use crate::archive::cell::Utc;
use crate::archive::row::{FindingRow, FlightRow, MeasureRow};
use crate::finding::{Earlier, Finding, Limits, Number, Numbers, judge, motor, vibration};
use std::collections::{HashMap, VecDeque};
use std::rc::Rc;

/// Earlier flights that a flight is judged against at most: the latest that tell of what is compared.
const BASELINE_FLIGHTS: usize = 20;

/// Flights in order of time, the latest [`BASELINE_FLIGHTS`] of them.
#[derive(Default)]
struct Latest(VecDeque<Rc<Numbers>>);

impl Latest {
    fn push(&mut self, flight: &Rc<Numbers>) {
        if self.0.len() == BASELINE_FLIGHTS {
            self.0.pop_front();
        }
        self.0.push_back(Rc::clone(flight));
    }

    fn iter(&self) -> impl Iterator<Item = &Numbers> {
        self.0.iter().map(Rc::as_ref)
    }
}

/// What the aircraft's flights are compared with. A flight that stood out is no part of what is usual: a fault that
/// nobody mends would become the baseline, and its finding would go as if it had been cured. What was changed on
/// purpose is told by `baseline_from` in fleet.toml.
#[derive(Default)]
struct History {
    vibration: Latest,
    motors: Latest,
    /// Flights since the motors stood out, up to the last one.
    since: Latest,
}

impl History {
    fn earlier(&self) -> Earlier<'_> {
        Earlier {
            vibration: self.vibration.iter().collect(),
            motors: self.motors.iter().chain(self.since.iter()).collect(),
        }
    }

    fn add(&mut self, flight: Numbers, found: &[Finding], airframe: Option<&Airframe>) {
        let flight = Rc::new(flight);
        let stands_out = |kinds: &[&str]| found.iter().any(|finding| kinds.contains(&finding.kind));
        if vibration::tells(&flight) && !stands_out(&["vibration_rise"]) {
            self.vibration.push(&flight);
        }
        if airframe.is_some_and(|airframe| motor::tells(&flight, airframe)) {
            if stands_out(&["motor_thrust_loss", "motor_output_change", "yaw_bias_change"]) {
                self.since.push(&flight);
            } else {
                self.since = Latest::default();
                self.motors.push(&flight);
            }
        }
    }
}

/// Judges `flights` of one aircraft in order of takeoff; flights without UTC come last, by log and time. Flights from
/// `baseline_from` on are not compared with those before it.
pub fn judge_aircraft(
    flights: &[FlightRow],
    measures: &[MeasureRow],
    airframe: Option<&Airframe>,
    limits: &Limits,
    baseline_from: Option<Utc>,
) -> Vec<FindingRow> {
    let mut order: Vec<&FlightRow> = flights.iter().collect();
    order.sort_by_key(|f| (f.takeoff_utc.unwrap_or(Utc(i64::MAX)), f.log_id.clone(), f.system_id, f.ordinal));
    let mut by_flight: HashMap<&str, Vec<&MeasureRow>> = HashMap::new();
    for measure in measures {
        by_flight.entry(measure.flight_id.as_str()).or_default().push(measure);
    }
    let mut findings = Vec::new();
    let (mut history, mut baseline_from) = (History::default(), baseline_from);
    for flight in order {
        if baseline_from.is_some_and(|from| flight.takeoff_utc.is_some_and(|at| at >= from)) {
            (history, baseline_from) = (History::default(), None);
        }
        let rows = by_flight.remove(flight.flight_id.as_str()).unwrap_or_default();
        let numbers = Numbers::new(rows.iter().filter_map(|r| number(r)).collect());
        let found = judge(&numbers, history.earlier(), airframe, limits);
        history.add(numbers, &found, airframe);
        for finding in found {
            let at = |boot_ms: i64| {
                flight.takeoff_utc.map(|t| Utc(t.0 + (boot_ms - flight.takeoff_boot_ms) * 1000))
            };
            findings.push(FindingRow {
                finding_id: short_id(&[&flight.flight_id, finding.kind, &finding.subject]),
                flight_id: flight.flight_id.clone(),
                aircraft: flight.aircraft.clone(),
                kind: finding.kind.to_owned(),
                subject: finding.subject,
                severity: finding.severity.word().to_owned(),
                value: finding.value,
                unit: finding.unit.to_owned(),
                limit: finding.limit,
                baseline: finding.baseline,
                confidence: finding.confidence,
                evidence_start_utc: at(finding.start_ms),
                evidence_end_utc: at(finding.end_ms),
                summary: finding.summary,
                inspect: serde_json::json!(finding.inspect).to_string(),
            });
        }
    }
    findings
}

fn number(row: &MeasureRow) -> Option<Number> {
    Some(Number {
        measure: row.measure.clone(),
        subject: row.subject.clone(),
        statistic: row.statistic.clone(),
        value: row.value?,
        samples: u64::try_from(row.samples).unwrap_or(0),
        start_ms: row.start_boot_ms,
        end_ms: row.end_boot_ms,
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::airframe::named;
    use crate::archive::row::testing::flight;

    const DAY_US: i64 = 86_400_000_000;

    /// Flights one a day, each with what it measured.
    #[derive(Default)]
    struct Aircraft {
        flights: Vec<FlightRow>,
        measures: Vec<MeasureRow>,
    }

    impl Aircraft {
        fn flies(&mut self, numbers: &[(&str, &str, &str, f64)]) {
            let day = self.flights.len() as i64;
            let row = FlightRow {
                flight_id: format!("flight-{day}"),
                takeoff_utc: Some(Utc(day * DAY_US)),
                ..flight(0, 600_000)
            };
            self.measures.extend(numbers.iter().map(|(measure, subject, statistic, value)| MeasureRow {
                flight_id: row.flight_id.clone(),
                aircraft: row.aircraft.clone(),
                measure: (*measure).to_owned(),
                subject: (*subject).to_owned(),
                statistic: (*statistic).to_owned(),
                value: Some(*value),
                unit: String::new(),
                samples: 600,
                start_boot_ms: 0,
                end_boot_ms: 600_000,
                start_utc: None,
                end_utc: None,
                note: None,
                method_version: 0,
            }));
            self.flights.push(row);
        }

        /// Days whose flight has a finding of this kind.
        fn days(&self, kind: &str, baseline_from: Option<i64>) -> Vec<i64> {
            let airframe = named("quad-x", 0.6, 0.02).unwrap();
            let from = baseline_from.map(|day| Utc(day * DAY_US));
            let limits = Limits::default();
            let all = judge_aircraft(&self.flights, &self.measures, Some(&airframe), &limits, from);
            let of_kind = all.iter().filter(|finding| finding.kind == kind);
            of_kind.map(|finding| finding.flight_id["flight-".len()..].parse().unwrap()).collect()
        }
    }

    /// Noise that is the same every time, in -1..1.
    fn noise(day: i64, of: i64) -> f64 {
        let mixed = (day * 31 + of * 17 + 7).wrapping_mul(2_654_435_761).rem_euclid(1_000);
        mixed as f64 / 500.0 - 1.0
    }

    fn level(day: i64, times: f64) -> [(&'static str, &'static str, &'static str, f64); 1] {
        [("vibration_level", "y", "p95", 4.0 * times * (1.0 + 0.05 * noise(day, 0)))]
    }

    /// Mean outputs in hover of an aircraft whose third motor lost some of its thrust, and that holds against a yaw.
    fn outputs(
        airframe: &Airframe,
        day: i64,
        loss: f64,
        yaw: f64,
    ) -> Vec<(&'static str, &str, &'static str, f64)> {
        let motors = airframe.motors.iter().enumerate();
        let outputs = motors.map(|(index, motor)| {
            let thrust = 0.45 * (1.0 + 0.002 * noise(day, index as i64));
            let weak = if index == 2 { 1.0 - loss } else { 1.0 };
            let turning = if index % 2 == 0 { yaw } else { -yaw };
            ("motor_output", motor.position.as_str(), "mean", thrust / weak + turning)
        });
        outputs.collect()
    }

    #[test]
    fn a_fault_that_nobody_mends_never_becomes_what_is_usual() {
        let mut shaken = Aircraft::default();
        (0..20).for_each(|day| shaken.flies(&level(day, 1.0)));
        (20..80).for_each(|day| shaken.flies(&level(day, 2.0)));
        (80..90).for_each(|day| shaken.flies(&level(day, 1.0)));
        assert_eq!(shaken.days("vibration_rise", None), (20..80).collect::<Vec<_>>());
        // It was changed on purpose on day 20: the flights since are compared with one another.
        assert!(shaken.days("vibration_rise", Some(20)).is_empty());

        let airframe = named("quad-x", 0.6, 0.02).unwrap();
        let mut weak = Aircraft::default();
        for day in 0..80 {
            let loss = if (20..70).contains(&day) { 0.15 } else { 0.0 };
            weak.flies(&outputs(&airframe, day, loss, 0.0));
        }
        assert_eq!(weak.days("motor_thrust_loss", None), (20..70).collect::<Vec<_>>());
    }

    /// Thrust lost on one motor and a yaw effort the other way, as of a worn propeller that takes more torque.
    #[test]
    fn a_change_without_a_single_cause_never_becomes_what_is_usual() {
        let airframe = named("quad-x", 0.6, 0.02).unwrap();
        let mut worn = Aircraft::default();
        for day in 0..60 {
            let (loss, yaw) = if (20..50).contains(&day) { (0.12, 0.02) } else { (0.0, 0.0) };
            worn.flies(&outputs(&airframe, day, loss, yaw));
        }
        let kinds = ["motor_output_change", "motor_thrust_loss", "yaw_bias_change"];
        let mut days: Vec<i64> = kinds.iter().flat_map(|kind| worn.days(kind, None)).collect();
        days.sort_unstable();
        // Now and then a flight looks as if the centre of gravity had moved, which is told too.
        assert!(days.len() >= 27 && days.iter().all(|day| (20..50).contains(day)), "{days:?}");
        assert!((40..50).all(|day| days.contains(&day)), "{days:?}");
        assert!(!worn.days("motor_output_change", None).is_empty());
    }

    #[test]
    fn flights_that_tell_nothing_push_none_out_of_the_baseline() {
        let mut aircraft = Aircraft::default();
        (0..6).for_each(|day| aircraft.flies(&level(day, 1.0)));
        (6..60).for_each(|_| aircraft.flies(&[]));
        aircraft.flies(&level(60, 2.0));
        assert_eq!(aircraft.days("vibration_rise", None), [60]);
    }
}
