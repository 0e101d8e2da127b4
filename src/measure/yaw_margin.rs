//! How much yaw authority was left, and how much of it a steady bias used.
//!
//! # Method
//! Ray margin: along d = B⁺ e_yaw, the way a pseudo-inverse mixer goes, the largest t with u ± t d inside the
//! box. Attainable: the most yaw at unchanged thrust, roll and pitch over all Δ in the box, a linear program
//! solved through its dual: the bound Σ max over the box of (κ s_i − λ·a_i) Δ_i, a_i = (1, −y_i, x_i), is
//! piecewise linear in λ, so its minimum lies where three of the brackets vanish. Those λ depend on the
//! airframe only. Margin = t over the t of perfectly balanced outputs of the same mean.
//! # Source
//! Attainable moments: Durham 1993, Bodson 2002.
//! # When it says nothing
//! Under [`MIN_SAMPLES`] complete output samples; bias without enough steady hover.

use super::hover::{HoverSummary, MARGIN_MS};
use super::motor_output::{MIN_SAMPLES, MeanOutputs};
use super::row::Measurement;
use crate::airframe::allocation::YAW;
use crate::airframe::{Airframe, Allocation};
use crate::signal::Signals;
use crate::stats::dense::solve;
use crate::stats::quantile;

/// Margin under which yaw authority counts as thin (common practice, no published source).
pub const LIMIT: f64 = 0.3;

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

/// Yaw moment reachable from given outputs, nose right and nose left, in metres times full thrust.
pub struct YawReach {
    allocation: Allocation,
    /// B⁺ e_yaw.
    direction: Vec<f64>,
    /// Corners λ of the dual.
    corners: Vec<[f64; 3]>,
    lower: f64,
    upper: f64,
}

impl YawReach {
    /// For outputs held within `lower..=upper`; `None` if the airframe cannot be allocated.
    pub fn new(airframe: &Airframe, lower: f64, upper: f64) -> Option<Self> {
        let allocation = airframe.allocation()?;
        let direction = allocation.outputs([0.0, 0.0, 0.0, 1.0]);
        let columns = &allocation.columns;
        let n = columns.len();
        let mut corners = Vec::new();
        for i in 0..n {
            for j in i + 1..n {
                for k in j + 1..n {
                    let [a, b, c] = [columns[i], columns[j], columns[k]];
                    let rows = [a, b, c].map(|[thrust, roll, pitch, _]| [thrust, roll, pitch]);
                    corners.extend(solve(rows, [a[YAW], b[YAW], c[YAW]]));
                }
            }
        }
        Some(YawReach { allocation, direction, corners, lower, upper })
    }

    /// Along the mixer's own direction.
    pub fn ray(&self, u: &[f64]) -> [f64; 2] {
        [1.0, -1.0].map(|sign| {
            let room = self.direction.iter().zip(u).map(|(d, u)| {
                let d = d * sign;
                let stop = if d > 0.0 { self.upper - u } else { u - self.lower };
                if d == 0.0 { f64::INFINITY } else { stop.max(0.0) / d.abs() }
            });
            room.fold(f64::INFINITY, f64::min)
        })
    }

    /// The most yaw at unchanged thrust, roll and pitch.
    pub fn attainable(&self, u: &[f64]) -> [f64; 2] {
        [1.0, -1.0].map(|sign| {
            let bounds = self.corners.iter().map(|lambda| {
                let terms = self.allocation.columns.iter().zip(u).map(|(column, u)| {
                    let priced: f64 = column.iter().zip(lambda).map(|(a, l)| a * l).sum();
                    let gain = sign * (column[YAW] - priced);
                    gain * (if gain > 0.0 { self.upper } else { self.lower } - u)
                });
                terms.sum::<f64>()
            });
            bounds.fold(f64::INFINITY, f64::min).max(0.0)
        })
    }

    /// Balanced outputs of the same total.
    pub fn balanced(&self, u: &[f64]) -> Vec<f64> {
        self.allocation.outputs([u.iter().sum(), 0.0, 0.0, 0.0])
    }

    /// Ray and attainable margins, each over its value at balanced outputs of the same mean.
    pub fn margins(&self, u: &[f64]) -> ([f64; 2], [f64; 2]) {
        let balanced = self.balanced(u);
        // With no room even when balanced (all motors at a stop) there is no margin, not an undefined one.
        let over = |a: [f64; 2], b: [f64; 2]| [0, 1].map(|i| if b[i] > 0.0 { a[i] / b[i] } else { 0.0 });
        (over(self.ray(u), self.ray(&balanced)), over(self.attainable(u), self.attainable(&balanced)))
    }
}

/// Yaw authority between takeoff and touchdown; `Err` says why not.
pub fn yaw_authority(
    signals: &Signals,
    airframe: &Airframe,
    hover: Option<&MeanOutputs>,
    (start_ms, end_ms): (i64, i64),
) -> Result<YawSummary, String> {
    let reach = YawReach::new(airframe, airframe.thrust_min, 1.0)
        .ok_or("the airframe's motors cannot command thrust, roll, pitch and yaw independently")?;
    let (from, to) = signals.settled(start_ms, end_ms, MARGIN_MS);
    let outputs = signals.outputs.within(from, to);
    let (mut ray, mut attainable) = ([Vec::new(), Vec::new()], [Vec::new(), Vec::new()]);
    for u in outputs.iter().filter_map(|sample| airframe.thrusts(&sample.value)) {
        let (r, a) = reach.margins(&u);
        for side in 0..2 {
            ray[side].push(r[side]);
            attainable[side].push(a[side]);
        }
    }
    let samples = ray[0].len();
    if samples < MIN_SAMPLES {
        return Err(format!("not enough data: {samples} complete output samples, {MIN_SAMPLES} needed"));
    }
    let under = ray[0].iter().zip(&ray[1]).filter(|(a, b)| a.min(**b) < LIMIT).count();
    let at = |series: &[Vec<f64>; 2], p: f64| [0, 1].map(|i| quantile(&series[i], p).unwrap_or(f64::NAN));
    let bias_fraction = hover.map(|h| airframe.yaw_trim(&h.mean));
    Ok(YawSummary {
        p05: at(&ray, 0.05),
        min: at(&ray, 0.0),
        p05_attainable: at(&attainable, 0.05),
        share_under_limit: under as f64 / samples as f64,
        limit: LIMIT,
        bias_fraction,
        bias_tilt_deg: bias_fraction.map(|d| airframe.one_boom_tilt_deg(d)),
        samples: samples as u64,
    })
}

impl YawSummary {
    /// The long-form numbers; the bias rests on `hover`.
    pub fn measurements(&self, span: (i64, i64), hover: &HoverSummary, outputs: u64) -> Vec<Measurement> {
        let mut rows = Vec::new();
        for (side, subject) in ["nose-right", "nose-left"].into_iter().enumerate() {
            for (statistic, value) in [
                ("p05", self.p05[side]),
                ("min", self.min[side]),
                ("p05_attainable", self.p05_attainable[side]),
            ] {
                let names = ("yaw_margin", statistic, "fraction");
                rows.push(Measurement::number(names, subject, value, self.samples, span));
            }
        }
        let names = ("yaw_margin", "share_under_limit", "fraction");
        rows.push(
            Measurement::number(names, "aircraft", self.share_under_limit, self.samples, span)
                .noted(Some(format!("limit {}", self.limit))),
        );
        let hovering = hover.bounds().unwrap_or(span);
        for (names, value) in [
            (("yaw_bias", "mean", "fraction"), self.bias_fraction),
            (("yaw_bias_tilt_deg", "mean", "deg"), self.bias_tilt_deg),
        ] {
            if let Some(value) = value {
                rows.push(Measurement::number(names, "aircraft", value, outputs, hovering));
            }
        }
        rows
    }
}
