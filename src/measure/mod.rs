//! Numbers of one flight, one file a measure; pure functions of series and airframe.

use std::borrow::Cow;

/// One number of one flight, in long form.
#[derive(Debug, Clone, PartialEq)]
pub struct Measurement {
    /// For example `vibration_level`.
    pub measure: &'static str,
    /// What it belongs to: `x`, `imu-0 x`, `front-right`, `nose-right`, `aircraft`.
    pub subject: String,
    /// For example `p95`, `median`, `mean`, `max`, `count`.
    pub statistic: &'static str,
    /// The number; `None` when there was not enough data, with `note` saying why.
    pub value: Option<f64>,
    /// Unit in the trade's notation: `m/s²`, `fraction`, `deg`, `mm`; empty for a plain level.
    pub unit: &'static str,
    /// How many samples it rests on.
    pub samples: u64,
    /// First instant it rests on, in milliseconds since boot.
    pub start_ms: i64,
    /// Last instant it rests on, in milliseconds since boot.
    pub end_ms: i64,
    /// Why there is no number, or what limits it.
    pub note: Option<Cow<'static, str>>,
}
