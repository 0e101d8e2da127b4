//! Uneven outputs against the aircraft's own earlier flights: the one way that outputs alone may name a motor.
//!
//! # Method
//! Build tolerances cancel in the difference to earlier flights. What can be read is r = (x, y, d): apparent
//! centre of gravity and yaw trim. Each hypothesis is fitted to the shift of r and judged by χ²:
//! nothing changed (3 degrees of freedom), centre of gravity only (d must be unchanged: 1), yaw only (x, y
//! must be unchanged: 2), motor k lost thrust (one parameter, 2 left). A motor is named only if it fits, all
//! simpler hypotheses and every other motor are rejected, and the loss is at least [`MIN_LOSS`].
//!
//! Variance of a component: spread of the earlier flights, pulled towards and never under the floor
//! ([`FLOOR_CG_MM`], [`FLOOR_YAW`]), for this flight and for their median (π/2m); plus the standard error of this
//! flight's outputs; plus how much build tolerances leak when outputs redistribute: tilted motors turn a
//! change of thrust into yaw, unequal ones into roll and pitch.
//! # Source
//! χ² cuts at 1 % from any table. Floors and tolerances: common practice, no published source; rates of right
//! and wrong names are measured in this file's tests.
//! # When it says nothing
//! Under [`MIN_FLIGHTS`] earlier flights. A payload change *and* a knocked boom at once can imitate a motor.

use super::explain::{THRUST_TOLERANCE, TILT_TOLERANCE_DEG};
use crate::airframe::Airframe;
use crate::stats::{median, sd};

/// Least number of earlier flights.
pub const MIN_FLIGHTS: usize = 5;
/// Flight-to-flight scatter of the apparent centre of gravity, at least, in millimetres.
pub const FLOOR_CG_MM: f64 = 1.0;
/// Flight-to-flight scatter of the yaw trim, at least, fraction.
pub const FLOOR_YAW: f64 = 0.003;
/// Weight of the floor against the spread of few flights, in flights.
const FLOOR_WEIGHT: f64 = 10.0;
/// Smallest loss of thrust that is named.
pub const MIN_LOSS: f64 = 0.03;
/// A motor is named only if likelier than all other single causes together.
const MIN_CONFIDENCE: f64 = 0.5;
/// Largest loss of thrust considered.
const MAX_LOSS: f64 = 0.7;
/// 1 % points of χ² with 1, 2 and 3 degrees of freedom.
const CHI2_1_PERCENT: [f64; 3] = [6.635, 9.210, 11.345];

/// 1 % point for rejecting the centre of gravity in favour of a motor: one-sided, 2.326², because a given
/// motor's loss turns d one way only.
const CHI2_ONE_SIDED: f64 = 5.412;

/// What changed against the aircraft's own earlier flights.
#[derive(Debug, Clone, PartialEq)]
pub enum Change {
    /// One motor gives less thrust per output than it did.
    Motor {
        /// Index into the airframe's motors.
        index: usize,
        /// Lost fraction of its thrust.
        loss: f64,
        /// Likelihood of this motor among the single causes considered, 0..1.
        confidence: f64,
    },
    /// The centre of gravity moved: payload, battery, a roll/pitch trim.
    CgShift {
        /// Forward, in millimetres.
        forward_mm: f64,
        /// Right, in millimetres.
        right_mm: f64,
    },
    /// The steady yaw effort changed: a boom or motor turned, a bent mount.
    YawShift {
        /// Change of Σ s u / Σ u.
        fraction: f64,
        /// As the tilt of one boom, in degrees; positive pushes the nose right.
        one_boom_deg: f64,
    },
    /// Something changed, but no single cause fits, or several do.
    Unclear {
        /// Why nothing is named.
        why: String,
    },
    /// Within the spread of the earlier flights.
    None,
}

/// Centre of gravity forward and right in metres, yaw trim.
type Trim = [f64; 3];

/// Judges the mean hover thrust fractions `current` (and their standard errors) against those of at least
/// five earlier flights of the same airframe. `None` if there are too few, or lengths differ.
pub fn change(
    airframe: &Airframe,
    baseline: &[Vec<f64>],
    current: &[f64],
    standard_error: &[f64],
) -> Option<Change> {
    let n = airframe.motors.len();
    let usable = |u: &[f64]| u.len() == n && u.iter().all(|u| u.is_finite() && *u > 0.0);
    if baseline.len() < MIN_FLIGHTS || !usable(current) || !baseline.iter().all(|u| usable(u)) {
        return None;
    }
    if standard_error.len() != n {
        return None;
    }
    let shift = Shift::new(airframe, baseline, current, standard_error)?;
    Some(shift.judge())
}

struct Shift<'a> {
    airframe: &'a Airframe,
    current: &'a [f64],
    usual: Trim,
    variance: Trim,
    delta: Trim,
}

/// A motor hypothesis: its loss and χ².
struct Candidate {
    index: usize,
    loss: f64,
    chi2: f64,
}

impl<'a> Shift<'a> {
    fn new(
        airframe: &'a Airframe,
        baseline: &[Vec<f64>],
        current: &'a [f64],
        standard_error: &[f64],
    ) -> Option<Self> {
        let flights = baseline.len() as f64;
        let trims: Vec<Trim> = baseline.iter().map(|u| trim(airframe, u)).collect();
        let now = trim(airframe, current);
        let noise = sampling_variance(airframe, current, now, standard_error);
        let leak = leak_variance(airframe, baseline, current)?;
        let (mut usual, mut variance) = ([0.0; 3], [0.0; 3]);
        for axis in 0..3 {
            let earlier: Vec<f64> = trims.iter().map(|t| t[axis]).collect();
            let floor = [FLOOR_CG_MM / 1000.0, FLOOR_CG_MM / 1000.0, FLOOR_YAW][axis];
            let spread = sd(&earlier)?.powi(2) * (flights - 1.0) + floor.powi(2) * FLOOR_WEIGHT;
            let scatter = (spread / (flights - 1.0 + FLOOR_WEIGHT)).max(floor.powi(2));
            usual[axis] = median(&earlier)?;
            variance[axis] =
                scatter * (1.0 + std::f64::consts::FRAC_PI_2 / flights) + noise[axis] + leak[axis];
        }
        let delta = [0, 1, 2].map(|axis| now[axis] - usual[axis]);
        Some(Shift { airframe, current, usual, variance, delta })
    }

    fn chi2(&self, residual: Trim) -> f64 {
        residual.iter().zip(self.variance).map(|(r, v)| r * r / v).sum()
    }

    fn judge(&self) -> Change {
        let [x, y, d] = self.delta;
        if self.chi2(self.delta) < CHI2_1_PERCENT[2] {
            return Change::None;
        }
        let (cg, yaw) = (self.chi2([0.0, 0.0, d]), self.chi2([x, y, 0.0]));
        let (cg_fits, yaw_fits) = (cg < CHI2_1_PERCENT[0], yaw < CHI2_1_PERCENT[1]);
        let mut motors: Vec<Candidate> = (0..self.current.len()).map(|k| self.motor(k)).collect();
        motors.sort_by(|a, b| a.chi2.total_cmp(&b.chi2));
        let fitting: Vec<&Candidate> =
            motors.iter().filter(|m| m.chi2 < CHI2_1_PERCENT[1] && m.loss >= MIN_LOSS).collect();
        let next = motors.get(1).map_or(f64::INFINITY, |m| m.chi2);
        match fitting.as_slice() {
            [best, ..] if cg > CHI2_ONE_SIDED && !yaw_fits && next - best.chi2 > CHI2_1_PERCENT[0] => {
                let likelihood = |chi2: f64| (-(chi2 - best.chi2) / 2.0).exp();
                let all: f64 = motors.iter().map(|m| likelihood(m.chi2)).sum();
                let confidence = 1.0 / (all + likelihood(cg) + likelihood(yaw));
                if confidence > MIN_CONFIDENCE {
                    return Change::Motor { index: best.index, loss: best.loss, confidence };
                }
                Change::Unclear { why: self.rivals(&[best], true, false) }
            }
            [] if cg_fits => Change::CgShift { forward_mm: x * 1000.0, right_mm: y * 1000.0 },
            [] if yaw_fits => {
                Change::YawShift { fraction: d, one_boom_deg: self.airframe.one_boom_tilt_deg(d) }
            }
            [] => Change::Unclear { why: "no single cause fits the change".to_owned() },
            several => Change::Unclear { why: self.rivals(several, cg_fits, yaw_fits) },
        }
    }

    fn rivals(&self, motors: &[&Candidate], cg_fits: bool, yaw_fits: bool) -> String {
        let mut names: Vec<&str> = Vec::new();
        if cg_fits {
            names.push("centre of gravity");
        }
        if yaw_fits {
            names.push("boom or motor turned");
        }
        names.extend(motors.iter().map(|m| self.airframe.motors[m.index].position.as_str()));
        match names.as_slice() {
            [only] => format!("{only} fits, but another motor fits nearly as well"),
            _ => format!("{} fit equally well", names.join(" and ")),
        }
    }

    /// The loss of motor `index` that brings the trim of the true thrusts nearest to the usual one; the χ²
    /// falls to one minimum and rises again, so a ternary search finds it.
    fn motor(&self, index: usize) -> Candidate {
        let chi2 = |loss: f64| {
            let mut thrust = self.current.to_vec();
            thrust[index] *= 1.0 - loss;
            let then = trim(self.airframe, &thrust);
            self.chi2([0, 1, 2].map(|axis| then[axis] - self.usual[axis]))
        };
        let (mut low, mut high) = (0.0, MAX_LOSS);
        for _ in 0..50 {
            let (a, b) = (low + (high - low) / 3.0, high - (high - low) / 3.0);
            if chi2(a) < chi2(b) {
                high = b;
            } else {
                low = a;
            }
        }
        let loss = (low + high) / 2.0;
        Candidate { index, loss, chi2: chi2(loss) }
    }
}

fn trim(airframe: &Airframe, u: &[f64]) -> Trim {
    let (x, y) = airframe.centre_of_thrust_m(u);
    [x, y, airframe.yaw_trim(u)]
}

/// Variance of the trim from the standard errors of the outputs.
fn sampling_variance(airframe: &Airframe, u: &[f64], now: Trim, standard_error: &[f64]) -> Trim {
    let total: f64 = u.iter().sum();
    let mut variance = [0.0; 3];
    for (motor, error) in airframe.motors.iter().zip(standard_error) {
        let lever = [motor.x_m - now[0], motor.y_m - now[1], motor.spin.sign() - now[2]];
        for axis in 0..3 {
            variance[axis] += (lever[axis] * error / total).powi(2);
        }
    }
    variance
}

/// Variance of the trim from build tolerances, which no longer cancel once thrust has moved between motors.
fn leak_variance(airframe: &Airframe, baseline: &[Vec<f64>], current: &[f64]) -> Option<Trim> {
    let n = current.len();
    let share = |u: &[f64], k: usize| u[k] * n as f64 / u.iter().sum::<f64>();
    let mut moved = 0.0;
    for k in 0..n {
        let earlier: Vec<f64> = baseline.iter().map(|u| share(u, k)).collect();
        moved += (share(current, k) - median(&earlier)?).powi(2);
    }
    let moved = moved.sqrt() / n as f64;
    let arm = airframe.mean_arm_m();
    let tilt = TILT_TOLERANCE_DEG.to_radians() * arm / airframe.torque_per_thrust_m;
    let cg = (arm * THRUST_TOLERANCE * moved).powi(2);
    Some([cg, cg, (tilt * moved).powi(2) + (THRUST_TOLERANCE * moved).powi(2)])
}

#[cfg(test)]
#[path = "change_tests.rs"]
mod tests;
