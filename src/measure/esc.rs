//! ESC evidence.

/// One motor's ESC over the steady hover of one flight.
#[derive(Debug, Clone, PartialEq)]
pub struct EscSummary {
    /// Index into the airframe's motors.
    pub motor: usize,
    /// Name of the place.
    pub position: String,
    /// Samples used.
    pub samples: u64,
    /// Mean speed in revolutions per minute.
    pub rpm: f64,
    /// Mean current in amperes.
    pub current_a: Option<f64>,
    /// Mean temperature in degrees Celsius.
    pub temperature_degc: Option<f64>,
    /// Torque index: current over speed squared, A/(rad/s)².
    pub torque_index: Option<f64>,
    /// Standard error of the torque index, same unit.
    pub torque_index_error: Option<f64>,
    /// Torque index over the median of the other motors'.
    pub torque_ratio: Option<f64>,
    /// Modified z of the torque index among all motors, floor 2 % of the median.
    pub torque_z: Option<f64>,
    /// Speed over the median of the other motors'.
    pub rpm_ratio: f64,
    /// Whether the no-load current was regressed out.
    pub no_load_removed: bool,
}
