//! Motors: uneven outputs with what may explain them, a motor that changed against the aircraft's own
//! earlier flights, and a motor that needs more torque than its siblings.
//!
//! A mixer's outputs always lie in the row space of the allocation matrix, so one flight's outputs can
//! not single out a motor; only ESC evidence or a change along one motor's signature names one.

use super::inspect::{BALANCE, MOTOR_DRAG, MOTOR_THRUST, UNEVEN, YAW};
use super::since::{reading, since_when};
use super::{Finding, Limits, Number, Numbers, Severity, normal_cdf};
use crate::airframe::Airframe;
use crate::measure::{AtMost, Change, Explanations, Reading, Whose, explain};
use crate::stats;

/// Standard error of a mean output where none was archived (fraction of full thrust).
pub(super) const OUTPUT_ERROR: f64 = 0.003;
/// Least spread between flights of the yaw share and of the centre of gravity (mm) that is believed
/// (common practice, no published source).
const YAW_ERROR: f64 = 0.005;
const CG_ERROR_MM: f64 = 1.0;
/// Shift of the centre of gravity worth a line, in millimetres (common practice, no published source).
const CG_SHIFT_MM: f64 = 15.0;
/// Spread of healthy siblings' torque index, as a ratio (common practice, no published source).
const SIBLING_ERROR: f64 = 0.015;
/// Modified z among siblings that a torque ratio must pass as well (Iglewicz and Hoaglin 1993).
const SIBLING_CUT: f64 = 3.5;

/// Whether a flight says anything of how the motors share the work.
pub fn tells(flight: &Numbers, airframe: &Airframe) -> bool {
    reading(flight, airframe).is_some()
}

/// Judges one flight's motors.
pub fn judge(flight: &Numbers, earlier: &[&Numbers], airframe: &Airframe, limits: &Limits) -> Vec<Finding> {
    let mut findings = torque(flight, airframe, limits);
    let positions = || airframe.motors.iter().map(|m| m.position.as_str());
    if let Some(current) = flight.each("motor_output", "mean", positions()) {
        findings.extend(deviation(flight, &current, airframe, limits));
        let readings: Vec<Reading> =
            earlier.iter().copied().chain([flight]).filter_map(|f| reading(f, airframe)).collect();
        if let Some((change, recent)) = since_when(&readings, airframe) {
            let (before, recent) = readings.split_at(readings.len() - recent);
            findings.extend(match &change {
                Change::Unclear { why, at_most } if worth_a_line(at_most, limits) => {
                    unclear(flight, why, before, &current, airframe)
                }
                _ => changed(flight, change, before, recent.len(), airframe, limits),
            });
        }
    }
    findings
}

/// The motors' current over speed squared, or their supply's over speed cubed, against the siblings. Where neither the
/// batteries nor the other motors tell which of them the ESCs tell, drag has to stand out in both, so the lesser ratio
/// counts; among the siblings it must stand out in the one that makes them more alike.
fn torque(flight: &Numbers, airframe: &Airframe, limits: &Limits) -> Vec<Finding> {
    const TORQUE: &str = "motor_torque_index";
    const POWER: &str = "motor_power_index";
    let share = flight.get("esc_current_share", "aircraft", "mean").map(|n| n.value);
    let judge = |position: &str| {
        let others = |measure| -> Vec<f64> {
            flight.all(measure, "mean").filter(|n| n.subject != position).map(|n| n.value).collect()
        };
        let whose = match Whose::from_share(share) {
            Whose::Either => Whose::from_others(&others(TORQUE), &others(POWER)),
            known => known,
        };
        let measures: &[&str] = match whose {
            Whose::Motor => &[TORQUE],
            Whose::Supply => &[POWER],
            Whose::Either => &[TORQUE, POWER],
        };
        let indexes = measures.iter().filter_map(|measure| {
            let of = |statistic| flight.get(measure, position, statistic);
            let error = of("standard_error").zip(of("mean")).map(|(error, mean)| error.value / mean.value);
            Some((of("ratio_to_others")?, of("modified_z")?.value, error.unwrap_or(0.02)))
        });
        let indexes: Vec<(&Number, f64, f64)> = indexes.collect();
        let (ratio, ..) = *indexes.iter().min_by(|a, b| a.0.value.total_cmp(&b.0.value))?;
        let (severity, limit) = limits.motor_torque_ratio.passed(ratio.value)?;
        let z = indexes.iter().map(|index| index.1).fold(f64::NEG_INFINITY, f64::max);
        let error = indexes.iter().map(|index| index.2).fold(0.0, f64::max);
        (z > SIBLING_CUT).then(|| Finding {
            kind: "motor_drag",
            subject: position.to_owned(),
            severity,
            value: ratio.value,
            unit: "ratio",
            limit: Some(limit),
            baseline: Some(1.0),
            confidence: normal_cdf((ratio.value - limit) / error.hypot(SIBLING_ERROR)),
            start_ms: ratio.start_ms,
            end_ms: ratio.end_ms,
            summary: format!(
                "motor {position} takes {:.0} % more current for its speed than its siblings",
                100.0 * (ratio.value - 1.0)
            ),
            inspect: MOTOR_DRAG.to_vec(),
        })
    };
    airframe.motors.iter().filter_map(|m| judge(&m.position)).collect()
}

/// The greatest deviation from the siblings, with what may explain it.
fn deviation(flight: &Numbers, current: &[f64], airframe: &Airframe, limits: &Limits) -> Option<Finding> {
    let worst = flight
        .all("motor_output_deviation", "mean")
        .max_by(|a, b| a.value.abs().total_cmp(&b.value.abs()))?;
    let (severity, limit) = limits.motor_output_deviation.passed(worst.value.abs())?;
    let explained = explain(airframe, current);
    let archived = flight.get("motor_output", &worst.subject, "standard_error").map(|n| n.value);
    let error = archived.unwrap_or(OUTPUT_ERROR).max(OUTPUT_ERROR) / stats::mean(current)?;
    Some(Finding {
        kind: "motor_output_deviation",
        subject: worst.subject.clone(),
        severity,
        value: worst.value,
        unit: "fraction",
        limit: Some(limit.copysign(worst.value)),
        baseline: Some(0.0),
        confidence: normal_cdf((worst.value.abs() - limit) / error),
        start_ms: worst.start_ms,
        end_ms: worst.end_ms,
        summary: format!(
            "motor outputs are uneven in hover: {} runs {:+.0} % against the mean of all; {}",
            worst.subject,
            100.0 * worst.value,
            explained.as_ref().map_or_else(|| "no explanation could be fitted".to_owned(), explanation)
        ),
        inspect: UNEVEN.to_vec(),
    })
}

/// The ranked explanations as one clause.
fn explanation(explained: &Explanations) -> String {
    let ranked: Vec<String> = explained
        .ranked
        .iter()
        .take(3)
        .map(|e| format!("{} (explains {:.0} %)", e.text, 100.0 * e.explains))
        .collect();
    let mut clause = format!("fits, best first: {}", ranked.join("; "));
    if !explained.remark.is_empty() {
        clause.push_str(". ");
        clause.push_str(&explained.remark);
    }
    clause
}

/// Whether one of the causes that a change may have would itself be told, or none of them fits: then it is something
/// else, whatever its size.
fn worth_a_line(at_most: &AtMost, limits: &Limits) -> bool {
    at_most.loss.is_none_or(|loss| limits.motor_thrust_loss.passed(loss).is_some())
        || limits.yaw_bias_change.passed(at_most.yaw.abs()).is_some()
        || at_most.cg_mm >= CG_SHIFT_MM
}

/// Outputs moved against earlier flights, but no single cause can be named: watched, not hidden.
fn unclear(
    flight: &Numbers,
    why: &str,
    before: &[Reading],
    current: &[f64],
    airframe: &Airframe,
) -> Option<Finding> {
    let share = |u: &[f64], index: usize| Some(u.get(index)? * u.len() as f64 / u.iter().sum::<f64>());
    let moved = |index: usize| {
        let usual: Option<Vec<f64>> = before.iter().map(|r| share(&r.outputs, index)).collect();
        let usual = stats::median(&usual?)?;
        Some((index, share(current, index)? - usual))
    };
    let (index, change) =
        (0..current.len()).filter_map(moved).max_by(|a, b| a.1.abs().total_cmp(&b.1.abs()))?;
    let position = &airframe.motors.get(index)?.position;
    let at = flight.get("motor_output", position, "mean")?;
    Some(Finding {
        kind: "motor_output_change",
        subject: "aircraft".to_owned(),
        severity: Severity::Advisory,
        value: change,
        unit: "fraction",
        limit: None,
        baseline: Some(0.0),
        // How sure it is that this output moved at all.
        confidence: normal_cdf(
            change.abs() / spread(before, OUTPUT_ERROR, |r| share(&r.outputs, index).unwrap_or(1.0)),
        ),
        start_ms: at.start_ms,
        end_ms: at.end_ms,
        summary: format!(
            "motor outputs in hover moved against the last {} flights, {position} most ({:+.1} % of the mean), \
             and the cause cannot be told from this log: {why}. ESC telemetry, or the next flights, would tell",
            before.len(),
            100.0 * change
        ),
        inspect: UNEVEN.to_vec(),
    })
}

/// Spread of one quantity over earlier flights, at least `floor`.
fn spread(before: &[Reading], floor: f64, of: impl Fn(&Reading) -> f64) -> f64 {
    let values: Vec<f64> = before.iter().map(of).collect();
    stats::sd(&values).unwrap_or(floor).max(floor)
}

fn changed(
    flight: &Numbers,
    change: Change,
    before: &[Reading],
    run: usize,
    airframe: &Airframe,
    limits: &Limits,
) -> Option<Finding> {
    let against = match run {
        1 => format!("the last {} flights", before.len()),
        _ => format!("the {} flights before, over the last {run} flights", before.len()),
    };
    let at = flight.all("motor_output", "mean").next()?;
    let span = |n: &Number| (n.start_ms, n.end_ms);
    let (start_ms, end_ms) = span(at);
    let blank =
        |kind, subject: &str, severity, value, unit, limit, confidence, summary, inspect: &[&'static str]| {
            Finding {
                kind,
                subject: subject.to_owned(),
                severity,
                value,
                unit,
                limit,
                baseline: Some(0.0),
                confidence,
                start_ms,
                end_ms,
                summary,
                inspect: inspect.to_vec(),
            }
        };
    match change {
        Change::Motor { index, loss, confidence } => {
            let motor = airframe.motors.get(index)?;
            let (severity, limit) = limits.motor_thrust_loss.passed(loss)?;
            let summary = format!(
                "motor {} gives {:.0} % less thrust for its output than in {against}: the change lies along that \
                 motor's signature",
                motor.position,
                100.0 * loss
            );
            let kind = "motor_thrust_loss";
            Some(blank(
                kind,
                &motor.position,
                severity,
                loss,
                "fraction",
                Some(limit),
                confidence,
                summary,
                MOTOR_THRUST,
            ))
        }
        Change::YawShift { fraction, one_boom_deg } => {
            let (severity, limit) = limits.yaw_bias_change.passed(fraction.abs())?;
            let summary = format!(
                "steady yaw effort moved by {:+.1} % of the outputs against {against}, as if one boom had turned by \
                 {:.1}°",
                100.0 * fraction,
                one_boom_deg.abs()
            );
            let error = spread(before, YAW_ERROR, |r| r.trim[2]) / (run as f64).sqrt();
            let confidence = normal_cdf((fraction.abs() - limit) / error);
            let limit = Some(limit.copysign(fraction));
            Some(blank(
                "yaw_bias_change",
                "aircraft",
                severity,
                fraction,
                "fraction",
                limit,
                confidence,
                summary,
                YAW,
            ))
        }
        Change::CgShift { forward_mm, right_mm } => {
            let moved = forward_mm.hypot(right_mm);
            if moved < CG_SHIFT_MM {
                return None;
            }
            let summary = format!(
                "the centre of gravity lies {} mm {} and {} mm {} of where {against} had it, or a propeller on that side \
                 gives less thrust at the same torque: outputs cannot tell these apart",
                forward_mm.abs().round(),
                if forward_mm >= 0.0 { "forward" } else { "aft" },
                right_mm.abs().round(),
                if right_mm >= 0.0 { "right" } else { "left" }
            );
            let severity = Severity::Advisory;
            let forward = spread(before, CG_ERROR_MM, |r| 1000.0 * r.trim[0]);
            let right = spread(before, CG_ERROR_MM, |r| 1000.0 * r.trim[1]);
            let confidence = normal_cdf((moved - CG_SHIFT_MM) / forward.hypot(right));
            Some(blank(
                "balance_change",
                "aircraft",
                severity,
                moved,
                "mm",
                Some(CG_SHIFT_MM),
                confidence,
                summary,
                BALANCE,
            ))
        }
        Change::Unclear { .. } | Change::None => None,
    }
}
