//! Evidence that is thin, late or at odds with itself: the bounds must hold the truth all the same. The flights are
//! closed-form motions, so their truth is exact; the shapes are made up.
#![allow(clippy::unwrap_used, clippy::panic, reason = "a test stops at the first surprise")]

use fettle::flight::{Flight, segment};
use fettle::signal::{GlobalPosition, Heartbeat, Landed, Sample, ServoOutputs, Signals};

/// A session of one flight.
struct Made {
    takeoff_ms: i64,
    touchdown_ms: i64,
    disarmed_ms: i64,
    end_ms: i64,
    /// Climb in m/s so many milliseconds after takeoff; the descent mirrors it.
    climb: fn(i64) -> f64,
    outputs: bool,
    /// Pulse in the air at an instant, in µs; 1100 on the ground, 1000 disarmed.
    pulse_us: fn(i64) -> u16,
    states: Vec<(i64, Landed)>,
    /// Half a second after the touchdown, for a fifth of a second: sprung legs.
    settling_m_s: f64,
}

impl Default for Made {
    fn default() -> Self {
        Made {
            takeoff_ms: 10_000,
            touchdown_ms: 110_000,
            disarmed_ms: 115_000,
            end_ms: 120_000,
            climb: |ms| (ms as f64 / 1000.0).min(2.0),
            outputs: true,
            pulse_us: |_| 1500,
            states: Vec::new(),
            settling_m_s: 0.0,
        }
    }
}

impl Made {
    /// m/s; up for ten seconds, down for the last ten.
    fn climb_m_s(&self, ms: i64) -> f64 {
        if (self.takeoff_ms..self.takeoff_ms + 10_000).contains(&ms) {
            (self.climb)(ms - self.takeoff_ms)
        } else if (self.touchdown_ms + 500..self.touchdown_ms + 700).contains(&ms) {
            -self.settling_m_s
        } else if (self.touchdown_ms - 10_000..self.touchdown_ms).contains(&ms) {
            -(self.climb)(self.touchdown_ms - ms)
        } else {
            0.0
        }
    }

    fn flights(&self) -> Vec<Flight> {
        let mut signals = Signals::default();
        let every = |step: usize| (0..=self.end_ms).step_by(step);
        for ms in every(1000) {
            let armed = ms < self.disarmed_ms;
            let beat = Heartbeat { armed, hil: false, mav_type: 2, autopilot: 12, system_status: 4 };
            signals.heartbeats.push(Sample::at(ms, beat));
        }
        let mut height_m = 0.0;
        for ms in every(1) {
            height_m += self.climb_m_s(ms) / 1000.0;
            if ms % 200 == 0 {
                let position = GlobalPosition {
                    lat_deg: 0.0,
                    lon_deg: 0.0,
                    alt_m: height_m as f32,
                    relative_alt_m: height_m as f32,
                    vn_m_s: 0.0,
                    ve_m_s: 0.0,
                    vd_m_s: -self.climb_m_s(ms) as f32,
                };
                signals.global_position.push(Sample::at(ms, position));
            }
        }
        for ms in every(100).filter(|_| self.outputs) {
            // Legs that give way do so because the outputs fall late.
            let late_ms = if self.settling_m_s > 0.0 { 900 } else { 0 };
            let airborne = (self.takeoff_ms..self.touchdown_ms + late_ms).contains(&ms);
            let pulse = match (airborne, ms < self.disarmed_ms) {
                (true, _) => (self.pulse_us)(ms),
                (false, true) => 1100,
                (false, false) => 1000,
            };
            let raw = std::array::from_fn(|channel| if channel < 4 { pulse } else { 0 });
            signals.outputs.push(Sample::at(ms, ServoOutputs::from_raw(raw)));
        }
        for (ms, state) in self.states.iter().filter(|(ms, _)| *ms <= self.end_ms) {
            signals.landed.push(Sample::at(*ms, *state));
        }
        segment(&signals, Some(&[1, 2, 3, 4]), 0)
    }

    /// The one flight, whose bounds must hold the truth.
    fn flight(&self) -> Flight {
        let flights = self.flights();
        assert_eq!(flights.len(), 1, "{flights:?}");
        let flight = flights.into_iter().next().unwrap();
        let touchdown_ms = self.touchdown_ms.min(self.end_ms);
        let airtime_ms = touchdown_ms - self.takeoff_ms;
        let (low, high) = flight.airtime_bounds_ms;
        assert!((low..=high).contains(&airtime_ms), "airtime {airtime_ms} in {flight:?}");
        for (bounded, truth_ms) in [(flight.takeoff, self.takeoff_ms), (flight.touchdown, touchdown_ms)] {
            assert!(
                (bounded.earliest_ms..=bounded.latest_ms).contains(&truth_ms),
                "{truth_ms} in {flight:?}"
            );
        }
        flight
    }
}

#[test]
fn a_log_that_begins_with_taking_off_has_the_flight() {
    let states = vec![(1_000, Landed::Takeoff), (11_500, Landed::InAir), (111_500, Landed::OnGround)];
    let flight = Made { states, ..Made::default() }.flight();
    assert!(flight.complete);
    assert!((flight.airtime_ms - 100_000).abs() <= 300, "{flight:?}");
}

#[test]
fn states_ten_seconds_apart_bound_the_touchdown_by_the_last_one_in_the_air() {
    let mut states: Vec<(i64, Landed)> = (2..=10).map(|i| (i * 10_000 + 2_000, Landed::InAir)).collect();
    states.insert(0, (2_000, Landed::OnGround));
    // The last one in the air is told half a second before the touchdown; the next one only 10 s later.
    states.push((109_500, Landed::InAir));
    states.push((119_500, Landed::OnGround));
    for outputs in [true, false] {
        let made = Made { states: states.clone(), outputs, disarmed_ms: 113_000, ..Made::default() };
        let flight = made.flight();
        assert!(flight.touchdown.best_ms <= made.disarmed_ms, "disarmed is never airborne: {flight:?}");
    }
}

#[test]
fn a_climb_that_hardly_begins_is_bounded_by_the_outputs_too() {
    let creeping: fn(i64) -> f64 = |ms| if ms < 2_000 { 0.15 } else { (ms - 2_000) as f64 / 1000.0 + 0.15 };
    for told in [true, false] {
        let mut states =
            vec![(2_000, Landed::OnGround), (10_500, Landed::InAir), (111_000, Landed::OnGround)];
        states.retain(|_| told);
        Made { climb: creeping, states, ..Made::default() }.flight();
    }
}

#[test]
fn a_log_that_ends_before_the_touchdown_was_told_is_bounded_by_how_late_it_is_told() {
    for (end_ms, outputs) in [(111_000, false), (110_500, true), (109_000, true)] {
        let states = vec![(2_000, Landed::OnGround), (11_000, Landed::InAir), (60_000, Landed::InAir)];
        let made = Made { states, end_ms, outputs, ..Made::default() };
        let flight = made.flight();
        if !outputs {
            assert!(!flight.complete, "nothing told of the touchdown: {flight:?}");
        }
    }
}

/// Eighty seconds of perfect stillness 18 m up: without outputs only the descent that follows tells it from the ground.
#[test]
fn a_hover_is_not_taken_for_the_ground_where_no_outputs_are_told() {
    let flight = Made { outputs: false, ..Made::default() }.flight();
    assert!(flight.complete && (flight.airtime_ms - 100_000).abs() <= 1_000, "{flight:?}");
    let cut = Made { outputs: false, end_ms: 90_000, ..Made::default() }.flight();
    assert!(!cut.complete, "it never came down: {cut:?}");
}

/// A load that is let go, a tank that runs dry: the aircraft hovers at outputs far below those of most of the flight.
#[test]
fn an_aircraft_that_gets_lighter_in_the_air_has_not_landed() {
    let lighter: [fn(i64) -> u16; 4] = [
        |ms| if ms < 80_000 { 1600 } else { 1460 },
        |ms| if ms < 80_000 { 1600 } else { 1400 },
        |ms| if ms < 30_000 { 1600 } else { 1400 },
        |ms| 1600 - u16::try_from(ms / 500).unwrap(),
    ];
    for (case, pulse_us) in lighter.into_iter().enumerate() {
        // The last of these pairs leaves next to no time on the ground from which idle could be known.
        for (takeoff_ms, disarmed_ms) in [(10_000, 115_000), (600, 110_200)] {
            let flight = Made { pulse_us, takeoff_ms, disarmed_ms, ..Made::default() }.flight();
            let airtime_ms = 110_000 - takeoff_ms;
            assert!((flight.airtime_ms - airtime_ms).abs() <= 500, "{case}, {takeoff_ms}: {flight:?}");
        }
    }
}

#[test]
fn legs_that_give_way_after_the_contact_do_not_shift_its_bounds() {
    let told = vec![(2_000, Landed::OnGround), (10_500, Landed::InAir), (111_500, Landed::OnGround)];
    for states in [Vec::new(), told] {
        Made { settling_m_s: 0.4, states, ..Made::default() }.flight();
    }
}
