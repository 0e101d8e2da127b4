//! What may lie behind uneven hover outputs, from one flight alone.
//!
//! # Method
//! Only roll, pitch and yaw trim can be read from mean hover outputs (their null-space part is zero by the
//! mixer's construction), and three causes compete for them. Each single cause is fitted by least squares
//! to the deviation from balanced outputs: a centre of gravity moves roll and pitch, a turned boom moves
//! yaw, a motor that gives less thrust moves all three in its own proportion. `explains` is one minus
//! squared residual over squared deviation.
//!
//! Rank: `explains` − [`PARAMETER_COST`] for a second parameter − [`TOLERANCE_COST`] for each build tolerance
//! that the cause needs (at most [`TOLERANCES_COUNTED`]): our own rule of parsimony, no published source.
//! # When it says nothing
//! It never names a motor as the fault: a motor's pattern is also a centre of gravity and a yaw trim
//! together, both well within what aircraft are built to. [`Explanations::indistinguishable`] says so.

use crate::airframe::{Airframe, Allocation};

/// Build tolerance of the centre of gravity in millimetres (common practice, no published source).
pub const CG_TOLERANCE_MM: f64 = 15.0;
/// Build tolerance of each motor's tilt in degrees, r.m.s. (common practice, no published source).
pub const TILT_TOLERANCE_DEG: f64 = 0.3;
/// Build tolerance of each motor's thrust, fraction (common practice, no published source).
pub const THRUST_TOLERANCE: f64 = 0.02;
/// Rank cost of a second free parameter.
pub const PARAMETER_COST: f64 = 0.05;
/// Rank cost of each build tolerance a cause amounts to.
pub const TOLERANCE_COST: f64 = 0.02;
/// Tolerances beyond this cost no more: a fault is not bound by what is built.
pub const TOLERANCES_COUNTED: f64 = 10.0;
/// A cause within this much of the best rank is not told apart from it.
pub const RIVAL_WITHIN: f64 = 0.3;
/// Deviations below this r.m.s. fraction of the mean are even outputs.
pub const EVEN: f64 = 0.005;

/// A cause that may lie behind uneven outputs.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Cause {
    /// Centre of gravity off the geometric centre, or a roll/pitch trim.
    CgOffset {
        /// Forward, in millimetres.
        forward_mm: f64,
        /// Right, in millimetres.
        right_mm: f64,
    },
    /// Steady yaw effort: a boom or motor turned about its boom, a bent mount.
    YawTrim {
        /// As the tilt of one boom, in degrees.
        one_boom_deg: f64,
    },
    /// One motor gives less thrust per output.
    MotorThrust {
        /// Index into the airframe's motors.
        index: usize,
        /// Lost fraction of its thrust.
        loss: f64,
    },
}

/// One cause and how much of the unevenness it explains alone.
#[derive(Debug, Clone, PartialEq)]
pub struct Explanation {
    /// The cause.
    pub cause: Cause,
    /// 0..1: one minus the squared residual over the squared deviation from balanced outputs.
    pub explains: f64,
    /// In trade words.
    pub text: String,
}

/// The ranked explanations of one flight's hover outputs.
#[derive(Debug, Clone, PartialEq)]
pub struct Explanations {
    /// Apparent centre of gravity forward of the geometric centre, in millimetres.
    pub cg_forward_mm: f64,
    /// Apparent centre of gravity right of the geometric centre, in millimetres.
    pub cg_right_mm: f64,
    /// Σ s u / Σ u.
    pub yaw_trim_fraction: f64,
    /// The yaw trim as the tilt of one boom, in degrees; positive pushes the nose right.
    pub yaw_equivalent_one_boom_deg: f64,
    /// Best first.
    pub ranked: Vec<Explanation>,
    /// Whether this flight's outputs alone cannot tell the leading causes apart.
    pub indistinguishable: bool,
    /// What cannot be told apart, and what would; empty if nothing is uneven.
    pub remark: String,
}

/// Ranks what may lie behind mean hover thrust fractions `u`, in the airframe's motor order.
///
/// `None` if the airframe cannot be allocated, the lengths differ or a number is not positive.
pub fn explain(airframe: &Airframe, u: &[f64]) -> Option<Explanations> {
    let allocation = airframe.allocation()?;
    if u.len() != airframe.motors.len() || !u.iter().all(|u| u.is_finite() && *u > 0.0) {
        return None;
    }
    let total: f64 = u.iter().sum();
    let deviation = subtract(u, &allocation.outputs([total, 0.0, 0.0, 0.0]));
    let fit = Fit { airframe, allocation: &allocation, u, total, deviation: &deviation };
    let (forward_m, right_m) = airframe.centre_of_thrust_m(u);
    let yaw_trim_fraction = airframe.yaw_trim(u);
    let mut scored: Vec<(f64, Explanation)> = vec![fit.cg(forward_m, right_m), fit.yaw(yaw_trim_fraction)];
    scored.extend((0..u.len()).filter_map(|index| fit.motor(index)));
    scored.sort_by(|a, b| b.0.total_cmp(&a.0));
    let uneven = (square(&deviation) / u.len() as f64).sqrt() > EVEN * total / u.len() as f64;
    let (indistinguishable, remark) =
        if uneven { verdict(airframe, &scored) } else { (false, String::new()) };
    Some(Explanations {
        cg_forward_mm: forward_m * 1000.0,
        cg_right_mm: right_m * 1000.0,
        yaw_trim_fraction,
        yaw_equivalent_one_boom_deg: airframe.one_boom_tilt_deg(yaw_trim_fraction),
        ranked: scored.into_iter().map(|(_, explanation)| explanation).collect(),
        indistinguishable,
        remark,
    })
}

struct Fit<'a> {
    airframe: &'a Airframe,
    allocation: &'a Allocation,
    u: &'a [f64],
    total: f64,
    deviation: &'a [f64],
}

impl Fit<'_> {
    /// Share of the squared deviation that a pattern takes away.
    fn explains(&self, pattern: &[f64]) -> f64 {
        let whole = square(self.deviation);
        if whole <= 0.0 {
            return 0.0;
        }
        (1.0 - square(&subtract(self.deviation, pattern)) / whole).clamp(0.0, 1.0)
    }

    fn cg(&self, forward_m: f64, right_m: f64) -> (f64, Explanation) {
        let moments = [0.0, -right_m * self.total, forward_m * self.total, 0.0];
        let explains = self.explains(&self.allocation.outputs(moments));
        let (forward_mm, right_mm) = (forward_m * 1000.0, right_m * 1000.0);
        let text = format!("centre of gravity {}, or a roll/pitch trim", place(forward_mm, right_mm));
        let tolerances = forward_mm.hypot(right_mm) / CG_TOLERANCE_MM;
        let cause = Cause::CgOffset { forward_mm, right_mm };
        (score(explains, 2, tolerances), Explanation { cause, explains, text })
    }

    fn yaw(&self, d: f64) -> (f64, Explanation) {
        let kappa = self.airframe.torque_per_thrust_m;
        let explains = self.explains(&self.allocation.outputs([0.0, 0.0, 0.0, kappa * d * self.total]));
        let one_boom_deg = self.airframe.one_boom_tilt_deg(d);
        let side = if one_boom_deg > 0.0 { "right" } else { "left" };
        let text = format!(
            "steady yaw trim, as from one boom or motor turned {:.1}° so that it pushes the nose {side}",
            one_boom_deg.abs()
        );
        // Independent tilts of n motors add up as √n.
        let tolerances = one_boom_deg.abs() / (TILT_TOLERANCE_DEG * (self.u.len() as f64).sqrt());
        (
            score(explains, 1, tolerances),
            Explanation { cause: Cause::YawTrim { one_boom_deg }, explains, text },
        )
    }

    /// The loss f ≥ 0 for which roll, pitch and yaw moments of the true thrusts come nearest to zero.
    fn motor(&self, index: usize) -> Option<(f64, Explanation)> {
        let mut moments = *self.allocation.columns.get(index)?;
        moments[crate::airframe::allocation::THRUST] = 0.0;
        let signature = self.allocation.outputs(moments);
        let along: f64 = signature.iter().zip(self.deviation).map(|(a, b)| a * b).sum();
        let loss = (along / (self.u[index] * square(&signature))).max(0.0);
        let pattern: Vec<f64> = signature.iter().map(|s| s * loss * self.u[index]).collect();
        let explains = self.explains(&pattern);
        let text = format!(
            "{} motor or propeller gives {:.0} % less thrust",
            self.airframe.motors[index].position,
            loss * 100.0
        );
        let cause = Cause::MotorThrust { index, loss };
        Some((score(explains, 1, loss / THRUST_TOLERANCE), Explanation { cause, explains, text }))
    }
}

fn score(explains: f64, parameters: usize, tolerances: f64) -> f64 {
    explains - PARAMETER_COST * (parameters - 1) as f64 - TOLERANCE_COST * tolerances.min(TOLERANCES_COUNTED)
}

/// Whether the leading causes can be told apart, and in words what cannot.
fn verdict(airframe: &Airframe, scored: &[(f64, Explanation)]) -> (bool, String) {
    let Some((best, leading)) = scored.first() else { return (false, String::new()) };
    let mut rivals: Vec<&str> = scored
        .iter()
        .filter(|(score, _)| best - score < RIVAL_WITHIN)
        .map(|(_, e)| short(airframe, e.cause))
        .collect();
    // A motor's pattern is also, exactly, a centre of gravity and a yaw trim together.
    let motor_leads = matches!(leading.cause, Cause::MotorThrust { .. });
    let alone = leading.explains > 0.9 && !motor_leads && rivals.len() == 1;
    if alone {
        return (false, String::new());
    }
    for always in ["centre of gravity", "boom or motor turned"] {
        if !rivals.contains(&always) {
            rivals.push(always);
        }
    }
    let remark = format!(
        "{}: cannot be told apart from this flight's outputs alone; ESC speed and current, or five earlier \
         flights of this aircraft, would",
        rivals.join(" or ")
    );
    (true, remark)
}

fn short(airframe: &Airframe, cause: Cause) -> &str {
    match cause {
        Cause::CgOffset { .. } => "centre of gravity",
        Cause::YawTrim { .. } => "boom or motor turned",
        Cause::MotorThrust { index, .. } => {
            airframe.motors.get(index).map_or("motor", |m| m.position.as_str())
        }
    }
}

/// "12 mm forward and 3 mm left".
pub(super) fn place(forward_mm: f64, right_mm: f64) -> String {
    let along = if forward_mm < 0.0 { "aft" } else { "forward" };
    let across = if right_mm < 0.0 { "left" } else { "right" };
    format!("{:.0} mm {along} and {:.0} mm {across}", forward_mm.abs(), right_mm.abs())
}

fn subtract(a: &[f64], b: &[f64]) -> Vec<f64> {
    a.iter().zip(b).map(|(a, b)| a - b).collect()
}

fn square(a: &[f64]) -> f64 {
    a.iter().map(|v| v * v).sum()
}
