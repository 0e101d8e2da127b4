//! Uneven outputs against the aircraft's own earlier flights: the one way that outputs alone may name a motor.
//!
//! # Method
//! Build tolerances cancel in the difference to earlier flights. What can be read is r = (x, y, d): apparent
//! centre of gravity and yaw effort ([`super::trim`]). Each hypothesis is fitted to the shift of r and judged
//! by χ²: nothing changed (3 degrees of freedom), centre of gravity only (d must be unchanged: 1), yaw only
//! (x, y must be unchanged: 2), motor k lost thrust (one parameter, 2 left). A motor is named only if it fits,
//! all simpler hypotheses and every other motor are rejected, and the loss is at least [`MIN_LOSS`].
//!
//! One flight's r scatters by its own standard error and by what differs from flight to flight, τ: the spread
//! of the earlier flights beyond their standard errors, pulled towards and never under the floor
//! ([`FLOOR_CG_MM`], [`FLOOR_YAW`]). The usual r is the Hodges–Lehmann centre of m earlier flights, of
//! variance π/3m of one flight's; several flights after the change are averaged. Added is how much build
//! tolerances leak when outputs redistribute: tilted motors turn a change of thrust into yaw, unequal ones
//! into roll and pitch.
//!
//! A weak motor among n moves d by loss/n: on an octo 12 % are 0.016, while the yaw effort of a flight of two
//! minutes is known to 0.003. So one flight names an octo's motor in about 19 of 20 cases, two flights in 99
//! of 100; no method can do better on the outputs alone.
//! # Source
//! χ² cuts at 1 % from any table. Hodges and Lehmann, *Annals of Mathematical Statistics* 34 (1963): efficiency
//! 3/π on normal data. Floors and tolerances: common practice, no published source; rates of right and wrong
//! names are measured in this file's tests.
//! # When it says nothing
//! Under [`MIN_FLIGHTS`] earlier flights. A payload change *and* a knocked boom at once can imitate a motor.

use super::explain::{THRUST_TOLERANCE, TILT_TOLERANCE_DEG};
use super::trim::Trim;
use crate::airframe::Airframe;
use crate::stats::{hodges_lehmann, mean, median, sd};

/// Least number of earlier flights.
pub const MIN_FLIGHTS: usize = 5;
/// Flight-to-flight scatter of the apparent centre of gravity beyond its standard error, at least, in mm.
pub const FLOOR_CG_MM: f64 = 1.0;
/// Flight-to-flight scatter of the yaw effort beyond its standard error, at least, fraction.
pub const FLOOR_YAW: f64 = 0.002;
/// Weight of the floor against the spread of few flights, in flights.
const FLOOR_WEIGHT: f64 = 8.0;
/// Variance of the Hodges–Lehmann centre over that of the mean, on normal data.
const CENTRE_COST: f64 = std::f64::consts::FRAC_PI_3;
/// Smallest loss of thrust that is named.
pub const MIN_LOSS: f64 = 0.03;
/// A motor is named only if likelier than all other single causes together.
const MIN_CONFIDENCE: f64 = 0.5;
/// Largest loss of thrust considered.
const MAX_LOSS: f64 = 0.7;
/// 1 % points of χ² with 1, 2 and 3 degrees of freedom.
const CHI2_1_PERCENT: [f64; 3] = [6.635, 9.210, 11.345];

/// 0.1 % point of χ² with 3 degrees of freedom: a run may hold a dozen flights.
const CHI2_ALIKE: f64 = 16.266;

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
        /// How much it can be.
        at_most: AtMost,
    },
    /// Within the spread of the earlier flights.
    None,
}

/// How much a change may be whose cause cannot be told, by cause.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct AtMost {
    /// Greatest loss of thrust of a motor that fits; `None` where no single cause does.
    pub loss: Option<f64>,
    /// Move of the centre of gravity in millimetres.
    pub cg_mm: f64,
    /// Change of the yaw effort.
    pub yaw: f64,
}

/// Centre of gravity forward and right in metres, yaw effort.
type Parts = [f64; 3];

/// What one flight says: mean hover thrust fractions, and the trim with its standard errors.
#[derive(Debug, Clone, PartialEq)]
pub struct Reading {
    /// Mean thrust fraction of each motor in steady hover, in the airframe's order.
    pub outputs: Vec<f64>,
    /// Centre of gravity forward and right in metres, yaw effort.
    pub trim: [f64; 3],
    /// Their standard errors.
    pub error: [f64; 3],
}

impl Reading {
    /// From a trim that was measured; `None` unless there is a positive output for every motor.
    pub fn new(airframe: &Airframe, outputs: Vec<f64>, trim: &Trim) -> Option<Self> {
        let usable = outputs.len() == airframe.motors.len()
            && outputs.iter().all(|u| u.is_finite() && *u > 0.0)
            && trim.mean.iter().chain(&trim.standard_error).all(|v| v.is_finite());
        usable.then_some(Reading { outputs, trim: trim.mean, error: trim.standard_error })
    }

    /// From mean outputs and their standard errors alone. One disturbance moves all outputs together, so the
    /// errors are taken as fully correlated: an upper bound.
    pub fn from_outputs(airframe: &Airframe, outputs: Vec<f64>, standard_error: &[f64]) -> Option<Self> {
        if standard_error.len() != outputs.len() || outputs.len() != airframe.motors.len() {
            return None;
        }
        let (mean, total) = (parts(airframe, &outputs), outputs.iter().sum::<f64>());
        let mut error = [0.0; 3];
        for (motor, e) in airframe.motors.iter().zip(standard_error) {
            let lever = [motor.x_m - mean[0], motor.y_m - mean[1], motor.spin.sign() - mean[2]];
            error.iter_mut().zip(lever).for_each(|(sum, lever)| *sum += lever.abs() * e / total);
        }
        Reading::new(airframe, outputs, &Trim::new(mean, error))
    }

    /// Several flights of one condition as one.
    fn together(readings: &[Reading]) -> Option<Self> {
        let (first, n) = (readings.first()?, readings.len() as f64);
        let average = |pick: &dyn Fn(&Reading) -> f64| readings.iter().map(pick).sum::<f64>() / n;
        Some(Reading {
            outputs: (0..first.outputs.len()).map(|k| average(&|r| r.outputs[k])).collect(),
            trim: [0, 1, 2].map(|axis| average(&|r| r.trim[axis])),
            error: [0, 1, 2].map(|axis| (average(&|r| r.error[axis].powi(2)) / n).sqrt()),
        })
    }
}

/// Judges `recent`, one flight or several of one condition, against at least five earlier flights of the
/// same airframe. `None` if there are too few, or lengths differ.
pub fn change(airframe: &Airframe, baseline: &[Reading], recent: &[Reading]) -> Option<Change> {
    let n = airframe.motors.len();
    if baseline.len() < MIN_FLIGHTS || baseline.iter().chain(recent).any(|r| r.outputs.len() != n) {
        return None;
    }
    Some(Shift::new(airframe, baseline, recent)?.judge())
}

/// Whether these flights may be of one condition: none departs from their common mean at the 0.1 % point.
pub fn alike(readings: &[Reading]) -> bool {
    let Some(all) = Reading::together(readings) else { return false };
    let floor = [FLOOR_CG_MM / 1000.0, FLOOR_CG_MM / 1000.0, FLOOR_YAW];
    let square = |r: &Reading, axis: usize| {
        let variance = r.error[axis].powi(2) + floor[axis].powi(2);
        (r.trim[axis] - all.trim[axis]).powi(2) / variance
    };
    readings.iter().all(|r| (0..3).map(|axis| square(r, axis)).sum::<f64>() < CHI2_ALIKE)
}

struct Shift<'a> {
    airframe: &'a Airframe,
    current: Reading,
    variance: Parts,
    delta: Parts,
}

/// A motor hypothesis: its loss and χ².
struct Candidate {
    index: usize,
    loss: f64,
    chi2: f64,
}

impl<'a> Shift<'a> {
    fn new(airframe: &'a Airframe, baseline: &[Reading], recent: &[Reading]) -> Option<Self> {
        let current = Reading::together(recent)?;
        let flights = baseline.len() as f64;
        let leak = leak_variance(airframe, baseline, &current.outputs)?;
        let (mut usual, mut variance) = ([0.0; 3], [0.0; 3]);
        for axis in 0..3 {
            let earlier: Vec<f64> = baseline.iter().map(|r| r.trim[axis]).collect();
            let floor = [FLOOR_CG_MM / 1000.0, FLOOR_CG_MM / 1000.0, FLOOR_YAW][axis].powi(2);
            let sampling = mean(&baseline.iter().map(|r| r.error[axis].powi(2)).collect::<Vec<_>>())?;
            let beyond = (sd(&earlier)?.powi(2) - sampling) * (flights - 1.0) + floor * FLOOR_WEIGHT;
            let scatter = (beyond / (flights - 1.0 + FLOOR_WEIGHT)).max(floor);
            usual[axis] = hodges_lehmann(&earlier)?;
            variance[axis] = (scatter + sampling) * CENTRE_COST / flights
                + scatter / recent.len() as f64
                + current.error[axis].powi(2)
                + leak[axis];
        }
        let delta = [0, 1, 2].map(|axis| current.trim[axis] - usual[axis]);
        Some(Shift { airframe, current, variance, delta })
    }

    fn chi2(&self, residual: Parts) -> f64 {
        residual.iter().zip(self.variance).map(|(r, v)| r * r / v).sum()
    }

    fn judge(&self) -> Change {
        let [x, y, d] = self.delta;
        if self.chi2(self.delta) < CHI2_1_PERCENT[2] {
            return Change::None;
        }
        let (cg, yaw) = (self.chi2([0.0, 0.0, d]), self.chi2([x, y, 0.0]));
        let (cg_fits, yaw_fits) = (cg < CHI2_1_PERCENT[0], yaw < CHI2_1_PERCENT[1]);
        let mut motors: Vec<Candidate> = (0..self.current.outputs.len()).map(|k| self.motor(k)).collect();
        motors.sort_by(|a, b| a.chi2.total_cmp(&b.chi2));
        let fitting: Vec<&Candidate> =
            motors.iter().filter(|m| m.chi2 < CHI2_1_PERCENT[1] && m.loss >= MIN_LOSS).collect();
        let loss = fitting.iter().map(|m| m.loss).reduce(f64::max);
        let at_most = AtMost { loss, cg_mm: 1000.0 * x.hypot(y), yaw: d };
        let next = motors.get(1).map_or(f64::INFINITY, |m| m.chi2);
        match fitting.as_slice() {
            [best, ..] if cg > CHI2_ONE_SIDED && !yaw_fits && next - best.chi2 > CHI2_1_PERCENT[0] => {
                let likelihood = |chi2: f64| (-(chi2 - best.chi2) / 2.0).exp();
                let all: f64 = motors.iter().map(|m| likelihood(m.chi2)).sum();
                let confidence = 1.0 / (all + likelihood(cg) + likelihood(yaw));
                if confidence > MIN_CONFIDENCE {
                    return Change::Motor { index: best.index, loss: best.loss, confidence };
                }
                Change::Unclear { why: self.rivals(&[best], true, false), at_most }
            }
            [] if cg_fits => Change::CgShift { forward_mm: x * 1000.0, right_mm: y * 1000.0 },
            [] if yaw_fits => {
                Change::YawShift { fraction: d, one_boom_deg: self.airframe.one_boom_tilt_deg(d) }
            }
            [] => Change::Unclear { why: "no single cause fits the change".to_owned(), at_most },
            several => Change::Unclear { why: self.rivals(several, cg_fits, yaw_fits), at_most },
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
        let now = parts(self.airframe, &self.current.outputs);
        let chi2 = |loss: f64| {
            let mut thrust = self.current.outputs.clone();
            thrust[index] *= 1.0 - loss;
            let then = parts(self.airframe, &thrust);
            self.chi2([0, 1, 2].map(|axis| self.delta[axis] + then[axis] - now[axis]))
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

fn parts(airframe: &Airframe, u: &[f64]) -> Parts {
    let (x, y) = airframe.centre_of_thrust_m(u);
    [x, y, airframe.yaw_trim(u)]
}

/// Variance of the trim from build tolerances, which no longer cancel once thrust has moved between motors.
fn leak_variance(airframe: &Airframe, baseline: &[Reading], current: &[f64]) -> Option<Parts> {
    let n = current.len();
    let share = |u: &[f64], k: usize| u[k] * n as f64 / u.iter().sum::<f64>();
    let mut moved = 0.0;
    for k in 0..n {
        let earlier: Vec<f64> = baseline.iter().map(|r| share(&r.outputs, k)).collect();
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
