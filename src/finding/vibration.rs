//! Vibration against the aircraft's own earlier flights, and clipping.
//!
//! VIBRATION carries no unit and differs between autopilots, so its level is only ever compared within
//! one aircraft: ratio to the median of earlier flights, and a modified z-score above 3.5 (Iglewicz and
//! Hoaglin 1993) so that a naturally restless axis does not cry.

use super::inspect::VIBRATION;
use super::{Finding, Limits, MIN_BASELINE, Numbers, normal_cdf};
use crate::stats;

/// Spread that earlier flights are taken to have at least, as a fraction of their median: wind and payload
/// move a vibration level by about this much (common practice, no published source).
const SPREAD_FLOOR: f64 = 0.08;
/// Iglewicz and Hoaglin's cut for the modified z-score.
const CUT: f64 = 3.5;

/// Whether a flight says anything of vibration levels.
pub fn tells(flight: &Numbers) -> bool {
    flight.all("vibration_level", "p95").next().is_some()
}

/// Judges one flight's vibration.
pub fn judge(flight: &Numbers, earlier: &[&Numbers], limits: &Limits) -> Vec<Finding> {
    let mut findings = Vec::new();
    let mut rises: Vec<Finding> = flight.all("vibration_level", "p95").filter_map(|level| {
        let before: Vec<f64> =
            earlier.iter().filter_map(|f| f.get("vibration_level", &level.subject, "p95")).map(|n| n.value).collect();
        if before.len() < MIN_BASELINE {
            return None;
        }
        // An axis that was never filled in tells nothing.
        let median = stats::median(&before).filter(|level| *level > 0.0)?;
        let spread = stats::mad(&before)?.max(SPREAD_FLOOR * median * 0.6745);
        let z = 0.6745 * (level.value - median) / spread;
        let ratio = level.value / median;
        let (severity, limit) = limits.vibration_rise.passed(ratio)?;
        (z > CUT).then(|| Finding {
            kind: "vibration_rise",
            subject: level.subject.clone(),
            severity,
            value: level.value,
            unit: "",
            limit: Some(limit * median),
            baseline: Some(median),
            confidence: normal_cdf(0.6745 * (level.value - limit * median) / spread),
            start_ms: level.start_ms,
            end_ms: level.end_ms,
            summary: format!(
                "vibration along {} is {ratio:.1} times what the last {} flights showed ({:.2} against {median:.2}, 95th percentile)",
                level.subject,
                before.len(),
                level.value,
            ),
            inspect: VIBRATION.to_vec(),
        })
    }).collect();
    // One cause shakes all axes: the strongest leads, the others stand in its summary.
    rises.sort_by(|a, b| b.severity.cmp(&a.severity).then(ratio(b).total_cmp(&ratio(a))));
    if let Some(mut first) = (!rises.is_empty()).then(|| rises.remove(0)) {
        if !rises.is_empty() {
            let others: Vec<String> =
                rises.iter().map(|r| format!("{} {:.1} times", r.subject, ratio(r))).collect();
            first.summary.push_str(&format!("; also {}", others.join(", ")));
        }
        findings.push(first);
    }
    for clipped in flight.all("clipping", "count") {
        if let Some((severity, limit)) = limits.clipping.passed(clipped.value) {
            findings.push(Finding {
                kind: "clipping",
                subject: clipped.subject.clone(),
                severity,
                value: clipped.value,
                unit: "samples",
                limit: Some(limit),
                baseline: None,
                // A count varies by its own square root from flight to flight.
                confidence: normal_cdf((clipped.value - limit) / clipped.value.sqrt()),
                start_ms: clipped.start_ms,
                end_ms: clipped.end_ms,
                summary: format!(
                    "{}: {:.0} accelerometer samples at full scale in this flight; the estimator sees a clipped motion",
                    clipped.subject, clipped.value
                ),
                inspect: VIBRATION.to_vec(),
            });
        }
    }
    findings
}

fn ratio(finding: &Finding) -> f64 {
    finding.baseline.map_or(0.0, |b| finding.value / b)
}
