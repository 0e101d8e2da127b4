//! Findings: what changed or stands out, and where to put a hand first.
//!
//! - [`numbers`]: one flight's measures by name
//! - [`limits`]: when a number becomes a finding
//! - [`vibration`], [`motor`], [`yaw`]: one file a family of detectors
//! - `since`: from which flight on the hover outputs are not what they were
//! - [`inspect`]: what to look at, in order of likelihood, in trade words
//!
//! A finding is a prompt to inspect, never a release to fly. It is computed from a flight's own measures
//! and from those of the same aircraft's earlier flights, so it can be computed again from the archive at
//! any time, in any order of import.

pub mod inspect;
pub mod limits;
pub mod motor;
pub mod numbers;
mod since;
pub mod vibration;
pub mod yaw;

use crate::airframe::Airframe;
pub use limits::{Limit, Limits};
pub use numbers::{Number, Numbers};

/// Shown with every list of findings.
pub const CAUTION: &str = "Findings are prompts to inspect, not a release to fly. The absence of a finding says \
nothing of airworthiness: the manufacturer's manual, local rules and licensed practice decide.";

/// Earlier flights needed before a change against them is judged.
pub const MIN_BASELINE: usize = 5;

/// The trade's alerting categories (14 CFR 25.1322).
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Severity {
    /// Watch.
    Advisory,
    /// Inspect before the next flight day.
    Caution,
    /// Do not fly before it is looked at.
    Warning,
}

impl Severity {
    /// The word used in all output.
    pub fn word(self) -> &'static str {
        match self {
            Severity::Advisory => "advisory",
            Severity::Caution => "caution",
            Severity::Warning => "warning",
        }
    }

    /// What it asks for.
    pub fn meaning(self) -> &'static str {
        match self {
            Severity::Advisory => "watch",
            Severity::Caution => "inspect before the next flight day",
            Severity::Warning => "do not fly before it is looked at",
        }
    }

    /// From [`Severity::word`].
    pub fn from_word(word: &str) -> Option<Self> {
        [Severity::Advisory, Severity::Caution, Severity::Warning].into_iter().find(|s| s.word() == word)
    }
}

/// One finding of one flight.
#[derive(Debug, Clone, PartialEq)]
pub struct Finding {
    /// For example `motor_thrust_loss`.
    pub kind: &'static str,
    /// A position, an axis, a direction, or `aircraft`.
    pub subject: String,
    /// How soon to act.
    pub severity: Severity,
    /// What was measured.
    pub value: f64,
    /// Its unit.
    pub unit: &'static str,
    /// The limit it passed, in the same unit.
    pub limit: Option<f64>,
    /// What the aircraft's earlier flights showed, in the same unit.
    pub baseline: Option<f64>,
    /// How sure it is that the value lies beyond the limit, 0..1.
    pub confidence: f64,
    /// Evidence from, in milliseconds since boot.
    pub start_ms: i64,
    /// Evidence to, in milliseconds since boot.
    pub end_ms: i64,
    /// One sentence.
    pub summary: String,
    /// What to inspect, most likely first.
    pub inspect: Vec<&'static str>,
}

/// The same aircraft's earlier flights, oldest first, by what is compared with them.
#[derive(Debug, Clone, Default)]
pub struct Earlier<'a> {
    /// For vibration levels.
    pub vibration: Vec<&'a Numbers>,
    /// For what the motors do.
    pub motors: Vec<&'a Numbers>,
}

impl<'a> From<&'a [Numbers]> for Earlier<'a> {
    fn from(flights: &'a [Numbers]) -> Self {
        Earlier { vibration: flights.iter().collect(), motors: flights.iter().collect() }
    }
}

/// Judges one flight.
pub fn judge<'a>(
    flight: &Numbers,
    earlier: impl Into<Earlier<'a>>,
    airframe: Option<&Airframe>,
    limits: &Limits,
) -> Vec<Finding> {
    let Earlier { vibration, motors } = earlier.into();
    let mut findings = vibration::judge(flight, &vibration, limits);
    if let Some(airframe) = airframe {
        findings.extend(motor::judge(flight, &motors, airframe, limits));
        findings.extend(yaw::judge(flight, limits));
    }
    findings.sort_by(|a, b| (b.severity, a.kind, &a.subject).cmp(&(a.severity, b.kind, &b.subject)));
    findings
}

/// Standard normal distribution function, by the complementary error function's rational approximation
/// (Abramowitz and Stegun 7.1.26, absolute error below 1.5 × 10⁻⁷).
pub fn normal_cdf(z: f64) -> f64 {
    let x = z.abs() / std::f64::consts::SQRT_2;
    let t = 1.0 / (1.0 + 0.327_591_1 * x);
    let poly = t
        * (0.254_829_592
            + t * (-0.284_496_736 + t * (1.421_413_741 + t * (-1.453_152_027 + t * 1.061_405_429))));
    let upper = 0.5 * poly * (-x * x).exp();
    if z >= 0.0 { 1.0 - upper } else { upper }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn normal_distribution_function_matches_the_table() {
        // Standard normal table, any statistics handbook (values from memory): Φ(1.96) = 0.975, Φ(−1) = 0.1587.
        assert!((normal_cdf(1.959_964) - 0.975).abs() < 1e-6);
        assert!((normal_cdf(-1.0) - 0.158_655_3).abs() < 1e-6);
        assert!((normal_cdf(0.0) - 0.5).abs() < 1e-6);
    }

    #[test]
    fn severities_order_as_their_urgency() {
        assert!(Severity::Warning > Severity::Caution && Severity::Caution > Severity::Advisory);
        assert_eq!(Severity::from_word("caution"), Some(Severity::Caution));
        assert_eq!(Severity::from_word("danger"), None);
    }
}
