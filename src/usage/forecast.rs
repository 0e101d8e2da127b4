//! When something falls due, from the recent rate of use.
//!
//! # Method
//! Use per day over the last [`WINDOW_DAYS`] days (or since the first flight, if that is later) has a mean μ
//! and a variance σ² over n days, days without flying included. Taken as a drifting random walk, the time
//! to use up R is inverse Gaussian: mean R/μ, variance Rσ²/μ³ (first passage of Brownian motion with drift,
//! Schrödinger 1915); the uncertainty of μ itself adds R²σ²/(n μ⁴). The range shown is ±1.28 standard
//! deviations, 80 % if it were normal.
//! # When it says nothing
//! Fewer than [`MIN_FLIGHT_DAYS`] days with a flight in the window.

use super::DAY_US;
use super::timeline::Timeline;

/// How far back the rate of use is taken, in days (common practice, no published source).
pub const WINDOW_DAYS: i64 = 60;
/// Days with a flight needed before a date is forecast (common practice, no published source).
pub const MIN_FLIGHT_DAYS: usize = 3;
/// The 0.9 quantile of the standard normal distribution.
const Z80: f64 = 1.281_552;

/// Use per day and its variance between days.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Rate {
    /// Days looked at.
    pub days: f64,
    /// Days with a flight.
    pub flight_days: usize,
    airtime_ms: (f64, f64),
    flights: (f64, f64),
}

/// A date and the range it may as well lie in, Unix microseconds.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Forecast {
    /// The expected instant.
    pub date_us: i64,
    /// Early end of the range.
    pub earliest_us: i64,
    /// Late end of the range.
    pub latest_us: i64,
}

impl Forecast {
    /// A date that is certain.
    pub fn certain(date_us: i64) -> Self {
        Forecast { date_us, earliest_us: date_us, latest_us: date_us }
    }
}

impl Rate {
    /// The rate of use up to an instant; `None` if there is not enough data.
    pub fn recent(line: &Timeline<'_>, at_us: i64) -> Option<Rate> {
        let first = line.first_us()?;
        let days = ((at_us - first).div_euclid(DAY_US) + 1).clamp(0, WINDOW_DAYS);
        let sums: Vec<_> = (0..=days).map(|back| line.until(at_us - back * DAY_US)).collect();
        let daily: Vec<_> = sums.windows(2).map(|w| w[0] - w[1]).collect();
        let flight_days = daily.iter().filter(|d| d.flights > 0).count();
        if flight_days < MIN_FLIGHT_DAYS {
            return None;
        }
        let of = |field: &dyn Fn(&super::Amount) -> i64| {
            let values: Vec<f64> = daily.iter().map(|d| field(d) as f64).collect();
            moments(&values)
        };
        Some(Rate {
            days: days as f64,
            flight_days,
            airtime_ms: of(&|d| d.airtime_ms),
            flights: of(&|d| d.flights),
        })
    }

    /// Mean airtime a day, milliseconds.
    pub fn airtime_ms_a_day(&self) -> f64 {
        self.airtime_ms.0
    }

    /// Mean flights a day.
    pub fn flights_a_day(&self) -> f64 {
        self.flights.0
    }

    /// When so much more airtime is used up.
    pub fn airtime(&self, remaining_ms: i64, at_us: i64) -> Option<Forecast> {
        self.passage(remaining_ms as f64, self.airtime_ms, at_us)
    }

    /// When so many more flights are flown.
    pub fn flights(&self, remaining: i64, at_us: i64) -> Option<Forecast> {
        self.passage(remaining as f64, self.flights, at_us)
    }

    fn passage(&self, remaining: f64, (mean, variance): (f64, f64), at_us: i64) -> Option<Forecast> {
        if remaining <= 0.0 {
            return Some(Forecast::certain(at_us));
        }
        if mean <= 0.0 {
            return None;
        }
        let days = remaining / mean;
        let spread =
            (remaining * variance / mean.powi(3) + days * days * variance / (self.days * mean * mean)).sqrt();
        let after = |days: f64| {
            // A century off is as good as never; and it keeps the date writable.
            at_us.saturating_add((days.clamp(0.0, 36_525.0) * DAY_US as f64) as i64)
        };
        Some(Forecast {
            date_us: after(days),
            earliest_us: after(days - Z80 * spread),
            latest_us: after(days + Z80 * spread),
        })
    }
}

fn moments(values: &[f64]) -> (f64, f64) {
    let n = values.len() as f64;
    let mean = values.iter().sum::<f64>() / n;
    let squares: f64 = values.iter().map(|v| (v - mean).powi(2)).sum();
    (mean, if values.len() > 1 { squares / (n - 1.0) } else { 0.0 })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::usage::Flown;

    /// One flight of 30 min on each of these days, seen from the end of the last day.
    fn rate(flight_days: &[i64], last_day: i64) -> Option<Rate> {
        let flights: Vec<Flown> = flight_days
            .iter()
            .map(|day| Flown {
                airborne_us: Some((day * DAY_US + DAY_US / 2, day * DAY_US + DAY_US / 2 + 1_800_000_000)),
                airtime_ms: 1_800_000,
                ..Flown::default()
            })
            .collect();
        Rate::recent(&Timeline::new(flights.iter().map(|f| (f, Some(0)))), (last_day + 1) * DAY_US)
    }

    #[test]
    fn two_flight_days_are_not_enough() {
        assert_eq!(rate(&[0, 1], 1), None);
        assert_eq!(rate(&[0, 1, 2], 100), None, "long ago is not recent");
    }

    #[test]
    fn the_mean_and_spread_follow_the_formula() {
        // On paper: flights on days 0, 2, 4, 6, 8 seen at the end of day 9. The window begins with the day
        // (counted back from then) that holds the first flight: 10 days, 5 flights, μ = 0.5 a day.
        // σ² = 10 · 0.25 / 9 = 0.2778. R = 5 flights: 10 days; variance 5 · 0.2778 / 0.125 = 11.11, and
        // 100 · 0.2778 / (10 · 0.25) = 11.11, together 22.22; 1.2816 · 4.714 = 6.04 days.
        let rate = rate(&[0, 2, 4, 6, 8], 9).unwrap();
        assert_eq!((rate.days, rate.flight_days, rate.flights_a_day()), (10.0, 5, 0.5));
        let found = rate.flights(5, 0).unwrap();
        assert_eq!(found.date_us, 10 * DAY_US);
        let days = |us: i64| us as f64 / DAY_US as f64;
        assert!((days(found.latest_us) - 16.04).abs() < 0.01, "{}", days(found.latest_us));
        assert!((days(found.earliest_us) - 3.96).abs() < 0.01);
    }

    #[test]
    fn steady_use_has_no_spread() {
        let rate = rate(&[0, 1, 2, 3], 3).unwrap();
        // Half an hour a day: 5 h last ten days.
        assert_eq!(rate.airtime(5 * 3_600_000, 0), Some(Forecast::certain(10 * DAY_US)));
        assert_eq!(rate.airtime(-1, 7), Some(Forecast::certain(7)));
    }
}
