//! When a number becomes a finding. Every default is common practice with no published source, reasoned
//! from the size of ordinary build tolerances and tried on simulated aircraft only; `fleet.toml` overrides each.

use super::Severity;

/// Three steps of one limit; a missing step is never reached.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Limit {
    /// Watch.
    pub advisory: Option<f64>,
    /// Inspect before the next flight day.
    pub caution: Option<f64>,
    /// Do not fly before it is looked at.
    pub warning: Option<f64>,
    /// True if values below the limit are the bad ones.
    pub below: bool,
}

impl Limit {
    /// A limit that is passed upwards.
    pub const fn above(advisory: f64, caution: f64, warning: f64) -> Self {
        Limit { advisory: Some(advisory), caution: Some(caution), warning: Some(warning), below: false }
    }

    /// A limit that is passed downwards.
    pub const fn under(advisory: f64, caution: f64, warning: f64) -> Self {
        Limit { advisory: Some(advisory), caution: Some(caution), warning: Some(warning), below: true }
    }

    /// The most urgent step that `value` passes, and that step's limit.
    pub fn passed(&self, value: f64) -> Option<(Severity, f64)> {
        [
            (Severity::Warning, self.warning),
            (Severity::Caution, self.caution),
            (Severity::Advisory, self.advisory),
        ]
        .into_iter()
        .filter_map(|(severity, limit)| Some((severity, limit?)))
        .find(|(_, limit)| if self.below { value < *limit } else { value > *limit })
    }
}

/// All limits.
#[derive(Debug, Clone, PartialEq)]
pub struct Limits {
    /// Greatest deviation of one motor's hover thrust from its siblings' mean, as a fraction. Motors out of
    /// true by 0.3° alone give 10–14 % on one aircraft in twenty, so a single flight needs wide limits.
    pub motor_output_deviation: Limit,
    /// Thrust that one motor lost against the aircraft's own earlier flights, as a fraction.
    pub motor_thrust_loss: Limit,
    /// Current over speed squared of the motors, over speed cubed of their ESCs' supply, as a ratio to the siblings'
    /// median; the lesser of both where it is not known whose current the ESCs tell.
    pub motor_torque_ratio: Limit,
    /// Fifth percentile of the yaw authority left, as a fraction of that at balanced outputs.
    pub yaw_margin: Limit,
    /// Steady share of the outputs spent on yaw.
    pub yaw_bias: Limit,
    /// Change of that share against the aircraft's own earlier flights.
    pub yaw_bias_change: Limit,
    /// Vibration level as a ratio to the aircraft's own earlier flights.
    pub vibration_rise: Limit,
    /// Saturated accelerometer samples in one flight.
    pub clipping: Limit,
}

impl Default for Limits {
    fn default() -> Self {
        Limits {
            motor_output_deviation: Limit::above(0.15, 0.30, 0.40),
            motor_thrust_loss: Limit::above(0.05, 0.08, 0.15),
            motor_torque_ratio: Limit::above(1.08, 1.12, 1.25),
            yaw_margin: Limit::under(0.70, 0.55, 0.40),
            yaw_bias: Limit::above(0.12, 0.25, 0.35),
            yaw_bias_change: Limit::above(0.04, 0.08, 0.20),
            vibration_rise: Limit::above(1.4, 1.8, 3.0),
            clipping: Limit::above(0.5, 10.0, 100.0),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_most_urgent_step_passed_counts() {
        let limit = Limit::above(1.0, 2.0, 3.0);
        assert_eq!(limit.passed(0.9), None);
        assert_eq!(limit.passed(2.5), Some((Severity::Caution, 2.0)));
        assert_eq!(limit.passed(9.0), Some((Severity::Warning, 3.0)));
        let margin = Limit::under(0.7, 0.55, 0.4);
        assert_eq!(margin.passed(0.5), Some((Severity::Caution, 0.55)));
        assert_eq!(margin.passed(0.9), None);
        let only_warning = Limit { advisory: None, caution: None, ..limit };
        assert_eq!(only_warning.passed(2.5), None);
    }
}
