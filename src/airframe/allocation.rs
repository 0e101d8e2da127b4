//! What outputs do to the airframe: the allocation matrix, its pseudo-inverse, the thrust curve.
//!
//! One column a motor, b = (1, −y, x, κs)ᵀ: thrust, roll, pitch and yaw moment for one unit of thrust.
//! Autopilots mix with a scaled pseudo-inverse, so the outputs they command lie in the row space of B.

use super::{Airframe, Motor, ThrustCurve};
use crate::signal::ServoOutputs;
use crate::stats::dense::pseudo_inverse;

/// Rows of the allocation matrix.
pub const THRUST: usize = 0;
/// Roll moment, right side down.
pub const ROLL: usize = 1;
/// Pitch moment, nose up.
pub const PITCH: usize = 2;
/// Yaw moment, nose right.
pub const YAW: usize = 3;

/// Thrust, roll, pitch and yaw moments per unit of thrust fraction.
pub type Wrench = [f64; 4];

/// Allocation matrix and its pseudo-inverse.
#[derive(Debug, Clone, PartialEq)]
pub struct Allocation {
    /// One column of B a motor.
    pub columns: Vec<Wrench>,
    /// One row of B⁺ a motor.
    pub inverse: Vec<Wrench>,
}

impl Allocation {
    /// B u.
    pub fn wrench(&self, u: &[f64]) -> Wrench {
        let mut wrench = [0.0; 4];
        for (column, u) in self.columns.iter().zip(u) {
            for (sum, b) in wrench.iter_mut().zip(column) {
                *sum += b * u;
            }
        }
        wrench
    }

    /// B⁺ w: the outputs of least square that give `wrench`.
    pub fn outputs(&self, wrench: Wrench) -> Vec<f64> {
        self.inverse.iter().map(|row| row.iter().zip(wrench).map(|(a, w)| a * w).sum()).collect()
    }
}

impl ThrustCurve {
    /// Thrust fraction at normalised output; the output is held within 0..=1.
    pub fn thrust(&self, output: f64) -> f64 {
        let output = output.clamp(0.0, 1.0);
        match self {
            ThrustCurve::Linear => output,
            ThrustCurve::Expo(e) => e * output * output + (1.0 - e) * output,
            ThrustCurve::Table(points) => interpolate(points, output),
        }
    }
}

/// Linear between the points, level outside them.
fn interpolate(points: &[(f64, f64)], at: f64) -> f64 {
    let above = points.partition_point(|p| p.0 < at);
    match (above.checked_sub(1).and_then(|i| points.get(i)), points.get(above)) {
        (Some(a), Some(b)) => a.1 + (b.1 - a.1) * (at - a.0) / (b.0 - a.0),
        (Some(only), None) | (None, Some(only)) => only.1,
        (None, None) => f64::NAN,
    }
}

impl Airframe {
    /// Thrust fraction of a pulse in µs.
    pub fn thrust(&self, pulse_us: f64) -> f64 {
        let output = (pulse_us - self.output_min_us) / (self.output_max_us - self.output_min_us);
        self.thrust_curve.thrust(output)
    }

    /// Thrust fraction of every motor; `None` if a motor's output is not in the message.
    pub fn thrusts(&self, outputs: &ServoOutputs) -> Option<Vec<f64>> {
        self.motors
            .iter()
            .map(|m| outputs.pulse_us(m.output).map(|pulse| self.thrust(f64::from(pulse))))
            .collect()
    }

    /// Column of the allocation matrix for one motor.
    fn column(&self, motor: &Motor) -> Wrench {
        [1.0, -motor.y_m, motor.x_m, self.torque_per_thrust_m * motor.spin.sign()]
    }

    /// B and B⁺; `None` if the motors cannot command thrust, roll, pitch and yaw independently.
    pub fn allocation(&self) -> Option<Allocation> {
        let columns: Vec<Wrench> = self.motors.iter().map(|m| self.column(m)).collect();
        let rows = [THRUST, ROLL, PITCH, YAW].map(|row| columns.iter().map(|c| c[row]).collect::<Vec<_>>());
        let inverse = pseudo_inverse(&rows)?;
        Some(Allocation { columns, inverse })
    }

    /// Mean distance of the motors from the centre, in metres.
    pub fn mean_arm_m(&self) -> f64 {
        let sum: f64 = self.motors.iter().map(|m| m.x_m.hypot(m.y_m)).sum();
        sum / self.motors.len() as f64
    }

    /// The centre that thrusts `u` balance about, forward and right in metres: where a hovering aircraft's
    /// centre of gravity is.
    pub fn centre_of_thrust_m(&self, u: &[f64]) -> (f64, f64) {
        let total: f64 = u.iter().sum();
        let moment =
            |arm: fn(&Motor) -> f64| self.motors.iter().zip(u).map(|(m, u)| arm(m) * u).sum::<f64>() / total;
        (moment(|m| m.x_m), moment(|m| m.y_m))
    }

    /// Yaw trim d = Σ s u / Σ u.
    pub fn yaw_trim(&self, u: &[f64]) -> f64 {
        let total: f64 = u.iter().sum();
        self.motors.iter().zip(u).map(|(m, u)| m.spin.sign() * u).sum::<f64>() / total
    }

    /// Tilt of one boom, in degrees, that a steady yaw trim `d` counters: −n κ d / L, for small d and a
    /// boom of mean thrust and mean arm. Positive pushes the nose right.
    pub fn one_boom_tilt_deg(&self, d: f64) -> f64 {
        let n = self.motors.len() as f64;
        (-n * self.torque_per_thrust_m * d / self.mean_arm_m()).to_degrees()
    }

    /// The same for a given boom and without the small-d approximation: −κ Σ(s u) / (L u_boom).
    pub fn boom_tilt_deg(&self, u: &[f64], boom: usize) -> Option<f64> {
        let (motor, thrust) = (self.motors.get(boom)?, u.get(boom)?);
        let effort: f64 = self.motors.iter().zip(u).map(|(m, u)| m.spin.sign() * u).sum();
        let tilt = -self.torque_per_thrust_m * effort / (motor.x_m.hypot(motor.y_m) * thrust);
        tilt.is_finite().then(|| tilt.to_degrees())
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::airframe::frames::named;
    use approx::assert_relative_eq;

    #[test]
    fn thrust_follows_the_curve_and_stays_in_range() {
        let mut frame = named("quad-x", 0.6, 0.021).unwrap();
        frame.thrust_curve = ThrustCurve::Expo(0.65);
        // By hand: o = 0.5 gives 0.65·0.25 + 0.35·0.5 = 0.3375.
        assert_relative_eq!(frame.thrust(1500.0), 0.3375, epsilon = 1e-12);
        assert_eq!(frame.thrust(900.0), 0.0);
        assert_eq!(frame.thrust(2100.0), 1.0);
        frame.thrust_curve = ThrustCurve::Table(vec![(0.0, 0.0), (0.5, 0.3), (1.0, 1.0)]);
        assert_relative_eq!(frame.thrust(1250.0), 0.15, epsilon = 1e-12);
        assert_relative_eq!(frame.thrust(1750.0), 0.65, epsilon = 1e-12);
    }

    /// METHODS: on a hexa X the projection on the row space has the row (4, 1, 1, −2, 1, 1)/6.
    #[test]
    fn hexa_projection_row() {
        let allocation = named("hexa-x", 0.6, 0.021).unwrap().allocation().unwrap();
        let row = allocation.outputs(allocation.columns[0]);
        for (got, want) in row.iter().zip([4.0, 1.0, 1.0, -2.0, 1.0, 1.0]) {
            assert_relative_eq!(*got, want / 6.0, epsilon = 1e-12);
        }
    }

    #[test]
    fn motors_in_a_row_cannot_be_allocated() {
        let mut frame = named("quad-x", 0.6, 0.021).unwrap();
        frame.motors.iter_mut().for_each(|m| m.y_m = 0.0);
        assert_eq!(frame.allocation(), None);
    }
}
