//! The airframe of the simulator, as planned and as built.
//!
//! The controller mixes with the pseudo-inverse of the planned allocation matrix B, one column a motor:
//! (1, −y, x, κ·s), lengths in metres, forces in units of one motor's full thrust. The airframe as built
//! answers with B′: every motor k times its thrust, booms turned by ε about themselves (tangential thrust,
//! a yaw moment of L·sin ε), centre of gravity off the middle. Integrators in the control loop find the
//! command w with (B′ B⁺) w = wanted wrench; the motors get u = B⁺ w, so they always lie in the row space
//! of B, whatever is wrong with the airframe.

use super::scenario::{Faults, Frame};

/// More motors than any frame here has.
pub const MOTORS_MAX: usize = 8;

/// Thrust, roll, pitch, yaw; or a square matrix of them.
pub type Wrench = [f64; 4];

/// What a motor gives compared with the drawing.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Build {
    /// Thrust per command, 1 as drawn.
    pub thrust: [f64; MOTORS_MAX],
    /// Reaction torque per thrust, 1 as drawn.
    pub torque: [f64; MOTORS_MAX],
    /// Rotation of the boom about itself in radians, positive: thrust leans clockwise seen from above.
    pub tilt_rad: [f64; MOTORS_MAX],
    /// Centre of gravity forward of the middle, in metres.
    pub forward_m: f64,
    /// Centre of gravity right of the middle, in metres.
    pub right_m: f64,
}

impl Build {
    /// Exactly as drawn.
    pub const EXACT: Build = Build {
        thrust: [1.0; MOTORS_MAX],
        torque: [1.0; MOTORS_MAX],
        tilt_rad: [0.0; MOTORS_MAX],
        forward_m: 0.0,
        right_m: 0.0,
    };

    /// The same airframe after `faults`.
    pub fn with(mut self, faults: &Faults) -> Self {
        for i in 0..MOTORS_MAX {
            self.thrust[i] *= (1.0 - faults.thrust_loss[i]) * (1.0 - faults.speed_loss[i]).powi(2);
            self.torque[i] *= 1.0 + faults.drag[i];
            self.tilt_rad[i] += faults.boom_rotation_deg[i].to_radians();
        }
        self.forward_m += faults.cg_forward_mm * 1e-3;
        self.right_m += faults.cg_right_mm * 1e-3;
        self
    }
}

/// Turns a wanted wrench into motor commands.
#[derive(Debug, Clone)]
pub struct Mixer {
    motors: usize,
    /// B⁺, a row a motor.
    inverse: Vec<Wrench>,
    /// B⁺ (B′ B⁺)⁻¹, a row a motor.
    closed_loop: Vec<Wrench>,
}

impl Mixer {
    /// An airframe that cannot be controlled (a singular matrix) gets the plain mix B⁺ of the drawing.
    pub fn new(frame: Frame, arm_m: f64, kappa_m: f64, build: &Build) -> Self {
        let motors = frame.motors();
        let column = |i: usize, b: &Build| -> Wrench {
            let (sine, cosine) = frame.bearing_deg(i).to_radians().sin_cos();
            let yaw = kappa_m * frame.spin_sign(i) * b.torque[i] + arm_m * b.tilt_rad[i].sin();
            [1.0, -(arm_m * sine - b.right_m), arm_m * cosine - b.forward_m, yaw].map(|v| v * b.thrust[i])
        };
        let planned: Vec<Wrench> = (0..motors).map(|i| column(i, &Build::EXACT)).collect();
        let actual: Vec<Wrench> = (0..motors).map(|i| column(i, build)).collect();
        let gram = invert(outer(&planned, &planned)).unwrap_or(IDENTITY);
        let inverse: Vec<Wrench> = planned.iter().map(|b| row_times(b, &gram)).collect();
        let loop_gain = invert(outer(&actual, &inverse)).unwrap_or(IDENTITY);
        let closed_loop = inverse.iter().map(|r| row_times(r, &loop_gain)).collect();
        Self { motors, inverse, closed_loop }
    }

    /// Commands that make the airframe as built give `wanted`, plus what `stray` adds on the way.
    pub fn commands(&self, wanted: &Wrench, stray: &Wrench) -> [f64; MOTORS_MAX] {
        let mut out = [0.0; MOTORS_MAX];
        for i in 0..self.motors {
            out[i] = dot(&self.closed_loop[i], wanted) + dot(&self.inverse[i], stray);
        }
        out
    }

    /// Commands in still-air hover, where all motors together carry `mean` each.
    pub fn hover(&self, mean: f64) -> Vec<f64> {
        let wanted = [mean * self.motors as f64, 0.0, 0.0, 0.0];
        self.commands(&wanted, &[0.0; 4])[..self.motors].to_vec()
    }
}

fn dot(a: &Wrench, b: &Wrench) -> f64 {
    a.iter().zip(b).map(|(x, y)| x * y).sum()
}

fn row_times(row: &Wrench, matrix: &[Wrench; 4]) -> Wrench {
    std::array::from_fn(|c| (0..4).map(|r| row[r] * matrix[r][c]).sum())
}

/// Σ aᵢ bᵢᵀ over the motors.
fn outer(a: &[Wrench], b: &[Wrench]) -> [Wrench; 4] {
    std::array::from_fn(|r| std::array::from_fn(|c| a.iter().zip(b).map(|(x, y)| x[r] * y[c]).sum()))
}

const IDENTITY: [Wrench; 4] = [[1., 0., 0., 0.], [0., 1., 0., 0.], [0., 0., 1., 0.], [0., 0., 0., 1.]];

/// Gauss–Jordan with row exchange.
fn invert(mut m: [Wrench; 4]) -> Option<[Wrench; 4]> {
    let mut inverse = IDENTITY;
    for c in 0..4 {
        let pivot = (c..4).max_by(|&a, &b| m[a][c].abs().total_cmp(&m[b][c].abs()))?;
        if m[pivot][c].abs() < 1e-12 {
            return None;
        }
        m.swap(c, pivot);
        inverse.swap(c, pivot);
        let scale = 1.0 / m[c][c];
        m[c] = m[c].map(|v| v * scale);
        inverse[c] = inverse[c].map(|v| v * scale);
        for r in (0..4).filter(|&r| r != c) {
            let factor = m[r][c];
            for k in 0..4 {
                m[r][k] -= factor * m[c][k];
                inverse[r][k] -= factor * inverse[c][k];
            }
        }
    }
    Some(inverse)
}

/// Output 0–1 that gives thrust fraction `u` under u = e·o² + (1 − e)·o.
pub fn output_for(u: f64, expo: f64) -> f64 {
    let u = u.clamp(0.0, 1.0);
    if expo.abs() < 1e-9 {
        return u;
    }
    let linear = 1.0 - expo;
    ((linear * linear + 4.0 * expo * u).sqrt() - linear) / (2.0 * expo)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Hover outputs of a closed loop on quad, hexa and octo with a weak motor, an off-centre CG, a turned
    /// boom and all three, computed in Python by an independent script (`tests/vectors/hover_outputs.json`).
    #[test]
    fn hover_agrees_with_the_independent_vectors() {
        let text = include_str!("../../tests/vectors/hover_outputs.json");
        let cases: Vec<serde_json::Value> = serde_json::from_str(text).unwrap();
        assert_eq!(cases.len(), 12);
        for case in cases {
            let frame = Frame::from_name(case["frame"].as_str().unwrap()).unwrap();
            let name = case["case"].as_str().unwrap();
            let mut build = Build::EXACT;
            match name {
                "motor 0 gives 10 % less thrust per output" => build.thrust[0] = 0.9,
                "centre of gravity 30 mm forward" => build.forward_m = 0.03,
                "boom 0 rotated 1 deg: tangential thrust clockwise seen from above" => {
                    build.tilt_rad[0] = 1f64.to_radians();
                }
                "boom 0 rotated 1 deg, CG 20 mm forward and 10 mm right, motor 1 gives 7 % less" => {
                    build.tilt_rad[0] = 1f64.to_radians();
                    (build.forward_m, build.right_m) = (0.02, 0.01);
                    build.thrust[1] = 0.93;
                }
                other => panic!("unknown case {other}"),
            }
            let (arm, kappa) = (case["arm_m"].as_f64().unwrap(), case["kappa_m"].as_f64().unwrap());
            let got = Mixer::new(frame, arm, kappa, &build).hover(0.45);
            let want: Vec<f64> = case["u"].as_array().unwrap().iter().map(|v| v.as_f64().unwrap()).collect();
            for (g, w) in got.iter().zip(&want) {
                assert!((g - w).abs() < 1e-9, "{frame:?}, {name}: got {got:?}, want {want:?}");
            }
        }
    }

    #[test]
    fn the_output_curve_is_undone() {
        for expo in [0.0, 0.3, 0.65, 1.0] {
            for u in [0.0, 0.1, 0.45, 1.0] {
                let o = output_for(u, expo);
                assert!((expo * o * o + (1.0 - expo) * o - u).abs() < 1e-12, "e {expo}, u {u}");
            }
        }
    }
}
