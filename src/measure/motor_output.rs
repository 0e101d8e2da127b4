//! Mean thrust fraction of each motor in steady hover, and how far it stands from its siblings.
//!
//! # Method
//! Pulses become thrust fractions by the airframe's curve, sample by sample; the standard error of the mean
//! respects their autocorrelation. Deviation = u / mean of all motors − 1.
//! # When it says nothing
//! Under [`MIN_HOVER_S`] of steady hover or [`MIN_SAMPLES`] output samples.
//! What the deviation can and cannot tell is in [`mod@super::explain`].

use super::hover::HoverSummary;
use super::row::Measurement;
use crate::airframe::Airframe;
use crate::signal::Signals;
use crate::stats::{autocorrelated_error, mean};

/// Least steady hover that hover-based numbers rest on, in seconds (common practice, no published source).
pub const MIN_HOVER_S: f64 = 10.0;
/// Least output samples.
pub const MIN_SAMPLES: usize = 10;

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
    /// Seconds of steady hover behind it; 0 when recovered from archived numbers.
    pub seconds: f64,
}

impl MeanOutputs {
    /// From the signals of one flight, or why not.
    pub fn from_hover(signals: &Signals, airframe: &Airframe, hover: &HoverSummary) -> Result<Self, String> {
        if hover.seconds < MIN_HOVER_S {
            return Err(format!(
                "not enough data: {:.1} s of steady hover, {MIN_HOVER_S:.0} s needed",
                hover.seconds
            ));
        }
        let mut thrust: Vec<Vec<f64>> = vec![Vec::new(); airframe.motors.len()];
        for sample in hover.select(&signals.outputs) {
            if let Some(u) = airframe.thrusts(&sample.value) {
                thrust.iter_mut().zip(u).for_each(|(series, u)| series.push(u));
            }
        }
        let samples = thrust.first().map_or(0, Vec::len);
        if samples < MIN_SAMPLES {
            return Err(format!(
                "not enough data: {samples} complete output samples in steady hover, {MIN_SAMPLES} needed"
            ));
        }
        Ok(MeanOutputs {
            positions: airframe.motors.iter().map(|m| m.position.clone()).collect(),
            mean: thrust.iter().filter_map(|series| mean(series)).collect(),
            standard_error: thrust.iter().filter_map(|series| autocorrelated_error(series)).collect(),
            samples: samples as u64,
            seconds: hover.seconds,
        })
    }

    /// From archived numbers of one flight, in any order: `(measure, subject, statistic, value)`.
    ///
    /// `None` unless every motor of the airframe has its mean; a missing standard error becomes 0.
    pub fn from_archive<'a>(
        airframe: &Airframe,
        numbers: impl IntoIterator<Item = (&'a str, &'a str, &'a str, Option<f64>)>,
    ) -> Option<Self> {
        let n = airframe.motors.len();
        let (mut means, mut errors) = (vec![None; n], vec![0.0; n]);
        for (measure, subject, statistic, value) in numbers {
            let motor = airframe.motors.iter().position(|m| m.position == subject);
            let (Some(motor), "motor_output", Some(value)) = (motor, measure, value) else { continue };
            match statistic {
                "mean" => means[motor] = Some(value),
                "standard_error" => errors[motor] = value,
                _ => {}
            }
        }
        Some(MeanOutputs {
            positions: airframe.motors.iter().map(|m| m.position.clone()).collect(),
            mean: means.into_iter().collect::<Option<_>>().filter(|m: &Vec<f64>| !m.is_empty())?,
            standard_error: errors,
            samples: 0,
            seconds: 0.0,
        })
    }

    /// The same from measurements in memory.
    pub fn from_measurements(airframe: &Airframe, measurements: &[Measurement]) -> Option<Self> {
        let rows = measurements.iter().map(|m| (m.measure, m.subject.as_str(), m.statistic, m.value));
        Self::from_archive(airframe, rows)
    }

    /// Each motor's deviation from the mean of all, as a fraction of that mean.
    pub fn deviations(&self) -> Vec<f64> {
        let all = mean(&self.mean).unwrap_or(f64::NAN);
        self.mean.iter().map(|u| u / all - 1.0).collect()
    }

    /// The long-form numbers.
    pub fn measurements(&self, span: (i64, i64)) -> Vec<Measurement> {
        let mut rows = Vec::new();
        let deviations = self.deviations();
        for (i, position) in self.positions.iter().enumerate() {
            let mut row = |names, value| {
                rows.push(Measurement::number(names, position.as_str(), value, self.samples, span));
            };
            row(("motor_output", "mean", "fraction"), self.mean[i]);
            row(("motor_output", "standard_error", "fraction"), self.standard_error[i]);
            row(("motor_output_deviation", "mean", "fraction"), deviations[i]);
        }
        rows
    }
}
