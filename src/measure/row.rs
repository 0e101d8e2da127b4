//! One number of one flight, in the long form the archive keeps.

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

impl Measurement {
    /// A number that rests on `samples` samples between two instants.
    pub fn number(
        (measure, statistic, unit): (&'static str, &'static str, &'static str),
        subject: impl Into<String>,
        value: f64,
        samples: u64,
        (start_ms, end_ms): (i64, i64),
    ) -> Self {
        let subject = subject.into();
        let value = value.is_finite().then_some(value);
        let note = value.is_none().then_some(Cow::Borrowed("the computation gave no finite number"));
        Measurement { measure, subject, statistic, value, unit, samples, start_ms, end_ms, note }
    }

    /// No number, and why.
    pub fn missing(
        (measure, statistic, unit): (&'static str, &'static str, &'static str),
        subject: impl Into<String>,
        why: impl Into<Cow<'static, str>>,
        (start_ms, end_ms): (i64, i64),
    ) -> Self {
        let (subject, note) = (subject.into(), Some(why.into()));
        Measurement { measure, subject, statistic, value: None, unit, samples: 0, start_ms, end_ms, note }
    }

    /// The same number with a remark on what limits it.
    pub fn noted(mut self, note: Option<impl Into<Cow<'static, str>>>) -> Self {
        if let Some(note) = note {
            self.note = Some(note.into());
        }
        self
    }
}
