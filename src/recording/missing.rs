//! Frames missing in a hole. A counter of eight bits begins anew after 256 frames: how often it did, the sender's pace
//! before the hole says. The scanner, which knows no clock, takes a step of 128 and more for a late frame.

/// Steps of the clock before which nothing is known of the pace.
const MANY: u64 = 10;
/// The pace is that of the latest seconds: half as long before counts half.
const LATEST_MS: u64 = 10_000;
/// How many times longer than the usual one a step must be: where a stream only slows down, nothing is missing.
const HOLE_STEPS: u64 = 4;
/// Counts of the counter.
const TURN: f64 = 256.0;

/// Where a sender stood at its latest stamp, and how fast it sends as a rule.
#[derive(Debug, Default)]
pub(super) struct Pace {
    sequence: u8,
    frames: u64,
    /// Missing since, by the scanner.
    told: u64,
    /// What it sent in its usual steps, what these took, and how many they were.
    sent: u64,
    ms: u64,
    steps: u64,
}

impl Pace {
    /// The scanner says that frames are missing before the latest one.
    pub fn told(&mut self, lost: u8) {
        self.told += u64::from(lost);
    }

    /// A stamp that goes on from none: the counter at it, and the frames that have come.
    pub fn begin(&mut self, sequence: u8, frames: u64) {
        (self.sequence, self.frames, self.told) = (sequence, frames, 0);
    }

    /// A stamp that is `step_ms` behind the one before: how many frames are missing between them beyond those that the
    /// scanner told.
    pub fn step(&mut self, sequence: u8, frames: u64, step_ms: u64) -> u64 {
        let came = frames.saturating_sub(self.frames);
        let told = self.told;
        let missing = sequence.wrapping_sub(self.sequence).wrapping_sub(came as u8);
        self.begin(sequence, frames);
        if self.steps >= MANY && step_ms * self.steps >= HOLE_STEPS * self.ms {
            // Where the counter goes on over it, the clock leapt or the sender paused.
            if missing == 0 {
                return 0;
            }
            let expected = self.sent as f64 * step_ms as f64 / self.ms.max(1) as f64 - came as f64;
            let turns = ((expected - f64::from(missing)) / TURN).round().max(0.0);
            return ((f64::from(missing) + TURN * turns) as u64).saturating_sub(told);
        }
        self.sent += came + told;
        self.ms += step_ms;
        self.steps += 1;
        if self.ms > 2 * LATEST_MS {
            self.sent /= 2;
            self.ms /= 2;
            self.steps = (self.steps / 2).max(1);
        }
        0
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A sender of `rate` frames a second, stamps in every second frame, that fell silent for `lost` frames after 30 s.
    fn beyond(rate: u64, lost: u64) -> u64 {
        let (mut pace, mut frames, mut found) = (Pace::default(), 0, 0);
        let (mut expected, mut last_ms) = (0u8, 0);
        for number in 0..31 * rate + lost {
            if (30 * rate..30 * rate + lost).contains(&number) {
                continue;
            }
            frames += 1;
            let sequence = number as u8;
            let gap = sequence.wrapping_sub(expected);
            pace.told(if gap < 128 { gap } else { 0 });
            expected = sequence.wrapping_add(1);
            let ms = number * 1000 / rate;
            if number == 0 {
                pace.begin(sequence, frames);
            } else if number % 2 == 0 {
                found += pace.step(sequence, frames, ms - last_ms);
                last_ms = ms;
            }
        }
        found
    }

    #[test]
    fn a_hole_of_more_frames_than_the_counter_has_is_counted_whole() {
        for rate in [20, 50, 400, 2_000] {
            for lost in [1, 10, 100, 127, 128, 157, 255, 257, 300, 511, 513, 900, 5_000] {
                // Of more than the counter has, the scanner tells the rest, but for one of 128 and more.
                let told = if lost % 256 < 128 { lost % 256 } else { 0 };
                assert_eq!(beyond(rate, lost), lost - told, "{lost} at {rate} Hz");
            }
        }
    }

    #[test]
    fn where_the_counter_goes_on_nothing_is_missing() {
        // The clock leaps by 20 s, the stream slows down to a tenth, frames come twice.
        let mut pace = Pace::default();
        pace.begin(0, 1);
        let mut frames = 1;
        for number in 1..2_000u64 {
            frames += 1 + u64::from(number > 1_500);
            let step_ms = match number {
                700 => 20_000,
                1_000..1_200 => 30,
                1_200..1_500 => 100,
                _ => 20,
            };
            assert_eq!(pace.step(number as u8, frames, step_ms), 0, "{number}");
        }
    }

    #[test]
    fn what_the_scanner_told_is_not_counted_twice() {
        // 300 frames missing in three runs between two stamps, of a sender with a frame in 20 ms.
        let mut pace = Pace::default();
        pace.begin(0, 1);
        (1..100).for_each(|number| assert_eq!(pace.step(number, u64::from(number) + 1, 20), 0));
        [120, 120, 60].into_iter().for_each(|lost| pace.told(lost));
        // The counter is at 99 + 300 + 3.
        assert_eq!(pace.step((402 % 256) as u8, 103, 303 * 20), 0);
    }

    #[test]
    fn before_the_pace_is_known_only_the_scanner_counts() {
        let mut pace = Pace::default();
        pace.begin(0, 1);
        assert_eq!(pace.step(1, 2, 20), 0);
        assert_eq!(pace.step(200, 3, 9_000), 0);
    }
}
