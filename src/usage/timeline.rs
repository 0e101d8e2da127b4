//! Usage up to any instant as one running sum: what a component used between two instants is the
//! difference of two sums, so neighbours in time add up exactly and a query costs two binary searches.
//!
//! A flight and its motor starts count at liftoff, landings and charge at touchdown, airtime in between.

use super::{Amount, Flown};

/// The flights of one aircraft or pack, ready to be asked.
#[derive(Debug, Clone, Default)]
pub struct Timeline<'f> {
    /// By liftoff.
    begun: Vec<Begun<'f>>,
    /// By touchdown: the instant, and everything that is complete with it.
    ended: Vec<(i64, Amount)>,
}

#[derive(Debug, Clone, Copy)]
struct Begun<'f> {
    flight: &'f Flown,
    from: i64,
    to: i64,
    /// Latest touchdown of this flight and all before it.
    latest_to: i64,
    /// Flights and starts of this flight and all before it.
    sum: Amount,
}

impl<'f> Timeline<'f> {
    /// Lays out flights, each with the charge in mAh that it drew from the pack in question; `None` if nobody
    /// knows it.
    pub fn new(flights: impl IntoIterator<Item = (&'f Flown, Option<i64>)>) -> Self {
        let mut all: Vec<(i64, i64, &Flown, Option<i64>)> = flights
            .into_iter()
            .filter_map(|(flight, charge)| {
                let (from, to) = flight.airborne_us?;
                Some((from, to.max(from + 1), flight, charge))
            })
            .collect();
        all.sort_by(|a, b| (a.0, a.1, &a.2.flight_id).cmp(&(b.0, b.1, &b.2.flight_id)));
        let (mut sum, mut latest_to) = (Amount::default(), i64::MIN);
        let begun = all
            .iter()
            .map(|(from, to, flight, _)| {
                let whole = flight.amount();
                sum.flights += whole.flights;
                sum.motor_starts += whole.motor_starts;
                sum.starts_unknown += whole.starts_unknown;
                latest_to = latest_to.max(*to);
                Begun { flight, from: *from, to: *to, latest_to, sum }
            })
            .collect();
        all.sort_by_key(|(_, to, _, _)| *to);
        let mut sum = Amount::default();
        let ended = all
            .iter()
            .map(|(_, to, flight, charge)| {
                sum.airtime_ms += flight.airtime_ms;
                sum.landings += flight.landings;
                sum.charge_mah += charge.unwrap_or(0);
                sum.charge_unknown += i64::from(charge.is_none());
                (*to, sum)
            })
            .collect();
        Timeline { begun, ended }
    }

    /// Everything used before `at_us`.
    pub fn until(&self, at_us: i64) -> Amount {
        let begun = self.begun.partition_point(|b| b.from < at_us);
        let ended = self.ended.partition_point(|(to, _)| *to <= at_us);
        let mut sum = begun.checked_sub(1).map(|i| self.begun[i].sum).unwrap_or_default();
        sum += ended.checked_sub(1).map(|i| self.ended[i].1).unwrap_or_default();
        // In the air at this instant: few, and all among the last begun.
        for flight in self.begun[..begun].iter().rev().take_while(|b| b.latest_to > at_us) {
            if flight.to > at_us {
                sum.airtime_ms += flight.flight.airtime_until(at_us);
            }
        }
        sum
    }

    /// What was used in `[from_us, to_us)`.
    pub fn between(&self, from_us: i64, to_us: i64) -> Amount {
        if to_us <= from_us { Amount::default() } else { self.until(to_us) - self.until(from_us) }
    }

    /// The flights that use anything in `[from_us, to_us)`, by liftoff.
    pub fn flights(&self, from_us: i64, to_us: i64) -> impl Iterator<Item = &'f Flown> + '_ {
        let first = self.begun.partition_point(|b| b.latest_to <= from_us);
        self.begun[first..]
            .iter()
            .take_while(move |b| b.from < to_us)
            .filter(move |b| b.to > from_us)
            .map(|b| b.flight)
    }

    /// What one flight of it used in `[from_us, to_us)`.
    pub fn part(flight: &Flown, charge_mah: Option<i64>, from_us: i64, to_us: i64) -> Amount {
        Timeline::new([(flight, charge_mah)]).between(from_us, to_us)
    }

    /// Flights that lie strictly around an instant.
    pub fn around(&self, at_us: i64) -> impl Iterator<Item = &'f Flown> + '_ {
        let begun = self.begun.partition_point(|b| b.from < at_us);
        let air = self.begun[..begun].iter().rev().take_while(move |b| b.latest_to > at_us);
        air.filter(move |b| b.flight.airborne_us.is_some_and(|(_, to)| to > at_us)).map(|b| b.flight)
    }

    /// Liftoff of the first flight.
    pub fn first_us(&self) -> Option<i64> {
        self.begun.first().map(|b| b.from)
    }
}
