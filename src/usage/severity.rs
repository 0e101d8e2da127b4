//! How hard the hours were, beside the plain ones and never in place of them.
//!
//! # Method
//! Of a series of normalised outputs (0 at idle, 1 at full): the time above a chosen output, each sample
//! holding until the next, and the damage sum Σ nᵢ·Δᵢ⁴ of its rainflow cycles, n their count and Δ their
//! range. The exponent 4 stands between that of light alloys and that of bolted joints; the sum is an index
//! to compare parts of one fleet with, not a life (exponent: common practice, no published source).
//! # Source
//! ASTM E1049-85 for the cycles; Miner's linear sum (1945).
//! # When it says nothing
//! Samples more than [`MAX_GAP_MS`] apart: the time between is not counted.

use super::rainflow::{damage, rainflow};
use serde::Serialize;
use std::iter::Sum;

/// Longest time that a sample stands for (common practice, no published source).
pub const MAX_GAP_MS: i64 = 2000;
/// The output above which time counts unless another is asked for (common practice, no published source).
pub const HARD_OUTPUT: f64 = 0.7;
/// Exponent of the damage sum.
pub const EXPONENT: f64 = 4.0;

/// How hard some flights were.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize)]
pub struct Severity {
    /// Flights whose log shows the outputs.
    pub flights: i64,
    /// Time that samples stand for, milliseconds.
    pub measured_ms: i64,
    /// Of it above the chosen output.
    pub above_ms: i64,
    /// Σ n·Δ⁴, in millionths so that sums are exact.
    pub damage_millionths: i64,
}

impl Sum for Severity {
    fn sum<I: Iterator<Item = Severity>>(all: I) -> Severity {
        all.fold(Severity::default(), |a, b| Severity {
            flights: a.flights + b.flights,
            measured_ms: a.measured_ms + b.measured_ms,
            above_ms: a.above_ms + b.above_ms,
            damage_millionths: a.damage_millionths + b.damage_millionths,
        })
    }
}

/// Weighs one flight: `outputs` are (milliseconds, normalised output) in order, `end_ms` its touchdown.
pub fn weigh(outputs: &[(i64, f64)], end_ms: i64, above: f64) -> Option<Severity> {
    let last = *outputs.last()?;
    let mut severity = Severity { flights: 1, ..Severity::default() };
    let ends = outputs.iter().skip(1).map(|(at, _)| *at).chain([end_ms.max(last.0)]);
    for ((at, output), end) in outputs.iter().zip(ends) {
        if end - at <= MAX_GAP_MS {
            severity.measured_ms += end - at;
            severity.above_ms += if *output > above { end - at } else { 0 };
        }
    }
    let series: Vec<f64> = outputs.iter().map(|(_, output)| *output).collect();
    severity.damage_millionths = (damage(&rainflow(&series), 1.0, EXPONENT) * 1e6).round() as i64;
    Some(severity)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn time_above_and_damage_follow_the_definition() {
        // On paper: above 0.5 from 1000 to 2000 and from 6000 to the end at 6500; 3000 to 6000 is a gap.
        // Turning points 0.2, 0.8, 0.4, 0.6: half cycles of 0.6, 0.4, 0.2:
        // (0.1296 + 0.0256 + 0.0016) / 2 = 0.0784.
        let outputs = [(0, 0.2), (1000, 0.8), (2000, 0.5), (3000, 0.4), (6000, 0.6)];
        let want = Severity { flights: 1, measured_ms: 3500, above_ms: 1500, damage_millionths: 78_400 };
        assert_eq!(weigh(&outputs, 6500, 0.5), Some(want));
        assert_eq!(weigh(&[], 10, 0.5), None);
        assert_eq!([want, want].into_iter().sum::<Severity>().above_ms, 3000);
    }
}
