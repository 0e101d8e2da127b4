//! What an aircraft was doing at the beginning and at the end of a boot session: of a flight over two files the one ends
//! in the situation that the other begins in, whatever was lost between them.
//!
//! The height of home tells most. It is set when the aircraft arms, to the millimetre, by a satellite fix or a pressure that
//! is metres off from day to day, and stands still until it arms again. Place, height, heading and charge tell flights apart
//! that happen to have the same.
//!
//! # Source
//! HEARTBEAT, EXTENDED_SYS_STATE, GLOBAL_POSITION_INT, ATTITUDE and BATTERY_STATUS of the MAVLink common message set. The
//! bounds are common practice for a heavy multirotor, no published source; what they admit was measured over flights of two
//! days, cut at the same time after boot (`tests/lossy.rs`).

use crate::flight::EARTH_RADIUS_M;
use serde::{Deserialize, Serialize};

/// Longest time between two situations that are compared.
const LONGEST_MS: u32 = 10_000;
/// Messages of different kinds are so much out of order, as estimates of the one may be later than of the other.
const ONE_MOMENT_MS: u32 = 500;
/// What was told longer before the end, or behind the beginning, may be so no more, or not yet.
const STALE_MS: u32 = 5_000;
/// No heartbeat, once a second, was lost between a place and one that says whether it was armed there.
const HEARTBEATS_MS: i32 = 1_500;
/// So high above home it was armed in any case.
const FLYING_MM: i32 = 3_000;
/// Heights of home next to either end that are looked at, and how much they may differ to be of one arming.
pub(super) const HOMES: usize = 4;
pub(super) const ONE_HOME_MM: i32 = 30;
/// Steps in which heights may come, and such as are too coarse to tell an aircraft from another.
const STEPS_MM: [i32; 2] = [COARSE_MM, 10];
const COARSE_MM: i32 = 100;
/// Homes that differ by no more stand still, but for a drift, and then are two armings' where they are this far apart, and
/// two steps.
const STILL_MM: i32 = 2;
const ANOTHER_HOME_MM: f64 = 3.0;
const HOME_DRIFT_MM_S: f64 = 5.0;
/// It moves no more from one end of a flight to the other where a person is asked; common practice, no published source.
const ONE_FLIGHT_MM: i32 = 10;
/// The place is known so well, and gets doubtful by this with the square of the time, as velocity may change by 4 m/s².
const PLACE_M: f64 = 3.0;
const PLACE_M_S2: f64 = 1.0;
/// So many times as far off, and a fix that was lost and found, it cannot be.
const FAR: f64 = 3.0;
const FIX_M: f64 = 20.0;
/// The same for the heading.
const HEADING_DEG: f64 = 10.0;
const YAW_DEG_S: f64 = 25.0;
/// The same for the charge: half of what the greater current takes.
const CHARGE_MAH: f64 = 5.0;
const CURRENT_SHARE: f64 = 0.5;
const METRES_A_DEGREE: f64 = EARTH_RADIUS_M * std::f64::consts::PI / 180.0;

/// A situation, as far as it was told. Times are milliseconds since boot modulo 2³².
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Situation {
    /// When it was.
    pub at_ms: Option<u32>,
    /// The motors were armed.
    pub armed: Option<Told>,
    /// The autopilot took itself for landed.
    pub on_ground: Option<Told>,
    /// Where it was.
    pub place: Option<Place>,
    /// Where it headed.
    pub heading: Option<Heading>,
    /// What its first battery had given.
    pub charge: Option<Charge>,
}

/// Whether something was so, and when that was told.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct Told {
    /// When.
    pub boot_ms: u32,
    /// Whether.
    pub is: bool,
}

/// Where an aircraft was and how it moved.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct Place {
    /// `time_boot_ms` as sent.
    pub boot_ms: u32,
    /// Latitude and longitude, 1e-7 degrees.
    pub lat_lon_e7: (i32, i32),
    /// Height above the sea, mm.
    pub alt_mm: i32,
    /// Velocity to the north, the east and down, cm/s.
    pub velocity_cm_s: (i16, i16, i16),
    /// Where the heights are counted from.
    pub home: Home,
}

/// Height of home above the sea, by the messages next to the end.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct Home {
    /// The lowest, mm.
    pub low_mm: i32,
    /// The highest, mm.
    pub high_mm: i32,
    /// Messages that told it.
    pub told: u8,
}

/// Where an aircraft headed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct Heading {
    /// `time_boot_ms` as sent.
    pub boot_ms: u32,
    /// Centidegrees from north, clockwise.
    pub cdeg: i32,
}

/// What a battery had given.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct Charge {
    /// When.
    pub boot_ms: u32,
    /// Charge, mAh.
    pub consumed_mah: i32,
    /// Current, cA.
    pub current_ca: i16,
    /// The messages next to the end tell less and less charge left, as one battery does: several can share an id.
    pub falls: bool,
}

impl Situation {
    /// Whether an aircraft that set off in this situation can be in the `next` one soon after, and hardly another one: home is
    /// at the same height, and all that is told besides agrees.
    #[must_use]
    pub fn goes_on(&self, next: &Situation) -> bool {
        let armed = self.armed.is_some_and(|armed| armed.is);
        let flies = self.on_ground.is_some_and(|on_ground| !on_ground.is);
        let home = self.place.zip(next.place).is_some_and(|(a, b)| a.home_is_that_of(&b));
        (armed || flies) && home && self.agrees(next)
    }

    /// Whether an aircraft that stood disarmed in one of the two can be in both.
    #[must_use]
    pub fn stands_by(&self, next: &Situation) -> bool {
        (self.stands() || next.stands()) && self.agrees(next)
    }

    /// Whether an aircraft in this situation cannot be in the `next` one within seconds: it did not arm anew, but home
    /// stands still in both at another height, or it is too far away, or its battery is fuller again.
    #[must_use]
    pub fn excludes(&self, next: &Situation) -> bool {
        let both_armed = self.armed_at_its_place() && next.armed_at_its_place();
        let moved = |(a, b): (Place, Place)| {
            let Some(dt_s) = seconds(a.boot_ms, b.boot_ms) else { return false };
            let still = |home: &Home| usize::from(home.told) == HOMES && home.width_mm() <= STILL_MM;
            let steps_mm = 2.0 * f64::from(a.home.step_mm().min(b.home.step_mm()));
            let another_mm = ANOTHER_HOME_MM + steps_mm + HOME_DRIFT_MM_S * dt_s;
            let another =
                still(&a.home) && still(&b.home) && f64::from(a.home.apart_mm(&b.home)) > another_mm;
            let far = a.off_m(&b).is_some_and(|(off_m, most_m)| off_m > FIX_M + FAR * most_m);
            both_armed && another || far
        };
        let fuller = |(a, b): (Charge, Charge)| {
            let given_mah = f64::from(b.consumed_mah) - f64::from(a.consumed_mah);
            a.falls && b.falls && seconds(a.boot_ms, b.boot_ms).is_some() && given_mah < -CHARGE_MAH
        };
        self.place.zip(next.place).is_some_and(moved) || self.charge.zip(next.charge).is_some_and(fuller)
    }

    /// Whether nothing that is told of either speaks against the `next` one soon after.
    #[must_use]
    pub fn admits(&self, next: &Situation) -> bool {
        let both_armed = self.armed_at_its_place() && next.armed_at_its_place();
        let home = |(a, b): (Place, Place)| !both_armed || a.home_is_that_of(&b);
        let heading = self.heading.zip(next.heading).and_then(|(a, b)| a.turns_to(&b));
        let charge = self.charge.zip(next.charge).and_then(|(a, b)| a.drains_to(&b));
        let off = |(a, b): (Place, Place)| a.off_m(&b).is_none_or(|(off_m, most_m)| off_m <= most_m);
        !self.excludes(next)
            && self.place.zip(next.place).is_none_or(|both| home(both) && off(both))
            && ![heading, charge].contains(&Some(false))
    }

    /// Whether a flight may go on from this situation to the `next` one minutes later: home stands at the same height, and the
    /// battery is no fuller.
    #[must_use]
    pub fn may_lead_to(&self, next: &Situation) -> bool {
        let both_armed = self.armed_at_its_place() && next.armed_at_its_place();
        let one_home = |(a, b): (Place, Place)| {
            let steps_mm = 2 * a.home.step_mm().max(b.home.step_mm());
            a.home.apart_mm(&b.home) <= steps_mm.max(ONE_FLIGHT_MM)
        };
        let fuller = |(a, b): (Charge, Charge)| {
            a.falls && b.falls && f64::from(b.consumed_mah) < f64::from(a.consumed_mah) - CHARGE_MAH
        };
        let moved = both_armed && self.place.zip(next.place).is_some_and(|both| !one_home(both));
        !moved && !self.charge.zip(next.charge).is_some_and(fuller)
    }

    /// Armed where its place was told: home of before moves when it arms.
    fn armed_at_its_place(&self) -> bool {
        self.armed.zip(self.place).is_some_and(|(armed, place)| {
            let later_ms = armed.boot_ms.wrapping_sub(place.boot_ms) as i32;
            let above_home_mm = place.alt_mm.saturating_sub(place.home.high_mm);
            armed.is && (later_ms <= HEARTBEATS_MS || above_home_mm >= FLYING_MM)
        })
    }

    /// On the ground, and not about to leave it.
    fn stands(&self) -> bool {
        let now = |told: Option<Told>| {
            let (told, at_ms) = told.zip(self.at_ms)?;
            let apart_ms = told.boot_ms.wrapping_sub(at_ms).min(at_ms.wrapping_sub(told.boot_ms));
            (apart_ms <= STALE_MS).then_some(told.is)
        };
        match (now(self.armed), now(self.on_ground)) {
            (Some(false), on_ground) => on_ground != Some(false),
            (armed, on_ground) => armed.is_none() && on_ground == Some(true),
        }
    }

    /// The place is that to be expected and so is all that is told besides, which must be something.
    fn agrees(&self, next: &Situation) -> bool {
        let Some((a, b)) = self.place.zip(next.place) else { return false };
        let heading = self.heading.zip(next.heading).and_then(|(a, b)| a.turns_to(&b));
        let charge = self.charge.zip(next.charge).and_then(|(a, b)| a.drains_to(&b));
        let told = [heading, charge];
        let there = a.off_m(&b).is_some_and(|(off_m, most_m)| off_m <= most_m);
        there && told.contains(&Some(true)) && !told.contains(&Some(false))
    }

    /// What is told here, else by `other`.
    pub(crate) fn or(&self, other: &Situation) -> Situation {
        Situation {
            at_ms: self.at_ms.or(other.at_ms),
            armed: self.armed.or(other.armed),
            on_ground: self.on_ground.or(other.on_ground),
            place: self.place.or(other.place),
            heading: self.heading.or(other.heading),
            charge: self.charge.or(other.charge),
        }
    }
}

/// Seconds between one time and a later one near it, or one of the same moment; stamps of 32 bits start anew.
fn seconds(from_ms: u32, to_ms: u32) -> Option<f64> {
    let (later_ms, earlier_ms) = (to_ms.wrapping_sub(from_ms), from_ms.wrapping_sub(to_ms));
    let near_ms = if earlier_ms <= ONE_MOMENT_MS { earlier_ms } else { later_ms };
    Some(near_ms).filter(|ms| *ms <= LONGEST_MS).map(|ms| f64::from(ms) / 1000.0)
}

impl Home {
    fn width_mm(&self) -> i32 {
        self.high_mm.saturating_sub(self.low_mm)
    }

    /// How far two are from one another, mm; not positive where they overlap.
    fn apart_mm(&self, other: &Home) -> i32 {
        self.low_mm.max(other.low_mm).saturating_sub(self.high_mm.min(other.high_mm))
    }

    /// The steps that it comes in, as far as that shows, mm.
    fn step_mm(&self) -> i32 {
        let in_steps = |step: &i32| self.low_mm % step == 0 && self.high_mm % step == 0;
        STEPS_MM.into_iter().find(in_steps).unwrap_or(1)
    }

    /// How well it is known, mm, as both heights that it is made of are rounded; `None` where it comes in steps that are too coarse.
    fn known_mm(&self) -> Option<i32> {
        Some(self.step_mm())
            .filter(|step_mm| *step_mm < COARSE_MM)
            .map(|step_mm| self.width_mm().max(2 * step_mm))
    }
}

impl Place {
    fn home_is_that_of(&self, other: &Place) -> bool {
        // A height that stays zero in the air is none.
        let counts = |place: &Place| place.alt_mm != place.home.low_mm || place.home.width_mm() > 0;
        let known_mm = self.home.known_mm().zip(other.home.known_mm()).map(|(a, b)| a.max(b));
        counts(self) && counts(other) && known_mm.is_some_and(|mm| self.home.apart_mm(&other.home) <= mm)
    }

    /// How many metres the next place is off from where the way leads, and how many it may be.
    fn off_m(&self, next: &Place) -> Option<(f64, f64)> {
        let dt_s = seconds(self.boot_ms, next.boot_ms)?;
        let metres = |from: i32, to: i32| f64::from(to.wrapping_sub(from)) * 1e-7 * METRES_A_DEGREE;
        let north = metres(self.lat_lon_e7.0, next.lat_lon_e7.0);
        let latitude = (f64::from(self.lat_lon_e7.0) * 1e-7).to_radians();
        let east = metres(self.lat_lon_e7.1, next.lat_lon_e7.1) * latitude.cos();
        let down = (f64::from(self.alt_mm) - f64::from(next.alt_mm)) / 1000.0;
        let way = |a: i16, b: i16| (f64::from(a) + f64::from(b)) / 200.0 * dt_s;
        let (a, b) = (self.velocity_cm_s, next.velocity_cm_s);
        let off_m = (north - way(a.0, b.0)).hypot(east - way(a.1, b.1)).hypot(down - way(a.2, b.2));
        Some((off_m, PLACE_M + PLACE_M_S2 * dt_s * dt_s))
    }
}

impl Heading {
    /// Whether it can have turned so far; `None` where anything can be.
    fn turns_to(&self, next: &Heading) -> Option<bool> {
        let dt_s = seconds(self.boot_ms, next.boot_ms)?;
        let turn = f64::from(next.cdeg - self.cdeg) / 100.0;
        let turn = (turn + 180.0).rem_euclid(360.0) - 180.0;
        // After seconds it can be any.
        Some(HEADING_DEG + YAW_DEG_S * dt_s).filter(|most| *most < 180.0).map(|most| turn.abs() <= most)
    }
}

impl Charge {
    /// Whether it can have given so much; `None` where that is long ago, or neither charge nor current is measured.
    fn drains_to(&self, next: &Charge) -> Option<bool> {
        if (self.consumed_mah, next.consumed_mah) == (0, 0) || (self.current_ca, next.current_ca) == (0, 0) {
            return None;
        }
        let hours = seconds(self.boot_ms, next.boot_ms)? / 3600.0;
        let (a, b) = (f64::from(self.current_ca) * 10.0, f64::from(next.current_ca) * 10.0);
        let due_mah = (a + b) / 2.0 * hours;
        let given_mah = f64::from(next.consumed_mah) - f64::from(self.consumed_mah);
        Some((given_mah - due_mah).abs() <= CHARGE_MAH + CURRENT_SHARE * a.max(b) * hours)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn home(low_mm: i32, high_mm: i32) -> Home {
        Home { low_mm, high_mm, told: 4 }
    }

    fn flying() -> Situation {
        Situation {
            at_ms: Some(60_200),
            armed: Some(Told { boot_ms: 59_700, is: true }),
            on_ground: None,
            place: Some(Place {
                boot_ms: 60_000,
                lat_lon_e7: (1_000_000, -200_000_000),
                alt_mm: 22_000,
                velocity_cm_s: (600, 0, 0),
                home: home(2_141, 2_142),
            }),
            heading: Some(Heading { boot_ms: 60_000, cdeg: 35_900 }),
            charge: Some(Charge { boot_ms: 60_100, consumed_mah: 900, current_ca: 7_200, falls: true }),
        }
    }

    /// Two seconds later, 12 m further north, 40 mAh less: 72 A for 2 s.
    fn later() -> Situation {
        let mut next = flying();
        let (place, charge) = (next.place.as_mut().unwrap(), next.charge.as_mut().unwrap());
        place.boot_ms += 2_000;
        place.lat_lon_e7.0 += (12.0 / METRES_A_DEGREE * 1e7) as i32;
        (charge.boot_ms, charge.consumed_mah) = (charge.boot_ms + 2_000, charge.consumed_mah + 40);
        next.heading = Some(Heading { boot_ms: 62_000, cdeg: 100 });
        Situation { at_ms: Some(61_900), armed: Some(Told { boot_ms: 62_700, is: true }), ..next }
    }

    fn but(change: impl Fn(&mut Place, &mut Charge)) -> Situation {
        let mut next = later();
        if let (Some(place), Some(charge)) = (&mut next.place, &mut next.charge) {
            change(place, charge);
        }
        next
    }

    fn turned(cdeg: i32) -> Situation {
        Situation { heading: Some(Heading { boot_ms: 62_000, cdeg }), ..later() }
    }

    fn told(is: bool) -> Option<Told> {
        Some(Told { boot_ms: 61_000, is })
    }

    #[test]
    fn a_flight_goes_on_in_its_own_situation_only() {
        assert!(flying().goes_on(&later()) && !flying().excludes(&later()));
        // What differs, and whether the one situation excludes the other.
        let before = Situation { heading: Some(Heading { boot_ms: 59_900, cdeg: 100 }), ..later() };
        assert!(flying().goes_on(&Situation { charge: None, ..before }));
        let others = [
            (but(|place, _| place.home = home(2_145, 2_145)), false),
            (but(|place, _| place.home = home(2_205, 2_205)), true),
            (but(|place, _| place.home = home(2_301, 2_310)), false),
            (but(|place, _| place.home = Home { told: 1, ..home(2_301, 2_301) }), false),
            (but(|place, _| place.lat_lon_e7.1 += 1_000), false),
            (but(|place, _| place.lat_lon_e7.1 += 5_000), true),
            (but(|place, _| place.alt_mm += 10_000), false),
            (turned(9_000), false),
            (but(|place, _| (place.boot_ms, place.lat_lon_e7.1) = (place.boot_ms + 9_000, 0)), false),
            (but(|place, _| (place.boot_ms, place.lat_lon_e7.1) = (place.boot_ms - 4_000, 0)), false),
            (but(|_, charge| charge.consumed_mah += 60), false),
            (but(|_, charge| charge.consumed_mah -= 60), true),
            (but(|_, charge| (charge.consumed_mah, charge.falls) = (880, false)), false),
            (but(|place, _| place.home = home(2_155, 2_155)), false),
            (but(|place, _| place.home = home(2_158, 2_158)), true),
            (Situation { place: None, ..later() }, false),
        ];
        for (next, excluded) in others {
            assert!(!flying().goes_on(&next), "{next:?}");
            assert_eq!(flying().excludes(&next), excluded, "{next:?}");
        }
        assert!(!Situation { armed: None, ..flying() }.goes_on(&later()));
        assert!(Situation { armed: None, on_ground: told(false), ..flying() }.goes_on(&later()));
        // Home and place alone are those of every hover above the pad.
        let mut bare = Situation { heading: None, ..later() };
        assert!(flying().goes_on(&bare));
        bare.charge = None;
        assert!(!flying().goes_on(&bare));
        // Nor do sensors say anything that always tell zero.
        let zero = |mut at: Situation| {
            at.charge.iter_mut().for_each(|charge| (charge.consumed_mah, charge.current_ca) = (0, 0));
            Situation { heading: None, ..at }
        };
        assert!(!zero(flying()).goes_on(&zero(later())));
    }

    #[test]
    fn heights_in_coarse_steps_or_none_are_no_evidence() {
        let of = |mut at: Situation, low_mm: i32, high_mm: i32, alt_mm: i32| {
            let place = at.place.as_mut().unwrap();
            (place.home, place.alt_mm) = (home(low_mm, high_mm), alt_mm);
            at
        };
        for (one, other, goes_on) in [
            ((2_130, 2_130), (2_140, 2_140), true),
            ((2_130, 2_130), (2_160, 2_160), false),
            ((2_131, 2_139), (2_146, 2_146), true),
            ((2_100, 2_100), (2_100, 2_100), false),
            ((2_100, 2_110), (2_100, 2_100), false),
        ] {
            let (a, b) = (of(flying(), one.0, one.1, 22_000), of(later(), other.0, other.1, 22_000));
            assert_eq!(a.goes_on(&b), goes_on, "{one:?} {other:?}");
            assert!(!a.excludes(&b));
        }
        let in_cm = |home_mm| of(later(), home_mm, home_mm, 22_000);
        let from = of(flying(), 2_130, 2_130, 22_000);
        assert!(!from.excludes(&in_cm(2_160)) && from.excludes(&in_cm(2_170)));
        assert!(!of(flying(), 2_141, 2_141, 2_141).goes_on(&of(later(), 2_141, 2_141, 2_141)));
    }

    #[test]
    fn who_stands_disarmed_on_one_side_can_go_on_with_another_home() {
        let other_home = but(|place, _| place.home = home(9_001, 9_001));
        let disarmed = Situation { armed: told(false), ..flying() };
        assert!(!flying().stands_by(&later()) && disarmed.stands_by(&other_home));
        assert!(!disarmed.goes_on(&later()) && !disarmed.excludes(&other_home));
        assert!(!disarmed.stands_by(&turned(9_000)));
        // Armed on the ground it may be another flight that begins; in the air a heartbeat was long ago.
        assert!(!flying().stands_by(&Situation { on_ground: told(true), ..other_home }));
        assert!(flying().stands_by(&Situation { on_ground: told(true), armed: None, ..other_home }));
        assert!(!Situation { on_ground: told(false), ..disarmed }.stands_by(&other_home));
        let late = Situation { armed: Some(Told { boot_ms: 68_000, is: false }), ..other_home };
        assert!(!flying().stands_by(&late) && flying().stands_by(&Situation { armed: told(false), ..late }));
    }

    #[test]
    fn a_home_that_was_told_before_arming_excludes_none() {
        let on_the_pad = |mut at: Situation, armed_ms: u32| {
            at.armed = Some(Told { boot_ms: armed_ms, is: true });
            at.place.as_mut().unwrap().alt_mm = 3_000;
            at
        };
        let moved = on_the_pad(but(|place, _| place.home = home(2_205, 2_205)), 62_700);
        assert!(
            on_the_pad(flying(), 61_000).excludes(&moved) && !on_the_pad(flying(), 61_900).excludes(&moved)
        );
        assert!(on_the_pad(flying(), 61_900).admits(&moved) && !on_the_pad(flying(), 61_000).admits(&moved));
        // In the air it was armed, whenever that was told.
        assert!(
            Situation { armed: Some(Told { boot_ms: 61_900, is: true }), ..flying() }
                .excludes(&but(|place, _| place.home = home(2_205, 2_205)))
        );
    }

    #[test]
    fn a_flight_may_go_on_minutes_later_from_the_same_home_with_no_more_charge() {
        let minutes = |at: Situation, home_mm: i32, consumed_mah: i32| {
            let mut at = but(|place, _| place.home = home(home_mm, home_mm)).or(&at);
            let (place, charge) = (at.place.as_mut().unwrap(), at.charge.as_mut().unwrap());
            (place.boot_ms, charge.boot_ms) = (place.boot_ms + 200_000, charge.boot_ms + 200_000);
            charge.consumed_mah = consumed_mah;
            at
        };
        assert!(flying().may_lead_to(&minutes(later(), 2_150, 1_400)));
        assert!(!flying().may_lead_to(&minutes(later(), 2_168, 1_400)));
        assert!(!flying().may_lead_to(&minutes(later(), 2_150, 800)));
        assert!(flying().may_lead_to(&Situation::default()));
    }

    #[test]
    fn what_is_not_told_speaks_against_nothing() {
        let nothing = Situation::default();
        assert!(flying().admits(&later()) && flying().admits(&nothing) && nothing.admits(&later()));
        assert!(!flying().goes_on(&nothing) && !nothing.goes_on(&later()));
        for at_odds in [
            but(|place, _| place.home = home(2_145, 2_145)),
            but(|place, _| place.lat_lon_e7.1 += 1_000),
            but(|_, charge| charge.consumed_mah += 60),
            turned(9_000),
        ] {
            assert!(!flying().admits(&at_odds), "{at_odds:?}");
        }
        // Home moves when it arms; what was told long ago may be so no more.
        let other_home = but(|place, _| place.home = home(9_001, 9_001));
        assert!(Situation { armed: told(false), ..flying() }.admits(&other_home));
        let long_after = Situation { heading: Some(Heading { boot_ms: 71_000, cdeg: 9_000 }), ..later() };
        assert!(flying().admits(&long_after));
    }

    #[test]
    fn stamps_of_32_bits_start_anew_between_two_situations() {
        let mut before = flying();
        let (place, charge) = (before.place.as_mut().unwrap(), before.charge.as_mut().unwrap());
        (place.boot_ms, charge.boot_ms) = (u32::MAX - 999, u32::MAX - 899);
        before.heading = Some(Heading { boot_ms: u32::MAX - 999, cdeg: 35_900 });
        let mut next = but(|place, charge| (place.boot_ms, charge.boot_ms) = (1_000, 1_100));
        next.heading = Some(Heading { boot_ms: 1_000, cdeg: 100 });
        assert!(before.goes_on(&next));
    }
}
