//! Yaw: authority left, and effort spent steadily.

use super::inspect::YAW;
use super::{Finding, Limits, Numbers, normal_cdf};

/// How well a percentile of the margin is known, as a fraction (an assumption, not measured;
/// common practice, no published source).
const MARGIN_ERROR: f64 = 0.02;
/// The same for the steady share spent on yaw (an assumption, not measured).
const BIAS_ERROR: f64 = 0.01;

/// Judges one flight's yaw authority.
pub fn judge(flight: &Numbers, limits: &Limits) -> Vec<Finding> {
    let mut findings = Vec::new();
    let thinnest = flight.all("yaw_margin", "p05").min_by(|a, b| a.value.total_cmp(&b.value));
    if let Some(margin) = thinnest
        && let Some((severity, limit)) = limits.yaw_margin.passed(margin.value)
    {
        findings.push(Finding {
            kind: "yaw_margin_thin",
            subject: margin.subject.clone(),
            severity,
            value: margin.value,
            unit: "fraction",
            limit: Some(limit),
            baseline: Some(1.0),
            confidence: normal_cdf((limit - margin.value) / MARGIN_ERROR),
            start_ms: margin.start_ms,
            end_ms: margin.end_ms,
            summary: format!(
                "{:.0} % of the yaw authority towards {} is left in the worst twentieth of the flight",
                100.0 * margin.value,
                margin.subject
            ),
            inspect: YAW.to_vec(),
        });
    }
    if let Some(bias) = flight.get("yaw_bias", "aircraft", "mean")
        && let Some((severity, limit)) = limits.yaw_bias.passed(bias.value.abs())
    {
        let tilt = flight
            .get("yaw_bias_tilt_deg", "aircraft", "mean")
            .map_or_else(String::new, |t| format!(", as much as one boom turned by {:.1}°", t.value.abs()));
        findings.push(Finding {
            kind: "yaw_bias",
            subject: "aircraft".to_owned(),
            severity,
            value: bias.value,
            unit: "fraction",
            limit: Some(limit.copysign(bias.value)),
            baseline: Some(0.0),
            confidence: normal_cdf((bias.value.abs() - limit) / BIAS_ERROR),
            start_ms: bias.start_ms,
            end_ms: bias.end_ms,
            summary: format!(
                "hover spends {:+.1} % of the outputs on yaw (positive: commanding nose right){tilt}",
                100.0 * bias.value
            ),
            inspect: YAW.to_vec(),
        });
    }
    findings
}
