//! One flight's measures by name, whether just measured or read back from the archive.

use crate::measure::Measurement;

/// One number.
#[derive(Debug, Clone, PartialEq)]
pub struct Number {
    /// Name of the measure.
    pub measure: String,
    /// What it belongs to.
    pub subject: String,
    /// Which statistic.
    pub statistic: String,
    /// The number.
    pub value: f64,
    /// How many samples it rests on.
    pub samples: u64,
    /// From, in milliseconds since boot.
    pub start_ms: i64,
    /// To, in milliseconds since boot.
    pub end_ms: i64,
}

/// The numbers of one flight; measures without a number are not in it.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Numbers {
    all: Vec<Number>,
}

impl Numbers {
    /// From numbers in any order.
    pub fn new(all: Vec<Number>) -> Self {
        Numbers { all }
    }

    /// From fresh measurements.
    pub fn from_measurements(measurements: &[Measurement]) -> Self {
        let all = measurements
            .iter()
            .filter_map(|m| {
                Some(Number {
                    measure: m.measure.to_owned(),
                    subject: m.subject.clone(),
                    statistic: m.statistic.to_owned(),
                    value: m.value?,
                    samples: m.samples,
                    start_ms: m.start_ms,
                    end_ms: m.end_ms,
                })
            })
            .collect();
        Numbers { all }
    }

    /// One number by its three names.
    pub fn get(&self, measure: &str, subject: &str, statistic: &str) -> Option<&Number> {
        self.all.iter().find(|n| n.measure == measure && n.subject == subject && n.statistic == statistic)
    }

    /// Every subject of one measure and statistic.
    pub fn all(&self, measure: &str, statistic: &str) -> impl Iterator<Item = &Number> {
        self.all.iter().filter(move |n| n.measure == measure && n.statistic == statistic)
    }

    /// One statistic of a measure for each of `subjects`, in their order; `None` if any is missing.
    pub fn each<'s>(
        &self,
        measure: &str,
        statistic: &str,
        subjects: impl Iterator<Item = &'s str>,
    ) -> Option<Vec<f64>> {
        subjects.map(|subject| self.get(measure, subject, statistic).map(|n| n.value)).collect()
    }
}
