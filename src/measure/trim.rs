//! What the controller has to hold against in flight: apparent centre of gravity and steady yaw effort, with
//! their own standard errors.
//!
//! # Method
//! Apparent centre of gravity: mean centre of thrust over the output samples of steady hover. Yaw effort
//! d = Σ s u / Σ u: gusts about the yaw axis scatter it by far more than a weak motor moves it, and only time
//! averages them out. So it is drawn from the whole flight: least squares of d on the yaw acceleration (slope
//! of ATTITUDE's yaw rate), whose intercept is the effort that turns nothing. Each error is that of a mean of
//! correlated samples, taken on the trim itself: errors of single outputs are not independent.
//!
//! Flight at speed could add a yaw effort of its own. The whole flight is used only if it agrees with the
//! hover: the difference of the two within [`HAUSMAN_CUT`] of √(variance in hover − variance in flight).
//! # Source
//! Hausman, *Specification Tests in Econometrics*, Econometrica 46 (1978): an efficient estimate against one
//! that is right in any case.
//! # When it says nothing
//! Without enough steady hover, as [`super::motor_output`].

use super::hover::{HoverSummary, MARGIN_MS};
use super::motor_output::MIN_SAMPLES;
use super::row::Measurement;
use crate::airframe::Airframe;
use crate::signal::{Attitude, Sample, ServoOutputs, Signals};
use crate::stats::{autocorrelated_error, mean};

/// The whole flight is believed within so many standard deviations of the hover.
pub const HAUSMAN_CUT: f64 = 2.5;
/// The yaw acceleration is the slope of the yaw rate over so many milliseconds either way.
const SLOPE_MS: i64 = 400;
/// Names of the three parts, in order.
const PARTS: [(&str, f64, &str); 3] =
    [("forward", 1000.0, "mm"), ("right", 1000.0, "mm"), ("yaw", 1.0, "fraction")];

/// The trim of one flight: centre of gravity forward and right in metres, yaw effort as a fraction.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Trim {
    /// Means.
    pub mean: [f64; 3],
    /// Their standard errors.
    pub standard_error: [f64; 3],
    /// Output samples behind the centre of gravity, and behind the yaw effort.
    pub samples: [u64; 2],
    /// Whether the yaw effort rests on the hover alone.
    pub hover_only: bool,
}

impl Trim {
    /// From numbers that rest on no known count of samples.
    pub fn new(mean: [f64; 3], standard_error: [f64; 3]) -> Self {
        Trim { mean, standard_error, samples: [0; 2], hover_only: false }
    }

    /// From the signals of one flight, or why not.
    pub fn from_flight(
        signals: &Signals,
        airframe: &Airframe,
        hover: &HoverSummary,
        (start_ms, end_ms): (i64, i64),
    ) -> Option<Self> {
        let mut parts: [Vec<f64>; 3] = Default::default();
        for u in hover.select(&signals.outputs).filter_map(|s| airframe.thrusts(&s.value)) {
            let (forward, right) = airframe.centre_of_thrust_m(&u);
            let now = [forward, right, airframe.yaw_trim(&u)];
            parts.iter_mut().zip(now).for_each(|(part, value)| part.push(value));
        }
        let samples = parts[0].len();
        if samples < MIN_SAMPLES {
            return None;
        }
        let mut found = Trim {
            mean: [mean(&parts[0])?, mean(&parts[1])?, mean(&parts[2])?],
            standard_error: [0.0; 3],
            samples: [samples as u64; 2],
            hover_only: true,
        };
        for (error, part) in found.standard_error.iter_mut().zip(&parts) {
            *error = autocorrelated_error(part)?;
        }
        let (from, to) = signals.settled(start_ms, end_ms, MARGIN_MS);
        if let Some((d, error, samples)) = yaw_in_flight(signals, airframe, from, to)
            && error < found.standard_error[2]
            && (d - found.mean[2]).abs()
                < HAUSMAN_CUT * (found.standard_error[2].powi(2) - error.powi(2)).sqrt()
        {
            (found.mean[2], found.standard_error[2], found.samples[1]) = (d, error, samples);
            found.hover_only = false;
        }
        Some(found)
    }

    /// The long-form numbers; `hovering` is where the hover lay, `span` the flight.
    pub fn measurements(&self, hovering: (i64, i64), span: (i64, i64)) -> Vec<Measurement> {
        let mut rows = Vec::new();
        for (i, (part, scale, unit)) in PARTS.into_iter().enumerate() {
            let whole = i == 2 && !self.hover_only;
            let (over, samples) = if whole { (span, self.samples[1]) } else { (hovering, self.samples[0]) };
            let note = (i == 2 && self.hover_only).then_some("from steady hover alone");
            for (statistic, value) in [("mean", self.mean[i]), ("standard_error", self.standard_error[i])] {
                let row = Measurement::number(("trim", statistic, unit), part, value * scale, samples, over);
                rows.push(row.noted(note));
            }
        }
        rows
    }

    /// From archived numbers: `number(part, statistic)`.
    pub fn from_archive(number: impl Fn(&str, &str) -> Option<f64>) -> Option<Self> {
        let (mut mean, mut standard_error) = ([0.0; 3], [0.0; 3]);
        for (i, (part, scale, _)) in PARTS.into_iter().enumerate() {
            mean[i] = number(part, "mean")? / scale;
            standard_error[i] = number(part, "standard_error")? / scale;
        }
        Some(Trim::new(mean, standard_error))
    }
}

/// Yaw effort that turns nothing, its standard error and the samples behind it.
fn yaw_in_flight(signals: &Signals, airframe: &Airframe, from: i64, to: i64) -> Option<(f64, f64, u64)> {
    let attitude = signals.attitude.within(from - SLOPE_MS, to + SLOPE_MS);
    let (mut effort, mut turning) = (Vec::new(), Vec::new());
    let mut first = 0;
    // Holes are longer than twice SLOPE_MS: no slope is drawn across one, but a sample may not know its side.
    let told = |s: &&Sample<ServoOutputs>| !signals.hole_within(s.earliest_ms, s.latest_ms);
    for sample in signals.outputs.within(from, to).iter().filter(told) {
        let time_ms = sample.middle_ms();
        while attitude.get(first).is_some_and(|a| a.middle_ms() < time_ms - SLOPE_MS) {
            first += 1;
        }
        let near = attitude[first..].iter().take_while(|a| a.middle_ms() <= time_ms + SLOPE_MS);
        if let (Some(slope), Some(d)) = (yaw_acceleration(near, time_ms), yaw_effort(airframe, sample)) {
            effort.push(d);
            turning.push(slope);
        }
    }
    if effort.len() < MIN_SAMPLES {
        return None;
    }
    let (mean_effort, mean_turning) = (mean(&effort)?, mean(&turning)?);
    let along: f64 = effort.iter().zip(&turning).map(|(d, r)| (d - mean_effort) * (r - mean_turning)).sum();
    let power: f64 = turning.iter().map(|r| (r - mean_turning).powi(2)).sum();
    let gain = if power > 0.0 { along / power } else { 0.0 };
    let still: Vec<f64> = effort.iter().zip(&turning).map(|(d, r)| d - gain * r).collect();
    Some((mean(&still)?, autocorrelated_error(&still)?, still.len() as u64))
}

fn yaw_effort(airframe: &Airframe, sample: &Sample<ServoOutputs>) -> Option<f64> {
    airframe.thrusts(&sample.value).map(|u| airframe.yaw_trim(&u)).filter(|d| d.is_finite())
}

/// Least-squares slope of the yaw rate in rad/s²; `None` under three samples.
fn yaw_acceleration<'a>(
    near: impl Iterator<Item = &'a Sample<Attitude>> + Clone,
    time_ms: i64,
) -> Option<f64> {
    let seconds = |a: &Sample<Attitude>| (a.middle_ms() - time_ms) as f64 / 1000.0;
    let n = near.clone().count() as f64;
    if n < 3.0 {
        return None;
    }
    let centre = near.clone().map(seconds).sum::<f64>() / n;
    let power: f64 = near.clone().map(|a| (seconds(a) - centre).powi(2)).sum();
    let along: f64 = near.map(|a| (seconds(a) - centre) * f64::from(a.value.yawspeed)).sum();
    (power > 0.0).then(|| along / power)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::airframe::named;
    use crate::measure::hover::Span;

    /// Quad at linear thrust 0.45 and yaw effort `d`, as pulses.
    fn outputs(d: f64) -> ServoOutputs {
        let mut raw = [0u16; 16];
        for (k, pulse) in raw.iter_mut().take(4).enumerate() {
            let sign = if k % 2 == 0 { 1.0 } else { -1.0 };
            *pulse = (1000.0 + 450.0 * (1.0 + sign * d)).round() as u16;
        }
        ServoOutputs::from_raw(raw)
    }

    /// 100 s at 10 Hz: hover for 30 s, then turns of ±0.1 rad/s² that cost `gain` each; yaw effort
    /// `hover` while hovering and `moving` after, with a ripple of ±0.02.
    fn flight(hover: f64, moving: f64, gain: f64) -> (Signals, HoverSummary) {
        let mut signals = Signals::default();
        let mut rate = 0.0;
        for tenth in 0..1000i64 {
            let t = tenth as f64 / 10.0;
            let turning = if t < 30.0 { 0.0 } else { 0.1 * (t / 3.0).sin() };
            rate += turning * 0.1;
            let yawspeed = rate as f32;
            let still =
                Attitude { roll: 0.0, pitch: 0.0, yaw: 0.0, rollspeed: 0.0, pitchspeed: 0.0, yawspeed };
            signals.attitude.push(Sample::at(tenth * 100, still));
            let ripple = 0.02 * (7.0 * t).sin();
            let d = if t < 30.0 { hover } else { moving } + gain * turning + ripple;
            signals.outputs.push(Sample::at(tenth * 100, outputs(d)));
        }
        let spans = vec![Span { start_ms: 2_000, end_ms: 30_000 }];
        (signals, HoverSummary { spans, seconds: 28.0, notes: Vec::new() })
    }

    fn trim(hover: f64, moving: f64, gain: f64) -> Trim {
        let (signals, steady) = flight(hover, moving, gain);
        Trim::from_flight(&signals, &named("quad-x", 0.6, 0.021).unwrap(), &steady, (0, 100_000)).unwrap()
    }

    #[test]
    fn what_turns_the_aircraft_is_no_steady_effort() {
        for gain in [0.0, 0.4] {
            let found = trim(0.05, 0.05, gain);
            assert!(!found.hover_only, "{found:?}");
            assert!((found.mean[2] - 0.05).abs() < 0.002, "gain {gain}: {found:?}");
            // 450 µs a motor in whole µs, four motors: 0.001 of the effort and 0.7 mm.
            assert!(found.mean[0].abs() < 0.001 && found.mean[1].abs() < 0.001, "{found:?}");
            assert!(found.samples[1] > 900 && found.samples[0] < 300, "{found:?}");
        }
    }

    #[test]
    fn a_flight_that_disagrees_with_its_hover_is_not_used() {
        let found = trim(0.05, 0.09, 0.0);
        assert!(found.hover_only, "{found:?}");
        assert!((found.mean[2] - 0.05).abs() < 0.002, "{found:?}");
        let rows = found.measurements((2_000, 30_000), (0, 100_000));
        let yaw = rows.iter().find(|r| r.subject == "yaw" && r.statistic == "mean").unwrap();
        assert_eq!(yaw.note.as_deref(), Some("from steady hover alone"));
    }

    #[test]
    fn the_archive_gives_back_what_was_measured() {
        let found = trim(0.05, 0.05, 0.0);
        let rows = found.measurements((2_000, 30_000), (0, 100_000));
        let number = |part: &str, statistic: &str| {
            rows.iter().find(|r| r.subject == part && r.statistic == statistic).and_then(|r| r.value)
        };
        let back = Trim::from_archive(number).unwrap();
        for axis in 0..3 {
            assert!((back.mean[axis] - found.mean[axis]).abs() < 1e-12);
            assert!((back.standard_error[axis] - found.standard_error[axis]).abs() < 1e-12);
        }
        assert_eq!(Trim::from_archive(|_, _| None), None);
    }
}
