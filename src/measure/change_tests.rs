//! How often a motor is named rightly and wrongly, over simulated aircraft with build tolerances.
//!
//! The forward model is its own: true moments from tilted, unequal motors about the true centre of gravity,
//! and a mixer that commands u = B⁺v with the nominal B. Tolerances and scatter between flights (centre of
//! gravity 1 mm, yaw effort 0.002): common practice, no published source. Standard error of the yaw effort:
//! that of the flight simulator's flights of two minutes, 0.0029 on average.

use super::*;
use crate::airframe::named;
use crate::stats::dense::solve;
use crate::stats::testing::Random;

const SEEDS: u64 = 1000;
/// Standard error of one flight's yaw effort.
const YAW_NOISE: f64 = 0.003;
const FRAMES: [&str; 3] = ["quad-x", "hexa-x", "octo-x"];

/// One aircraft as built.
struct Aircraft {
    nominal: Airframe,
    thrust_factor: Vec<f64>,
    tilt_rad: Vec<f64>,
    cg_m: [f64; 2],
    weight: f64,
}

impl Aircraft {
    fn build(frame: &str, random: &mut Random) -> Self {
        let nominal = named(frame, 0.6, 0.021).unwrap();
        let n = nominal.motors.len();
        let (radius, angle) = (0.015 * random.uniform().sqrt(), std::f64::consts::TAU * random.uniform());
        Aircraft {
            thrust_factor: (0..n).map(|_| 1.0 + 0.04 * (random.uniform() - 0.5)).collect(),
            tilt_rad: (0..n).map(|_| 0.3f64.to_radians() * random.normal()).collect(),
            cg_m: [radius * angle.cos(), radius * angle.sin()],
            weight: 0.45 * n as f64,
            nominal,
        }
    }

    /// Hover outputs of one flight, with the scatter of the flights.
    fn fly(&self, random: &mut Random) -> Vec<f64> {
        let allocation = self.nominal.allocation().unwrap();
        let mut closed_loop = [[0.0; 4]; 4];
        for (k, motor) in self.nominal.motors.iter().enumerate() {
            let arm = motor.x_m.hypot(motor.y_m);
            let (sin, cos) = self.tilt_rad[k].sin_cos();
            let yaw = self.nominal.torque_per_thrust_m * motor.spin.sign() * cos + arm * sin;
            let column = [cos, -motor.y_m * cos, motor.x_m * cos, yaw].map(|c| c * self.thrust_factor[k]);
            for (i, row) in closed_loop.iter_mut().enumerate() {
                for (j, entry) in row.iter_mut().enumerate() {
                    *entry += column[i] * allocation.inverse[k][j];
                }
            }
        }
        let x = self.cg_m[0] + 0.001 * random.normal();
        let y = self.cg_m[1] + 0.001 * random.normal();
        let yaw = 0.002 * self.nominal.torque_per_thrust_m * random.normal();
        let wrench = [1.0, -y, x, yaw].map(|w| w * self.weight);
        allocation.outputs(solve(closed_loop, wrench).unwrap())
    }

    /// What is measured of it: standard errors as flights of two and a half minutes have them.
    fn read(&self, random: &mut Random) -> Reading {
        let outputs = self.fly(random);
        let trim = parts(&self.nominal, &outputs);
        let error = [0.0002, 0.0002, YAW_NOISE];
        let noisy = [0, 1, 2].map(|axis| trim[axis] + error[axis] * random.normal());
        Reading::new(&self.nominal, outputs, &Trim::new(noisy, error)).unwrap()
    }
}

/// Five healthy flights, then `alter`, then `flights` more; what is made of each aircraft.
fn verdicts(frame: &str, flights: usize, alter: impl Fn(&mut Aircraft, &mut Random)) -> Vec<Change> {
    (0..SEEDS)
        .map(|seed| {
            let mut random = Random::new(seed);
            let mut aircraft = Aircraft::build(frame, &mut random);
            let baseline: Vec<Reading> = (0..5).map(|_| aircraft.read(&mut random)).collect();
            alter(&mut aircraft, &mut random);
            let recent: Vec<Reading> = (0..flights).map(|_| aircraft.read(&mut random)).collect();
            change(&aircraft.nominal, &baseline, &recent).unwrap()
        })
        .collect()
}

fn share(verdicts: &[Change], wanted: impl Fn(&Change) -> bool) -> f64 {
    verdicts.iter().filter(|v| wanted(v)).count() as f64 / verdicts.len() as f64
}

#[test]
fn a_motor_that_lost_twelve_per_cent_is_named() {
    for (frame, flights, least) in [
        ("quad-x", 1, 0.98),
        ("hexa-x", 1, 0.96),
        ("octo-x", 1, 0.88),
        ("hexa-x", 2, 0.98),
        ("octo-x", 2, 0.95),
    ] {
        let all = verdicts(frame, flights, |aircraft, _| aircraft.thrust_factor[1] *= 0.88);
        let right = share(
            &all,
            |v| matches!(v, Change::Motor { index: 1, loss, confidence } if (loss - 0.12).abs() < 0.05 && *confidence > 0.5),
        );
        let wrong = share(&all, |v| matches!(v, Change::Motor { index, .. } if *index != 1));
        println!("{frame}, {flights} flights: {right} named, {wrong} wrongly");
        assert!(right >= least, "{frame}, {flights} flights: {right} named");
        assert_eq!(wrong, 0.0, "{frame}: a wrong motor was named");
    }
}

#[test]
fn a_moved_centre_of_gravity_names_no_motor() {
    for frame in FRAMES {
        let all = verdicts(frame, 1, |aircraft, random| {
            let angle = std::f64::consts::TAU * random.uniform();
            aircraft.cg_m[0] += 0.03 * angle.cos();
            aircraft.cg_m[1] += 0.03 * angle.sin();
        });
        let named = share(&all, |v| matches!(v, Change::Motor { .. }));
        let cg = share(
            &all,
            |v| matches!(v, Change::CgShift { forward_mm, right_mm } if (forward_mm.hypot(*right_mm) - 30.0).abs() < 6.0),
        );
        assert!(named <= 0.005, "{frame}: {named} wrongly named");
        assert!(cg >= 0.9, "{frame}: {cg} recognised");
    }
}

#[test]
fn a_small_shift_towards_a_motor_rarely_names_it() {
    for frame in FRAMES {
        let all = verdicts(frame, 1, |aircraft, _| {
            let motor = &aircraft.nominal.motors[1];
            let arm = motor.x_m.hypot(motor.y_m);
            aircraft.cg_m[0] += 0.010 * motor.x_m / arm;
            aircraft.cg_m[1] += 0.010 * motor.y_m / arm;
        });
        let named = share(&all, |v| matches!(v, Change::Motor { .. }));
        println!("{frame}: {named} wrongly named for a small shift");
        assert!(named <= 0.02, "{frame}: {named} wrongly named");
    }
}

#[test]
fn more_weight_or_nothing_names_no_motor() {
    for frame in FRAMES {
        for heavier in [1.0, 1.25] {
            let all = verdicts(frame, 1, |aircraft, _| aircraft.weight *= heavier);
            let named = share(&all, |v| matches!(v, Change::Motor { .. }));
            let none = share(&all, |v| *v == Change::None);
            println!("{frame} × {heavier}: motor {named}, none {none}");
            assert!(named <= 0.005, "{frame} × {heavier}: {named} wrongly named");
            assert!(none >= 0.95, "{frame} × {heavier}: only {none} unchanged");
        }
    }
}

#[test]
fn a_turned_boom_is_a_yaw_shift() {
    for frame in FRAMES {
        let all = verdicts(frame, 1, |aircraft, _| aircraft.tilt_rad[0] += 1.0f64.to_radians());
        let yaw = share(
            &all,
            |v| matches!(v, Change::YawShift { one_boom_deg, .. } if (one_boom_deg - 1.0).abs() < 0.35),
        );
        assert!(yaw >= 0.9, "{frame}: {yaw}");
    }
}

#[test]
fn four_flights_are_too_few() {
    let airframe = named("quad-x", 0.6, 0.021).unwrap();
    let flight = Reading::from_outputs(&airframe, vec![0.45; 4], &[0.001; 4]).unwrap();
    let now = std::slice::from_ref(&flight);
    assert_eq!(change(&airframe, &vec![flight.clone(); 4], now), None);
    assert_eq!(change(&airframe, &vec![flight.clone(); 5], now), Some(Change::None));
    assert_eq!(Reading::from_outputs(&airframe, vec![0.45; 4], &[0.001; 3]), None);
    assert_eq!(Reading::from_outputs(&airframe, vec![0.45, 0.45, 0.45, 0.0], &[0.001; 4]), None);
}
