//! Named geometries. Motors stand clockwise from the nose, spins alternate, the first is counter-clockwise
//! as seen from above. No autopilot's private motor numbering appears here: outputs and ESC indexes are
//! given by the fleet's description.

use super::{Airframe, Motor, Spin, ThrustCurve};

/// Pulse of zero output in µs, unless told otherwise (common practice of servo pulses).
const OUTPUT_MIN_US: f64 = 1000.0;
/// Pulse of full output in µs, unless told otherwise.
const OUTPUT_MAX_US: f64 = 2000.0;
/// Lowest thrust fraction in flight, unless told otherwise (common practice, no published source).
const THRUST_MIN: f64 = 0.05;

/// Name, bearing of the first motor in degrees, and the names of the places clockwise.
type Geometry = (&'static str, f64, &'static [&'static str]);

const GEOMETRIES: [Geometry; 6] = [
    ("quad-x", 45.0, &["front-right", "rear-right", "rear-left", "front-left"]),
    ("quad-plus", 0.0, &["front", "right", "rear", "left"]),
    ("hexa-x", 30.0, &["front-right", "right", "rear-right", "rear-left", "left", "front-left"]),
    ("hexa-plus", 0.0, &["front", "front-right", "rear-right", "rear", "rear-left", "front-left"]),
    (
        "octo-x",
        22.5,
        &[
            "front-right",
            "right-front",
            "right-rear",
            "rear-right",
            "rear-left",
            "left-rear",
            "left-front",
            "front-left",
        ],
    ),
    (
        "octo-plus",
        0.0,
        &["front", "front-right", "right", "rear-right", "rear", "rear-left", "left", "front-left"],
    ),
];

/// The names [`named`] knows.
pub fn names() -> impl Iterator<Item = &'static str> {
    GEOMETRIES.iter().map(|g| g.0)
}

/// Bearing in degrees clockwise from the nose, place and spin of each motor of a named geometry.
pub fn places(frame: &str) -> Option<Vec<(f64, &'static str, Spin)>> {
    let (_, first, positions) = GEOMETRIES.iter().find(|g| g.0 == frame)?;
    let step = 360.0 / positions.len() as f64;
    let spins = [Spin::Ccw, Spin::Cw].into_iter().cycle();
    Some(
        positions
            .iter()
            .zip(spins)
            .enumerate()
            .map(|(i, (position, spin))| (first + i as f64 * step, *position, spin))
            .collect(),
    )
}

/// A motor at a bearing (degrees clockwise from the nose) and distance.
pub fn motor_at(position: &str, bearing_deg: f64, arm_m: f64, spin: Spin, output: u8) -> Motor {
    let (sin, cos) = bearing_deg.to_radians().sin_cos();
    Motor { position: position.to_owned(), x_m: arm_m * cos, y_m: arm_m * sin, spin, output, esc: None }
}

/// A named geometry with outputs 1, 2, … clockwise from the nose, no ESC telemetry, pulses 1000–2000 µs and
/// thrust proportional to output. `None` for an unknown name or a size that is not positive.
pub fn named(frame: &str, arm_m: f64, torque_per_thrust_m: f64) -> Option<Airframe> {
    let places = places(frame).filter(|_| arm_m > 0.0 && torque_per_thrust_m > 0.0)?;
    let motors = (1u8..)
        .zip(places)
        .map(|(output, (bearing, position, spin))| motor_at(position, bearing, arm_m, spin, output))
        .collect();
    Some(Airframe {
        frame: frame.to_owned(),
        motors,
        torque_per_thrust_m,
        output_min_us: OUTPUT_MIN_US,
        output_max_us: OUTPUT_MAX_US,
        thrust_min: THRUST_MIN,
        thrust_curve: ThrustCurve::Linear,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The place's words must agree with where the motor is: an independent reading of the same table.
    #[test]
    fn names_say_where_the_motor_is() {
        for frame in names() {
            let airframe = named(frame, 0.6, 0.021).unwrap();
            for motor in &airframe.motors {
                for (word, side) in
                    [("front", motor.x_m), ("rear", -motor.x_m), ("right", motor.y_m), ("left", -motor.y_m)]
                {
                    assert!(!motor.position.contains(word) || side > 0.1, "{frame} {}", motor.position);
                }
            }
            let spins: f64 = airframe.motors.iter().map(|m| m.spin.sign()).sum();
            assert_eq!(spins, 0.0, "{frame}");
            assert!(airframe.allocation().is_some(), "{frame}");
        }
        assert_eq!(named("tri-y", 0.6, 0.021), None);
    }
}
