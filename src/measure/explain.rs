//! What may lie behind uneven hover outputs.

use crate::airframe::Airframe;

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
pub fn explain(airframe: &Airframe, u: &[f64]) -> Option<Explanations> {
    let _ = (airframe, u);
    None
}
