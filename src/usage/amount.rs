//! What is counted, in whole numbers, so that sums are exact.

use serde::{Deserialize, Serialize};
use std::iter::Sum;
use std::ops::{Add, AddAssign, Sub};

/// An amount of use.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct Amount {
    /// Time off the ground, milliseconds.
    pub airtime_ms: i64,
    /// Flights begun.
    pub flights: i64,
    /// Touchdowns.
    pub landings: i64,
    /// Times the motors were started, where the log shows it.
    pub motor_starts: i64,
    /// Flights whose log does not show motor starts.
    pub starts_unknown: i64,
    /// Charge drawn from a battery pack, milliampere hours.
    pub charge_mah: i64,
    /// Flights of a battery pack whose charge nobody knows.
    #[serde(skip_serializing_if = "none")]
    pub charge_unknown: i64,
}

/// No flights: old journals know no such word.
fn none(flights: &i64) -> bool {
    *flights == 0
}

impl Amount {
    /// True if nothing was used.
    pub fn is_zero(&self) -> bool {
        *self == Amount::default()
    }
}

macro_rules! by_field {
    ($trait:ident, $method:ident, $operator:tt) => {
        impl $trait for Amount {
            type Output = Amount;
            fn $method(self, other: Amount) -> Amount {
                Amount {
                    airtime_ms: self.airtime_ms $operator other.airtime_ms,
                    flights: self.flights $operator other.flights,
                    landings: self.landings $operator other.landings,
                    motor_starts: self.motor_starts $operator other.motor_starts,
                    starts_unknown: self.starts_unknown $operator other.starts_unknown,
                    charge_mah: self.charge_mah $operator other.charge_mah,
                    charge_unknown: self.charge_unknown $operator other.charge_unknown,
                }
            }
        }
    };
}

by_field!(Add, add, +);
by_field!(Sub, sub, -);

impl AddAssign for Amount {
    fn add_assign(&mut self, other: Amount) {
        *self = *self + other;
    }
}

impl Sum for Amount {
    fn sum<I: Iterator<Item = Amount>>(amounts: I) -> Amount {
        amounts.fold(Amount::default(), Add::add)
    }
}
