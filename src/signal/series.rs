//! A series of samples in time order whose memory is bounded whatever the log's length.

/// Which of several sources that take turns in one series a sample comes from: an ESC, an IMU. Each of them is
/// thinned for itself; thinned together, every other one of them would be gone.
pub trait Lane {
    /// Its number; 0 where there is one source only.
    fn lane(&self) -> u8 {
        0
    }
}

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

/// `latest_ms` of a sample that waits for its upper bound.
pub const WAITS: i64 = i64::MAX;
/// The same of one that may have been sent after a reboot.
pub const DOUBTED: i64 = i64::MAX - 1;

impl<T> Sample<T> {
    fn waits(&self) -> bool {
        self.latest_ms >= DOUBTED
    }

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
/// When full, every other sample of each [`Lane`] is dropped and from then on only every second (fourth, eighth…)
/// one is kept: [`Series::stride`] says how many were offered for each one kept.
#[derive(Debug, Clone)]
pub struct Series<T> {
    samples: Vec<Sample<T>>,
    stride: u64,
    /// By lane.
    offered: Vec<u64>,
    /// The first sample that waits for its upper bound.
    waiting: Option<usize>,
    sorted: bool,
}

impl<T> Default for Series<T> {
    fn default() -> Self {
        Series { samples: Vec::new(), stride: 1, offered: Vec::new(), waiting: None, sorted: true }
    }
}

impl<T> Series<T> {
    /// Most samples one series keeps: half an hour at 50 Hz.
    pub const CAPACITY: usize = 100_000;

    /// Adds a sample; call [`Series::finish`] after the last one.
    #[inline]
    pub fn push(&mut self, sample: Sample<T>)
    where
        T: Lane,
    {
        let lane = usize::from(sample.value.lane());
        if self.offered.len() <= lane {
            self.offered.resize(lane + 1, 0);
        }
        // The stride is a power of two; a division a sample would show.
        let wanted = self.offered[lane] & (self.stride - 1) == 0;
        self.offered[lane] += 1;
        if !wanted {
            return;
        }
        if let Some(last) = self.samples.last() {
            self.sorted &= last.earliest_ms <= sample.earliest_ms;
        }
        if sample.waits() && self.waiting.is_none() {
            self.waiting = Some(self.samples.len());
        }
        self.samples.push(sample);
        if self.samples.len() >= Self::CAPACITY {
            self.thin();
        }
    }

    #[cold]
    fn thin(&mut self)
    where
        T: Lane,
    {
        let mut odd = [false; 1 + u8::MAX as usize];
        self.samples.retain(|sample| {
            let odd = &mut odd[usize::from(sample.value.lane())];
            *odd = !*odd;
            *odd
        });
        self.stride *= 2;
        self.waiting = self.samples.iter().position(Sample::waits);
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

    /// Gives the samples that wait for their upper bound `latest_ms`; call before [`Series::finish`].
    #[inline]
    pub fn resolve(&mut self, latest_ms: i64) {
        let Some(from) = self.waiting.take() else { return };
        let waiting = self.samples.get_mut(from..).unwrap_or_default();
        for sample in waiting.iter_mut().filter(|sample| sample.waits()) {
            sample.latest_ms = latest_ms.max(sample.earliest_ms);
        }
    }

    /// Drops the samples that wait for their upper bound.
    pub fn forget_waiting(&mut self) {
        self.drop_waiting(|sample| !sample.waits());
        self.waiting = None;
    }

    /// Drops those of them that are [`DOUBTED`], and gives the others `latest_ms`.
    pub fn forget_doubted(&mut self, latest_ms: i64) {
        self.drop_waiting(|sample| sample.latest_ms != DOUBTED);
        self.resolve(latest_ms);
    }

    fn drop_waiting(&mut self, keep: impl Fn(&Sample<T>) -> bool) {
        let Some(from) = self.waiting else { return };
        let behind = self.samples.split_off(from.min(self.samples.len()));
        self.samples.extend(behind.into_iter().filter(keep));
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

impl<T: Lane> FromIterator<Sample<T>> for Series<T> {
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

    impl Lane for u64 {}
    impl Lane for char {}

    #[derive(Clone, Copy)]
    struct OfEight(u64);

    impl Lane for OfEight {
        fn lane(&self) -> u8 {
            (self.0 % 8) as u8
        }
    }

    #[test]
    fn sources_that_take_turns_are_thinned_alike() {
        let series: Series<OfEight> = (0..400_000u64).map(|i| Sample::at(i as i64, OfEight(i))).collect();
        assert!(series.stride() > 4);
        for lane in 0..8 {
            let of_lane: Vec<u64> = series.iter().map(|s| s.value.0).filter(|n| n % 8 == lane).collect();
            assert!(of_lane.len() >= 400_000 / 8 / series.stride() as usize, "lane {lane}");
            assert!(of_lane.windows(2).all(|w| w[1] - w[0] == 8 * series.stride()), "lane {lane}");
        }
    }

    #[test]
    fn a_sample_waits_for_its_bound_behind_others_that_do_not() {
        let mut series: Series<char> = Series::default();
        series.push(Sample { earliest_ms: 10, latest_ms: i64::MAX, value: 'a' });
        series.push(Sample::at(5, 'b'));
        series.push(Sample { earliest_ms: 12, latest_ms: i64::MAX, value: 'c' });
        series.resolve(11);
        let latest: Vec<i64> = series.iter().map(|s| s.latest_ms).collect();
        assert_eq!(latest, [11, 5, 12]);
    }

    #[test]
    fn what_waits_behind_a_reboot_is_dropped() {
        let waits = |latest_ms, value| Sample { earliest_ms: 10, latest_ms, value };
        let series: Series<char> =
            [waits(WAITS, 'a'), Sample::at(5, 'b'), waits(DOUBTED, 'c'), waits(WAITS, 'd')]
                .into_iter()
                .collect();
        let left = |series: &Series<char>| series.iter().map(|s| (s.value, s.latest_ms)).collect::<Vec<_>>();
        let (mut rebooted, mut forgotten, mut resolved) = (series.clone(), series.clone(), series);
        rebooted.forget_doubted(12);
        assert_eq!(left(&rebooted), [('b', 5), ('a', 12), ('d', 12)]);
        forgotten.forget_waiting();
        assert_eq!(left(&forgotten), [('b', 5)]);
        resolved.resolve(12);
        assert_eq!(left(&resolved), [('b', 5), ('a', 12), ('c', 12), ('d', 12)]);
    }

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
