//! Mean thrust fraction of each motor.

/// Mean thrust fraction of each motor over the steady hover of one flight, in the airframe's motor order.
#[derive(Debug, Clone, PartialEq)]
pub struct MeanOutputs {
    /// Names of the places, as in the airframe.
    pub positions: Vec<String>,
    /// Mean thrust fraction.
    pub mean: Vec<f64>,
    /// Standard error of each mean, autocorrelation respected.
    pub standard_error: Vec<f64>,
    /// Output samples behind each mean.
    pub samples: u64,
    /// Seconds of steady hover behind it.
    pub seconds: f64,
}
