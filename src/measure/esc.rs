//! What the ESCs say of each motor in steady hover, against its siblings.
//!
//! # Method
//! Torque index q = I/ω²: a motor's current follows torque, torque follows ω², so siblings carry equal q
//! whatever the centre of gravity or the yaw trim asks of them; bearing drag, rubbing, a damaged blade raise
//! it. An ESC that reports the current of its supply follows power instead, torque times speed; among siblings on
//! one supply voltage the power index p = I/ω³ is equal there. A log does not say which current it holds, so both
//! are measured (and [`super::esc_current`] asks the batteries): what lies in the motor raises both, a motor that is
//! merely asked for more raises one at most.
//! If speed ranges enough in hover for every motor, the no-load current is removed by regressing I on
//! ω² (or ω³; the index is then the slope); otherwise the index includes it, and the number says so.
//! Compared by ratio to the median of the *others*, and by modified z with a floor of [`FLOOR`] or the indexes' own
//! standard error, whichever is more.
//! # Source
//! Modified z: Iglewicz and Hoaglin 1993. The floor keeps false alarms among 4–8 healthy siblings rare
//! (simulated: see this file's tests).
//! # When it says nothing
//! Under [`MIN_SAMPLES`] readings in hover; comparisons need three motors.

use super::hover::HoverSummary;
use super::motor_output::{MIN_HOVER_S, MIN_SAMPLES};
use super::row::Measurement;
use crate::airframe::Airframe;
use crate::signal::{EscReading, Signals};
use crate::stats::{autocorrelated_error, mean, median, modified_z, quantile, sd};

/// Least scale of the modified z, as a fraction of the siblings' median (common practice).
pub const FLOOR: f64 = 0.02;
/// Least ratio of the 95th to the 5th percentile of ω² for the no-load current to be regressed out.
pub const MIN_RANGE: f64 = 1.15;
/// Largest relative standard error of the regressed index.
pub const MAX_SLOPE_ERROR: f64 = 0.03;

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
    /// Current over speed squared, A/(rad/s)².
    pub torque: Compared,
    /// Current over speed cubed, A/(rad/s)³.
    pub power: Compared,
    /// Speed over the median of the other motors'.
    pub rpm_ratio: f64,
}

/// One index of a motor, beside its siblings'.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct Compared {
    /// The index.
    pub index: Option<f64>,
    /// Its standard error, same unit.
    pub error: Option<f64>,
    /// Index over the median of the other motors'.
    pub ratio: Option<f64>,
    /// Modified z among all motors, floor 2 % of the median.
    pub z: Option<f64>,
    /// Whether the no-load current was regressed out.
    pub no_load_removed: bool,
}

/// A torque index and its standard error.
type Index = (f64, f64);

/// One entry a motor with enough readings, or why there are none.
pub fn esc_in_hover(
    signals: &Signals,
    airframe: &Airframe,
    hover: &HoverSummary,
) -> Result<Vec<EscSummary>, String> {
    if airframe.motors.iter().all(|m| m.esc.is_none()) {
        return Err("no motor of this airframe is mapped to an ESC index".to_owned());
    }
    if hover.seconds < MIN_HOVER_S {
        let seconds = hover.seconds;
        return Err(format!("not enough data: {seconds:.1} s of steady hover, {MIN_HOVER_S:.0} s needed"));
    }
    let mut readings: Vec<(usize, Vec<EscReading>)> = Vec::new();
    for (motor, esc) in airframe.motors.iter().enumerate().filter_map(|(i, m)| Some((i, m.esc?))) {
        let turning = |r: &EscReading| r.index == esc && r.rpm.is_finite() && r.rpm > 0.0;
        let of_this: Vec<EscReading> = hover.select(&signals.esc).map(|s| s.value).filter(turning).collect();
        if of_this.len() >= MIN_SAMPLES {
            readings.push((motor, of_this));
        }
    }
    if readings.is_empty() {
        return Err(format!("not enough data: no motor has {MIN_SAMPLES} ESC readings in steady hover"));
    }
    let (torque, power) = (compared(&readings, 2), compared(&readings, 3));
    let rpm: Vec<f64> = readings.iter().map(|(_, r)| mean_of(r, |r| r.rpm).unwrap_or(f64::NAN)).collect();
    let rpm_ratios = ratios_to_others(&rpm);
    let summaries = readings.iter().enumerate().map(|(i, (motor, r))| EscSummary {
        motor: *motor,
        position: airframe.motors[*motor].position.clone(),
        samples: r.len() as u64,
        rpm: rpm[i],
        current_a: mean_of(r, |r| r.current_a),
        temperature_degc: mean_of(r, |r| r.temperature_degc),
        torque: torque[i],
        power: power[i],
        rpm_ratio: rpm_ratios[i],
    });
    Ok(summaries.collect())
}

/// Every motor's index of current over speed to a power, beside its siblings'.
fn compared(readings: &[(usize, Vec<EscReading>)], power: i32) -> Vec<Compared> {
    let regressed: Option<Vec<Index>> = readings.iter().map(|(_, r)| slope(r, power)).collect();
    let no_load_removed = regressed.is_some();
    let indexes: Vec<Option<Index>> = match regressed {
        Some(slopes) => slopes.into_iter().map(Some).collect(),
        None => readings.iter().map(|(_, r)| plain(r, power)).collect(),
    };
    let values: Vec<f64> = indexes.iter().map(|i| i.map_or(f64::NAN, |i| i.0)).collect();
    let comparable = values.iter().filter(|q| q.is_finite()).count() >= 3;
    let ratios = ratios_to_others(&values);
    let errors: Vec<f64> = indexes.iter().flatten().map(|index| index.1).collect();
    let own = median(&errors).filter(|error| error.is_finite()).unwrap_or(0.0);
    let floor = (FLOOR * median(&values).unwrap_or(f64::NAN)).max(own);
    let scores = modified_z(&values, floor).filter(|_| comparable);
    let one = |(i, index): (usize, &Option<Index>)| Compared {
        index: index.map(|q| q.0),
        error: index.map(|q| q.1),
        ratio: Some(ratios[i]).filter(|q| q.is_finite() && comparable),
        z: scores.as_ref().map(|z| z[i]).filter(|z| z.is_finite()),
        no_load_removed,
    };
    indexes.iter().enumerate().map(one).collect()
}

/// Each value over the median of the others; NaN where there are none.
pub fn ratios_to_others(values: &[f64]) -> Vec<f64> {
    let ratio = |i: usize| {
        let others: Vec<f64> = values.iter().enumerate().filter(|(j, _)| *j != i).map(|(_, v)| *v).collect();
        median(&others).map_or(f64::NAN, |m| values[i] / m)
    };
    (0..values.len()).map(ratio).collect()
}

fn mean_of(readings: &[EscReading], field: impl Fn(&EscReading) -> f32) -> Option<f64> {
    let known: Vec<f64> = readings.iter().map(|r| f64::from(field(r))).filter(|v| v.is_finite()).collect();
    mean(&known)
}

/// A power of ω in rad/s and current in amperes, where both are known.
fn pairs(readings: &[EscReading], power: i32) -> (Vec<f64>, Vec<f64>) {
    let speed = |rpm: f32| (f64::from(rpm) * std::f64::consts::PI / 30.0).powi(power);
    readings
        .iter()
        .filter(|r| r.current_a.is_finite())
        .map(|r| (speed(r.rpm), f64::from(r.current_a)))
        .unzip()
}

/// Mean of I over the power of ω and its standard error.
fn plain(readings: &[EscReading], power: i32) -> Option<Index> {
    let (raised, current) = pairs(readings, power);
    if current.len() < MIN_SAMPLES {
        return None;
    }
    let index: Vec<f64> = raised.iter().zip(&current).map(|(w, i)| i / w).collect();
    Some((mean(&index)?, autocorrelated_error(&index)?)).filter(|q| q.0 > 0.0)
}

/// Slope of I over the power of ω and its standard error, if speed ranges enough for it to be sharp.
fn slope(readings: &[EscReading], power: i32) -> Option<Index> {
    let (raised, current) = pairs(readings, power);
    let n = current.len();
    let least = MIN_RANGE.powf(f64::from(power) / 2.0);
    if n < 3 * MIN_SAMPLES || quantile(&raised, 0.95)? < least * quantile(&raised, 0.05)? {
        return None;
    }
    let (w, i) = (mean(&raised)?, mean(&current)?);
    let sxx: f64 = raised.iter().map(|x| (x - w).powi(2)).sum();
    let sxy: f64 = raised.iter().zip(&current).map(|(x, y)| (x - w) * (y - i)).sum();
    let slope = sxy / sxx;
    let residuals: Vec<f64> = raised.iter().zip(&current).map(|(x, y)| y - i - slope * (x - w)).collect();
    let spread = sd(&residuals)?;
    // Correlated residuals widen the error as they widen that of a mean.
    let independent = spread / (n as f64).sqrt();
    let widening =
        if independent > 0.0 { (autocorrelated_error(&residuals)? / independent).max(1.0) } else { 1.0 };
    let error = spread / sxx.sqrt() * widening;
    (slope > 0.0 && error < MAX_SLOPE_ERROR * slope).then_some((slope, error))
}

impl EscSummary {
    /// The long-form numbers.
    pub fn measurements(&self, span: (i64, i64)) -> Vec<Measurement> {
        let speed = [
            (("motor_speed", "mean", "rev/min"), Some(self.rpm)),
            (("motor_speed", "ratio_to_others", "fraction"), Some(self.rpm_ratio).filter(|r| r.is_finite())),
            (("motor_current", "mean", "A"), self.current_a),
            (("motor_temperature", "mean", "°C"), self.temperature_degc),
        ];
        let number =
            |names, value| Measurement::number(names, self.position.as_str(), value, self.samples, span);
        let mut rows: Vec<Measurement> =
            speed.into_iter().filter_map(|(names, value)| Some(number(names, value?))).collect();
        for (measure, unit, compared) in [
            ("motor_torque_index", "A/(rad/s)²", &self.torque),
            ("motor_power_index", "A/(rad/s)³", &self.power),
        ] {
            let note = match compared.no_load_removed {
                true => "no-load current removed",
                false => "includes the no-load current",
            };
            let numbers = [
                ((measure, "mean", unit), compared.index),
                ((measure, "standard_error", unit), compared.error),
                ((measure, "ratio_to_others", "fraction"), compared.ratio),
                ((measure, "modified_z", ""), compared.z),
            ];
            let known = numbers.into_iter().filter_map(|(names, value)| Some((names, value?)));
            rows.extend(known.map(|(names, value)| number(names, value).noted(Some(note))));
        }
        rows
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::airframe::named;
    use crate::measure::hover::Span;
    use crate::signal::Sample;
    use crate::stats::testing::Random;

    /// 60 s at 10 Hz; motor 2 draws `drag` times its siblings' torque current, all 0.4 A without load;
    /// speed swings by `swing`; each next motor is asked for `step` rev/min more. `supply`: the current is that of
    /// the ESC's supply, torque current times ω over 419 rad/s (4000 rev/min).
    fn readings(drag: f64, swing: f64, step: f64, supply: bool) -> Vec<EscSummary> {
        let mut airframe = named("hexa-x", 0.6, 0.021).unwrap();
        (0u8..).zip(&mut airframe.motors).for_each(|(i, m)| m.esc = Some(i));
        let (mut random, mut signals) = (Random::new(3), Signals::default());
        for tenth in 0..600 {
            for index in 0..6u8 {
                let rpm = 4000.0 + step * f64::from(index) + swing * random.normal();
                let torque = 9e-5 * (rpm * std::f64::consts::PI / 30.0).powi(2);
                let asked = if supply { torque * rpm / 4000.0 } else { torque };
                let current = 0.4 + asked * if index == 2 { drag } else { 1.0 } + 0.05 * random.normal();
                let value = EscReading {
                    index,
                    rpm: rpm as f32,
                    voltage_v: 44.0,
                    current_a: current as f32,
                    temperature_degc: f32::NAN,
                };
                signals.esc.push(Sample::at(tenth * 100, value));
            }
        }
        signals.esc.finish();
        let spans = vec![Span { start_ms: 0, end_ms: 60_000 }];
        esc_in_hover(&signals, &airframe, &HoverSummary { spans, seconds: 60.0, notes: vec![] }).unwrap()
    }

    #[test]
    fn a_dragging_motor_stands_out_and_its_siblings_do_not() {
        for (supply, swing, removed) in [(false, 5.0, false), (false, 200.0, true), (true, 200.0, true)] {
            let escs = readings(1.15, swing, 50.0, supply);
            for esc in &escs {
                let compared = if supply { esc.power } else { esc.torque };
                assert_eq!(compared.no_load_removed, removed);
                assert_eq!(esc.temperature_degc, None);
                let (ratio, z) = (compared.ratio.unwrap(), compared.z.unwrap());
                let want = if esc.motor == 2 { 1.15 } else { 1.0 };
                assert!((ratio - want).abs() < 0.02, "{} {ratio}", esc.position);
                assert_eq!(z > 3.5, esc.motor == 2, "{} {z}", esc.position);
            }
        }
        let exact = readings(1.0, 200.0, 50.0, false);
        for esc in exact {
            let (q, error) = (esc.torque.index.unwrap(), esc.torque.error.unwrap());
            assert!((q - 9e-5).abs() < 4.0 * error && error < 0.02 * q, "{q} ± {error}");
        }
    }

    #[test]
    fn a_motor_that_is_asked_for_more_is_alike_in_one_of_the_indexes() {
        // Speeds of 4000 to 5000 rev/min: 25 % from the slowest to the fastest.
        for supply in [false, true] {
            for esc in readings(1.0, 200.0, 200.0, supply) {
                let (right, other) = if supply { (esc.power, esc.torque) } else { (esc.torque, esc.power) };
                assert!((right.ratio.unwrap() - 1.0).abs() < 0.02, "{} {right:?}", esc.position);
                let off = esc.motor == 0 || esc.motor == 5;
                assert!(!off || (other.ratio.unwrap() - 1.0).abs() > 0.08, "{} {other:?}", esc.position);
            }
        }
    }

    #[test]
    fn nothing_is_said_without_mapping_or_hover() {
        let airframe = named("quad-x", 0.6, 0.021).unwrap();
        let hover = HoverSummary { seconds: 60.0, ..HoverSummary::default() };
        assert!(esc_in_hover(&Signals::default(), &airframe, &hover).is_err_and(|e| e.contains("mapped")));
    }
}
