//! A series of samples in time order whose memory is bounded whatever the log's length.

/// One value and the boot-time interval in which it was sent.
///
/// A message with a time field of its own has both ends equal; one without lies between its neighbours.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Sample<T> {
    /// Not before this, in milliseconds since boot.
    pub earliest_ms: i64,
    /// Not after this, in milliseconds since boot.
    pub latest_ms: i64,
    /// What was said.
    pub value: T,
}

impl<T> Sample<T> {
    /// A sample whose instant is known.
    pub fn at(time_ms: i64, value: T) -> Self {
        Sample { earliest_ms: time_ms, latest_ms: time_ms, value }
    }

    /// Middle of the interval, in milliseconds since boot.
    pub fn middle_ms(&self) -> i64 {
        self.earliest_ms + (self.latest_ms - self.earliest_ms) / 2
    }
}

/// Samples in order of `earliest_ms`, at most [`Series::CAPACITY`] of them.
///
/// When full, every other sample is dropped and from then on only every second (fourth, eighth…) one is
/// kept: [`Series::stride`] says how many were offered for each one kept.
#[derive(Debug, Clone)]
pub struct Series<T> {
    samples: Vec<Sample<T>>,
    stride: u64,
    offered: u64,
    sorted: bool,
}

impl<T> Default for Series<T> {
    fn default() -> Self {
        Series { samples: Vec::new(), stride: 1, offered: 0, sorted: true }
    }
}

impl<T> Series<T> {
    /// Most samples one series keeps: half an hour at 50 Hz.
    pub const CAPACITY: usize = 100_000;

    /// Adds a sample; call [`Series::finish`] after the last one.
    pub fn push(&mut self, sample: Sample<T>) {
        // The stride is a power of two; a division a sample would show.
        let wanted = self.offered & (self.stride - 1) == 0;
        self.offered += 1;
        if !wanted {
            return;
        }
        if let Some(last) = self.samples.last() {
            self.sorted &= last.earliest_ms <= sample.earliest_ms;
        }
        self.samples.push(sample);
        if self.samples.len() >= Self::CAPACITY {
            let mut index = 0usize;
            self.samples.retain(|_| {
                index += 1;
                index % 2 == 1
            });
            self.stride *= 2;
        }
    }

    /// Puts late arrivals in their place; the order of equal times stays.
    pub fn finish(&mut self) {
        if !self.sorted {
            self.samples.sort_by_key(|s| s.earliest_ms);
            self.sorted = true;
        }
    }

    /// Samples offered for each one kept: 1 unless the log was too long for the bound.
    pub fn stride(&self) -> u64 {
        self.stride
    }

    /// Gives the samples at the end that wait for their upper bound (`i64::MAX`) `latest_ms`.
    pub fn resolve(&mut self, latest_ms: i64) {
        for sample in self.samples.iter_mut().rev().take_while(|s| s.latest_ms == i64::MAX) {
            sample.latest_ms = latest_ms.max(sample.earliest_ms);
        }
    }

    /// The samples whose `earliest_ms` lies in `start_ms..=end_ms`.
    pub fn within(&self, start_ms: i64, end_ms: i64) -> &[Sample<T>] {
        let from = self.samples.partition_point(|s| s.earliest_ms < start_ms);
        let to = self.samples.partition_point(|s| s.earliest_ms <= end_ms);
        self.samples.get(from..to.max(from)).unwrap_or_default()
    }
}

impl<T> std::ops::Deref for Series<T> {
    type Target = [Sample<T>];
    fn deref(&self) -> &[Sample<T>] {
        &self.samples
    }
}

impl<T> FromIterator<Sample<T>> for Series<T> {
    fn from_iter<I: IntoIterator<Item = Sample<T>>>(samples: I) -> Self {
        let mut series = Series::default();
        for sample in samples {
            series.push(sample);
        }
        series.finish();
        series
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn memory_is_bounded_and_the_span_is_kept() {
        let series: Series<u64> = (0..1_000_000u64).map(|i| Sample::at(i as i64, i)).collect();
        assert!(series.len() < Series::<u64>::CAPACITY);
        assert_eq!(series.stride(), 16);
        assert_eq!(series.first().map(|s| s.value), Some(0));
        assert!(series.last().is_some_and(|s| s.value >= 999_984));
        assert!(series.windows(2).all(|w| w[1].value - w[0].value == 16), "even thinning");
    }

    #[test]
    fn late_arrivals_are_put_in_order_and_windows_are_inclusive() {
        let series: Series<char> =
            [(10, 'a'), (30, 'c'), (20, 'b')].map(|(t, c)| Sample::at(t, c)).into_iter().collect();
        let text: String = series.within(10, 20).iter().map(|s| s.value).collect();
        assert_eq!(text, "ab");
        assert!(series.within(31, 40).is_empty());
        assert!(series.within(40, 31).is_empty());
    }
}
