//! Yaw authority.

/// Yaw authority of one flight.
#[derive(Debug, Clone, PartialEq)]
pub struct YawSummary {
    /// 5th percentile of the margin, nose right and nose left; 1 = as much as at balanced outputs.
    pub p05: [f64; 2],
    /// Smallest margin, nose right and nose left.
    pub min: [f64; 2],
    /// 5th percentile of the exact attainable margin, nose right and nose left.
    pub p05_attainable: [f64; 2],
    /// Share of samples with the margin under the limit in either direction.
    pub share_under_limit: f64,
    /// The limit used.
    pub limit: f64,
    /// Mean yaw trim in steady hover, Σ s u / Σ u; `None` without enough hover.
    pub bias_fraction: Option<f64>,
    /// The same as the tilt of one boom, in degrees; positive pushes the nose right.
    pub bias_tilt_deg: Option<f64>,
    /// Output samples used for the margins.
    pub samples: u64,
}
