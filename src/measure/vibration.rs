//! Vibration: the autopilot's own levels, saturated samples, and accelerations where they were logged.
//!
//! # Method
//! Levels: quantiles of VIBRATION per axis. Clipping: counters since boot, so their increments; a counter that
//! falls was reset and counts from zero. The counters count on where the log has a hole, so their increments across
//! one are facts of the flight. Accelerations: second-order Butterworth high-pass at
//! [`HIGH_PASS_HZ`] per axis, started at the mean and given [`SETTLE_MS`] to settle after every gap; r.m.s.
//! # When it says nothing
//! Accelerations logged below [`MIN_RATE_HZ`]. Levels of fewer samples than [`MIN_SAMPLES`]: a hop, or what holes left. The
//! levels have no unit in the standard and differ between
//! autopilots: compare them within one aircraft. Nothing above half the sampling rate is what it seems.

use super::motor_output::MIN_SAMPLES;
use super::row::Measurement;
use crate::signal::{Imu, ImuSource, Sample, Signals};
use crate::stats::{mean, median, quantile};

/// Corner of the high-pass in Hz: above attitude motion, below rotor speeds.
pub const HIGH_PASS_HZ: f64 = 5.0;
/// Slowest usable sampling in Hz.
pub const MIN_RATE_HZ: f64 = 25.0;
/// Left out at the start and after a gap while the filter settles, in milliseconds.
pub const SETTLE_MS: i64 = 1000;
/// A gap longer than this many sampling periods starts the filter anew.
const GAP_PERIODS: f64 = 5.0;
const AXES: [&str; 3] = ["x", "y", "z"];

/// One axis of VIBRATION.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LevelSummary {
    /// Median.
    pub p50: f64,
    /// 95th percentile.
    pub p95: f64,
    /// Largest.
    pub max: f64,
}

/// Root mean square acceleration of one IMU after the high-pass.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct AccelSummary {
    /// IMU number from 0.
    pub imu: u8,
    /// Along x, y, z in m/s².
    pub rms_m_s2: [f64; 3],
    /// Samples a second.
    pub rate_hz: f64,
    /// Samples used.
    pub samples: u64,
}

/// Vibration of one flight.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct VibrationSummary {
    /// VIBRATION level along x, y, z; no declared unit; `None` without that message.
    pub level: Option<[LevelSummary; 3]>,
    /// Saturated samples added during the flight, IMU 0, 1, 2; `None` without that message.
    pub clipping: Option<[u64; 3]>,
    /// VIBRATION samples used.
    pub samples: u64,
    /// Accelerations, one entry an IMU that was logged fast enough.
    pub accel: Vec<AccelSummary>,
}

/// Vibration between two instants; `None` if the log has neither levels nor fast accelerations.
pub fn vibration(signals: &Signals, start_ms: i64, end_ms: i64) -> Option<VibrationSummary> {
    let samples = signals.vibration.within(start_ms, end_ms);
    let scraps = samples.len() < MIN_SAMPLES;
    let axis = |i: usize| {
        let values: Vec<f64> = samples.iter().map(|s| f64::from(s.value.level[i])).collect();
        let at = |p| quantile(&values, p);
        Some(LevelSummary { p50: at(0.5)?, p95: at(0.95)?, max: at(1.0)? })
    };
    let level = axis(0).zip(axis(1)).zip(axis(2)).map(|((x, y), z)| [x, y, z]).filter(|_| !scraps);
    let clipping = (samples.len() >= 2)
        .then(|| [0, 1, 2].map(|imu| increments(samples.iter().map(|s| s.value.clipping[imu]))));
    let accel = accelerations(signals.imu.within(start_ms, end_ms));
    (level.is_some() || clipping.is_some() || !accel.is_empty()).then_some(VibrationSummary {
        level,
        clipping,
        samples: samples.len() as u64,
        accel,
    })
}

/// What a counter gained; where it falls it was reset, and what it then shows is new.
fn increments(counter: impl Iterator<Item = u32>) -> u64 {
    let mut before = None;
    let mut gained = 0u64;
    for now in counter {
        gained += match before {
            Some(before) if now >= before => u64::from(now - before),
            Some(_) => u64::from(now),
            None => 0,
        };
        before = Some(now);
    }
    gained
}

/// One summary an IMU, from whichever message logged it fastest.
fn accelerations(samples: &[Sample<Imu>]) -> Vec<AccelSummary> {
    let mut ids: Vec<u8> = samples.iter().map(|s| s.value.id).collect();
    ids.sort_unstable();
    ids.dedup();
    let of = |id: u8, source: ImuSource| {
        let one: Vec<Sample<Imu>> =
            samples.iter().filter(|s| s.value.id == id && s.value.source == source).copied().collect();
        one_imu(id, &one)
    };
    ids.into_iter()
        .filter_map(|id| {
            let both = [of(id, ImuSource::HighRes), of(id, ImuSource::Scaled)];
            both.into_iter().flatten().max_by(|a, b| a.rate_hz.total_cmp(&b.rate_hz))
        })
        .collect()
}

fn one_imu(imu: u8, samples: &[Sample<Imu>]) -> Option<AccelSummary> {
    let steps: Vec<f64> = samples
        .windows(2)
        .map(|p| (p[1].earliest_ms - p[0].earliest_ms) as f64)
        .filter(|s| *s > 0.0)
        .collect();
    // Stamps are whole milliseconds, so the median alone would be coarse: average the steps near it.
    let typical = median(&steps)?;
    let regular: Vec<f64> = steps.into_iter().filter(|s| *s <= 1.5 * typical + 1.0).collect();
    let period_ms = mean(&regular)?;
    let rate_hz = 1000.0 / period_ms;
    // Two parts in a thousand: a nominal 25 Hz may come out as 24.97.
    if rate_hz < 0.998 * MIN_RATE_HZ {
        return None;
    }
    let (mut squares, mut used) = ([0.0; 3], 0u64);
    let gap =
        |a: &Sample<Imu>, b: &Sample<Imu>| (b.earliest_ms - a.earliest_ms) as f64 <= GAP_PERIODS * period_ms;
    for run in samples.chunk_by(gap) {
        let settled = run.partition_point(|s| s.earliest_ms - run[0].earliest_ms < SETTLE_MS);
        for (axis, sum) in squares.iter_mut().enumerate() {
            let values: Vec<f64> = run.iter().map(|s| f64::from(s.value.accel_m_s2[axis])).collect();
            *sum += high_pass(&values, rate_hz).iter().skip(settled).map(|v| v * v).sum::<f64>();
        }
        used += (run.len() - settled) as u64;
    }
    let rms_m_s2 = squares.map(|sum| (sum / used as f64).sqrt());
    (used > 0 && rms_m_s2.iter().all(|r| r.is_finite())).then_some(AccelSummary {
        imu,
        rms_m_s2,
        rate_hz,
        samples: used,
    })
}

/// Second-order Butterworth high-pass by the bilinear transform, corner prewarped.
fn high_pass(values: &[f64], rate_hz: f64) -> Vec<f64> {
    let warped = (std::f64::consts::PI * HIGH_PASS_HZ / rate_hz).tan();
    let scale = 1.0 + std::f64::consts::SQRT_2 * warped + warped * warped;
    let feedback = [
        2.0 * (warped * warped - 1.0) / scale,
        (1.0 - std::f64::consts::SQRT_2 * warped + warped * warped) / scale,
    ];
    let start = mean(values).unwrap_or(0.0);
    let (mut inputs, mut outputs) = ([0.0; 2], [0.0; 2]);
    let filter = |value: &f64| {
        let input = value - start;
        let output = (input - 2.0 * inputs[0] + inputs[1]) / scale
            - feedback[0] * outputs[0]
            - feedback[1] * outputs[1];
        inputs = [input, inputs[0]];
        outputs = [output, outputs[0]];
        output
    };
    values.iter().map(filter).collect()
}

impl VibrationSummary {
    /// The long-form numbers.
    pub fn measurements(&self, span: (i64, i64)) -> Vec<Measurement> {
        let mut rows = Vec::new();
        if self.level.is_none() && self.samples > 0 {
            let why = format!("not enough data: {} VIBRATION samples, {MIN_SAMPLES} needed", self.samples);
            rows.push(Measurement::missing(("vibration_level", "p95", ""), "aircraft", why, span));
        }
        for (axis, level) in AXES.into_iter().zip(self.level.iter().flatten()) {
            for (statistic, value) in [("p50", level.p50), ("p95", level.p95), ("max", level.max)] {
                let names = ("vibration_level", statistic, "");
                rows.push(Measurement::number(names, axis, value, self.samples, span));
            }
        }
        for (imu, gained) in self.clipping.iter().flatten().enumerate() {
            let names = ("clipping", "count", "");
            rows.push(Measurement::number(names, format!("imu-{imu}"), *gained as f64, self.samples, span));
        }
        for accel in &self.accel {
            for (axis, rms) in AXES.into_iter().zip(accel.rms_m_s2) {
                let subject = format!("imu-{} {axis}", accel.imu);
                let note = format!(
                    "sampled at {:.0} Hz, high-pass {HIGH_PASS_HZ} Hz; motion above {:.0} Hz appears folded",
                    accel.rate_hz,
                    accel.rate_hz / 2.0
                );
                let names = ("accel_rms", "rms", "m/s²");
                rows.push(Measurement::number(names, subject, rms, accel.samples, span).noted(Some(note)));
            }
        }
        rows
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::signal::Vibration;

    #[test]
    fn counters_are_differenced_and_resets_survived() {
        assert_eq!(increments([100, 100, 103, 2, 5].into_iter()), 3 + 2 + 3);
        let mut signals = Signals::default();
        for t in (0..=2000).step_by(200).chain([3000]) {
            let level = [1.0, 2.0, t as f32];
            let clip = if t < 1000 { 40 } else { 45 + 54 * u32::from(t == 3000) };
            signals.vibration.push(Sample::at(t, Vibration { level, clipping: [clip, 7, 0] }));
        }
        let found = vibration(&signals, 0, 2000).unwrap();
        assert_eq!(found.clipping, Some([5, 0, 0]));
        assert_eq!(found.level.unwrap()[2], LevelSummary { p50: 1000.0, p95: 1900.0, max: 2000.0 });
        let hop = vibration(&signals, 0, 1000).unwrap();
        assert_eq!((hop.level, hop.clipping), (None, Some([5, 0, 0])), "six samples are no level");
    }

    /// Butterworth, second order: gain 1/√(1 + (f_c/f)⁴) of the prewarped frequencies; r.m.s. of a sine is
    /// A/√2. Gravity and slow motion must vanish.
    #[test]
    fn only_fast_motion_is_counted() {
        let mut signals = Signals::default();
        for i in 0..6000i64 {
            let t = i as f64 * 0.01;
            let wave = |hz: f64| (2.0 * std::f64::consts::PI * hz * t).sin();
            let accel = [2.0 * wave(20.0), 3.0 * wave(0.2), -9.81 + 1.0 * wave(5.0)].map(|a| a as f32);
            let value = Imu { source: ImuSource::Scaled, id: 1, accel_m_s2: accel };
            signals.imu.push(Sample::at(i * 10, value));
        }
        let found = vibration(&signals, 0, 60_000).unwrap();
        let accel = &found.accel[0];
        assert_eq!((accel.imu, accel.rate_hz), (1, 100.0));
        let warp = |hz: f64| (std::f64::consts::PI * hz / 100.0).tan();
        let gain = 1.0 / (1.0 + (warp(5.0) / warp(20.0)).powi(4)).sqrt();
        assert!((accel.rms_m_s2[0] - 2.0 * gain / 2f64.sqrt()).abs() < 0.01, "{accel:?}");
        assert!(accel.rms_m_s2[1] < 0.01, "{accel:?}");
        assert!((accel.rms_m_s2[2] - 0.5).abs() < 0.01, "{accel:?}");
        assert!(found.level.is_none() && found.clipping.is_none());
    }

    #[test]
    fn slow_logs_give_no_acceleration() {
        let value = Imu { source: ImuSource::HighRes, id: 0, accel_m_s2: [0.0, 0.0, -9.8] };
        let imu = (0..100).map(|i| Sample::at(i * 100, value)).collect();
        assert_eq!(vibration(&Signals { imu, ..Signals::default() }, 0, 10_000), None);
    }
}
