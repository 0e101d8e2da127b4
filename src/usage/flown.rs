//! A flight as usage sees it, and which instants lie in the air.

use super::Amount;

/// One flight of one aircraft. Instants are Unix microseconds, UTC.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Flown {
    /// Its id.
    pub flight_id: String,
    /// The same flight in other recordings, which this one leads: their ids.
    pub also: Vec<String>,
    /// The aircraft.
    pub aircraft: String,
    /// Liftoff and touchdown; `None` if its log tells no UTC.
    pub airborne_us: Option<(i64, i64)>,
    /// Time off the ground; less than the interval if it touched and went.
    pub airtime_ms: i64,
    /// Touchdowns.
    pub landings: i64,
    /// Times the motors were started for it, where the log shows it.
    pub motor_starts: Option<i64>,
    /// Battery packs by the log's own serial numbers; empty if the log has none.
    pub packs: Vec<Pack>,
}

/// A battery pack that a log names.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Pack {
    /// Serial number as logged.
    pub serial: String,
    /// Charge drawn in this flight, milliampere hours.
    pub charge_mah: Option<i64>,
}

impl Flown {
    /// The whole flight as an amount of use of the aircraft.
    pub fn amount(&self) -> Amount {
        Amount {
            airtime_ms: self.airtime_ms,
            flights: 1,
            landings: self.landings,
            motor_starts: self.motor_starts.unwrap_or(0),
            starts_unknown: i64::from(self.motor_starts.is_none()),
            charge_mah: 0,
            charge_unknown: 0,
        }
    }

    /// Airtime until `at_us`: the milliseconds are spread evenly over the airborne interval and rounded
    /// down, so that parts between any cuts add up to the whole exactly.
    pub fn airtime_until(&self, at_us: i64) -> i64 {
        let Some((from, to)) = self.airborne_us else { return 0 };
        if at_us >= to {
            return self.airtime_ms;
        }
        if at_us <= from {
            return 0;
        }
        let part = i128::from(self.airtime_ms) * i128::from(at_us - from) / i128::from(to - from);
        i64::try_from(part).unwrap_or(self.airtime_ms)
    }
}

/// Why a component cannot be fitted or removed at an instant: the aircraft is in the air.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct InTheAir {
    /// The flight.
    pub flight_id: String,
    /// The latest legal instant before.
    pub before_us: i64,
    /// The earliest legal instant after.
    pub after_us: i64,
}

/// Whether `at_us` lies strictly inside a flight of `aircraft`; the instants of liftoff and touchdown are
/// legal. Flights that overlap count as one stretch in the air.
pub fn in_the_air<'f>(
    flights: impl IntoIterator<Item = &'f Flown>,
    aircraft: &str,
    at_us: i64,
) -> Option<InTheAir> {
    let mut own: Vec<(i64, i64, &str)> = flights
        .into_iter()
        .filter(|f| f.aircraft == aircraft)
        .filter_map(|f| f.airborne_us.map(|(from, to)| (from, to, f.flight_id.as_str())))
        .collect();
    own.sort_unstable();
    let (_, _, flight_id) = own.iter().find(|(from, to, _)| *from < at_us && at_us < *to)?;
    let (mut before_us, mut after_us) = (at_us, at_us);
    let inside = |at: i64| own.iter().find(|(from, to, _)| *from < at && at < *to);
    while let Some((from, _, _)) = inside(before_us) {
        before_us = *from;
    }
    while let Some((_, to, _)) = inside(after_us) {
        after_us = *to;
    }
    Some(InTheAir { flight_id: (*flight_id).to_owned(), before_us, after_us })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn flown(id: &str, from: i64, to: i64, airtime_ms: i64) -> Flown {
        Flown {
            flight_id: id.to_owned(),
            aircraft: "heron".to_owned(),
            airborne_us: Some((from, to)),
            airtime_ms,
            landings: 1,
            ..Flown::default()
        }
    }

    #[test]
    fn parts_of_a_flight_add_up_exactly() {
        // 1000 ms over 3 parts of unequal length: 333.3, 166.6 and 500 by division; rounding must not lose any.
        let flight = flown("a", 0, 3_000_000, 1000);
        let cuts = [0, 1_000_000, 1_500_001, 3_000_000];
        let parts: Vec<i64> =
            cuts.windows(2).map(|w| flight.airtime_until(w[1]) - flight.airtime_until(w[0])).collect();
        assert_eq!(parts, [333, 167, 500]);
    }

    #[test]
    fn the_air_is_an_open_interval_and_overlaps_join() {
        let flights = [flown("a", 10, 20, 0), flown("b", 15, 30, 0), flown("c", 30, 40, 0)];
        for (at, want) in [
            (10, None),
            (12, Some(("a", 10, 30))),
            (25, Some(("b", 10, 30))),
            (30, None),
            (31, Some(("c", 30, 40))),
        ] {
            let found = in_the_air(&flights, "heron", at);
            let found = found.as_ref().map(|f| (f.flight_id.as_str(), f.before_us, f.after_us));
            assert_eq!(found, want, "{at}");
        }
        assert_eq!(in_the_air(&flights, "egret", 12), None);
    }
}
