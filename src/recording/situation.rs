//! What an aircraft was doing at the beginning and at the end of a boot session: of a flight over two files the one ends
//! in the situation that the other begins in, whatever was lost between them.
//!
//! The height of home tells most. It is set when the aircraft arms, to the millimetre, by a satellite fix or a pressure that
//! is metres off from day to day, and stands still until it arms again. Place, heading and charge tell flights apart
//! that happen to have the same.
//!
//! # Source
//! HEARTBEAT, EXTENDED_SYS_STATE, GLOBAL_POSITION_INT, ATTITUDE and BATTERY_STATUS of the MAVLink common message set. The bounds are
//! common practice for a heavy multirotor, no published source; what they admit was measured over flights of two days, cut
//! at the same time after boot (`tests/rotated.rs`).

use crate::wire::Definitions;
use crate::wire::payload::{f32_at, i16_at, i32_at, u8_at, u16_at, u32_at};
use serde::{Deserialize, Serialize};

/// Longest time between two situations that are compared.
const LONGEST_MS: u32 = 10_000;
/// Heights of home at either end that must be alike.
const HOMES: usize = 4;
/// Both heights are rounded to the millimetre.
const ROUNDED_MM: i32 = 1;
/// Heights of home that differ by more, within one end, are none.
const HOME_MOVES_MM: i32 = 50;
/// Such as differ by no more stand still, but for a drift, and then are another arming's where they are this far apart.
const STILL_MM: i32 = 2;
const ANOTHER_HOME_MM: f64 = 5.0;
const HOME_DRIFT_MM_S: f64 = 5.0;
/// The place is known so well, and gets doubtful by this with the square of the time, as velocity may change by 4 m/s².
const PLACE_M: f64 = 3.0;
const PLACE_M_S2: f64 = 1.0;
/// So many times as far off it cannot be.
const FAR: f64 = 3.0;
/// The same for the heading.
const HEADING_DEG: f64 = 10.0;
const YAW_DEG_S: f64 = 25.0;
/// The same for the charge: half of what the greater current takes.
const CHARGE_MAH: f64 = 5.0;
const CURRENT_SHARE: f64 = 0.5;
const METRES_A_DEGREE: f64 = 111_195.0;
const ARMED: u8 = 128;
/// MAV_LANDED_STATE_ON_GROUND; 0 is undefined.
const ON_GROUND: u8 = 1;

/// A situation, as far as it was told.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Situation {
    /// The motors were armed.
    pub armed: Option<bool>,
    /// The autopilot took itself for landed.
    pub on_ground: Option<bool>,
    /// Where it was.
    pub place: Option<Place>,
    /// Where it headed.
    pub heading: Option<Heading>,
    /// What its first battery had given.
    pub charge: Option<Charge>,
}

/// Where an aircraft was and how it moved.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct Place {
    /// `time_boot_ms` as sent.
    pub boot_ms: u32,
    /// Latitude and longitude, 1e-7 degrees.
    pub lat_lon_e7: (i32, i32),
    /// Velocity to the north and the east, cm/s.
    pub north_east_cm_s: (i16, i16),
    /// Lowest and highest height of home above the sea of the messages next to the end, mm.
    pub home_mm: (i32, i32),
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
    /// When, milliseconds since boot modulo 2³².
    pub boot_ms: u32,
    /// Charge, mAh.
    pub consumed_mah: i32,
    /// Current, cA.
    pub current_ca: i16,
}

impl Situation {
    /// Whether an aircraft that set off in this situation can be in the `next` one soon after, and hardly another one: home is
    /// at the same height, and all that is told besides agrees.
    #[must_use]
    pub fn goes_on(&self, next: &Situation) -> bool {
        let home = self.place.zip(next.place).is_some_and(|(a, b)| {
            a.home_known_mm(&b).is_some_and(|known_mm| a.home_apart_mm(&b) <= known_mm)
        });
        (self.armed == Some(true) || self.on_ground == Some(false)) && home && self.agrees(next)
    }

    /// Whether an aircraft that stood on the ground in one of the two can be in both: of two flights none becomes one by it.
    #[must_use]
    pub fn stands_by(&self, next: &Situation) -> bool {
        let stands = |at: &Situation| at.armed == Some(false) || at.on_ground == Some(true);
        (stands(self) || stands(next)) && self.agrees(next)
    }

    /// Whether an aircraft in this situation cannot be in the `next` one within seconds: home stands still in both, but
    /// not at the same height, or it is too far away, or the battery has more charge again.
    #[must_use]
    pub fn excludes(&self, next: &Situation) -> bool {
        let armed = self.armed == Some(true) && next.armed == Some(true);
        let apart = |(a, b): (Place, Place)| {
            let Some(dt_s) = seconds(a.boot_ms, b.boot_ms) else { return false };
            let still = a.home_known_mm(&b).is_some_and(|known_mm| known_mm <= STILL_MM);
            let home_mm = f64::from(a.home_apart_mm(&b));
            armed && still && home_mm > ANOTHER_HOME_MM + HOME_DRIFT_MM_S * dt_s
                || a.off_m(&b).is_some_and(|(off_m, most_m)| off_m > FAR * most_m)
        };
        let charged = |(a, b): (Charge, Charge)| {
            let fell_mah = f64::from(a.consumed_mah) - f64::from(b.consumed_mah);
            seconds(a.boot_ms, b.boot_ms).is_some() && fell_mah > CHARGE_MAH
        };
        self.place.zip(next.place).is_some_and(apart) || self.charge.zip(next.charge).is_some_and(charged)
    }

    /// The place is that to be expected and so is all that is told besides, which must be something.
    fn agrees(&self, next: &Situation) -> bool {
        let Some((a, b)) = self.place.zip(next.place) else { return false };
        let charge = self.charge.zip(next.charge).and_then(|(a, b)| a.drains_to(&b));
        let heading = self.heading.zip(next.heading).and_then(|(a, b)| a.turns_to(&b));
        let told = [heading, charge];
        let there = a.off_m(&b).is_some_and(|(off_m, most_m)| off_m <= most_m);
        there && told.contains(&Some(true)) && !told.contains(&Some(false))
    }

    /// What is told here, else by `other`.
    pub(crate) fn or(&self, other: &Situation) -> Situation {
        Situation {
            armed: self.armed.or(other.armed),
            on_ground: self.on_ground.or(other.on_ground),
            place: self.place.or(other.place),
            heading: self.heading.or(other.heading),
            charge: self.charge.or(other.charge),
        }
    }
}

/// Seconds from one time to a later one near it; stamps of 32 bits start anew.
fn seconds(from_ms: u32, to_ms: u32) -> Option<f64> {
    Some(to_ms.wrapping_sub(from_ms)).filter(|ms| *ms <= LONGEST_MS).map(|ms| f64::from(ms) / 1000.0)
}

impl Place {
    /// How far the heights of home are from one another, mm; not positive where they overlap.
    fn home_apart_mm(&self, other: &Place) -> i32 {
        let (low, high) = (self.home_mm.0.max(other.home_mm.0), self.home_mm.1.min(other.home_mm.1));
        low.saturating_sub(high)
    }

    /// How well the height of home is known, mm; `None` where it moves.
    fn home_known_mm(&self, other: &Place) -> Option<i32> {
        let width = |place: &Place| place.home_mm.1.saturating_sub(place.home_mm.0);
        let wide = width(self).max(width(other));
        (wide <= HOME_MOVES_MM).then_some(wide.max(ROUNDED_MM))
    }

    /// How many metres the next place is off from where the way leads, and how many it may be.
    fn off_m(&self, next: &Place) -> Option<(f64, f64)> {
        let dt_s = seconds(self.boot_ms, next.boot_ms)?;
        let metres = |from: i32, to: i32| f64::from(to.wrapping_sub(from)) * 1e-7 * METRES_A_DEGREE;
        let north = metres(self.lat_lon_e7.0, next.lat_lon_e7.0);
        let latitude = (f64::from(self.lat_lon_e7.0) * 1e-7).to_radians();
        let east = metres(self.lat_lon_e7.1, next.lat_lon_e7.1) * latitude.cos();
        let way = |a: i16, b: i16| (f64::from(a) + f64::from(b)) / 200.0 * dt_s;
        let (a, b) = (self.north_east_cm_s, next.north_east_cm_s);
        let off_m = (north - way(a.0, b.0)).hypot(east - way(a.1, b.1));
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
    /// Whether it can have given so much; `None` where that is long ago.
    fn drains_to(&self, next: &Charge) -> Option<bool> {
        let hours = seconds(self.boot_ms, next.boot_ms)? / 3600.0;
        let (a, b) = (f64::from(self.current_ca) * 10.0, f64::from(next.current_ca) * 10.0);
        let due_mah = (a + b) / 2.0 * hours;
        let given_mah = f64::from(next.consumed_mah) - f64::from(self.consumed_mah);
        Some((given_mah - due_mah).abs() <= CHARGE_MAH + CURRENT_SHARE * a.max(b) * hours)
    }
}

/// Where the messages have what is wanted, by definition slot.
#[derive(Debug, Clone, Copy)]
pub(super) struct Plan {
    heartbeat: Option<(usize, [usize; 1])>,
    landed: Option<(usize, [usize; 1])>,
    position: Option<(usize, [usize; 8])>,
    attitude: Option<(usize, [usize; 2])>,
    battery: Option<(usize, [usize; 3])>,
}

impl Plan {
    pub fn new(definitions: &Definitions) -> Self {
        Plan {
            heartbeat: at(definitions, "HEARTBEAT", ["base_mode"]),
            landed: at(definitions, "EXTENDED_SYS_STATE", ["landed_state"]),
            position: at(
                definitions,
                "GLOBAL_POSITION_INT",
                ["time_boot_ms", "lat", "lon", "alt", "relative_alt", "vx", "vy", "hdg"],
            ),
            attitude: at(definitions, "ATTITUDE", ["time_boot_ms", "yaw"]),
            battery: at(definitions, "BATTERY_STATUS", ["current_consumed", "current_battery", "id"]),
        }
    }
}

fn at<const N: usize>(
    definitions: &Definitions,
    message: &str,
    fields: [&str; N],
) -> Option<(usize, [usize; N])> {
    let message = definitions.by_name(message)?;
    let mut offsets = [0; N];
    for (offset, field) in offsets.iter_mut().zip(fields) {
        *offset = message.field(field)?.offset;
    }
    Some((message.slot, offsets))
}

/// The situations at both ends of a boot session.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Situations {
    /// As it begins.
    pub begin: Situation,
    /// As it ends.
    pub end: Situation,
    /// Heights of home told last, mm; the first `told` of the session count for its beginning.
    homes_mm: [i32; HOMES],
    told: usize,
}

impl Situations {
    /// Takes in what a message of the autopilot says, told about `boot_ms`.
    #[inline]
    pub(super) fn note(&mut self, plan: &Plan, slot: usize, payload: &[u8], boot_ms: i64) {
        let of = |message: usize| message == slot;
        if let Some((_, [time, yaw])) = plan.attitude.filter(|(message, _)| of(*message)) {
            let degrees = f32_at(payload, yaw).to_degrees();
            if degrees.abs() <= 360.0 {
                self.heading(u32_at(payload, time), (degrees * 100.0) as i32);
            }
        } else if let Some((_, at)) = plan.position.filter(|(message, _)| of(*message)) {
            self.position(at, payload);
        } else if let Some((_, [base_mode])) = plan.heartbeat.filter(|(message, _)| of(*message)) {
            self.end.armed = Some(u8_at(payload, base_mode) & ARMED != 0);
            self.begin.armed = self.begin.armed.or(self.end.armed);
        } else if let Some((_, [landed_state])) = plan.landed.filter(|(message, _)| of(*message)) {
            match u8_at(payload, landed_state) {
                0 => {}
                state => self.end.on_ground = Some(state == ON_GROUND),
            }
            self.begin.on_ground = self.begin.on_ground.or(self.end.on_ground);
        } else if let Some((_, at)) = plan.battery.filter(|(message, _)| of(*message)) {
            let [consumed, current, id] = at;
            let (consumed_mah, current_ca) = (i32_at(payload, consumed), i16_at(payload, current));
            // Either is -1 where it is not known.
            if u8_at(payload, id) == 0 && consumed_mah >= 0 && current_ca >= 0 {
                let boot_ms = boot_ms.rem_euclid(1 << 32) as u32;
                self.end.charge = Some(Charge { boot_ms, consumed_mah, current_ca });
                self.begin.charge = self.begin.charge.or(self.end.charge);
            }
        }
    }

    fn heading(&mut self, boot_ms: u32, cdeg: i32) {
        self.end.heading = Some(Heading { boot_ms, cdeg });
        self.begin.heading = self.begin.heading.or(self.end.heading);
    }

    fn position(&mut self, at: [usize; 8], payload: &[u8]) {
        let [time, lat, lon, alt, relative_alt, vx, vy, hdg] = at;
        let lat_lon_e7 = (i32_at(payload, lat), i32_at(payload, lon));
        if lat_lon_e7 == (0, 0) {
            return;
        }
        let home_mm = i32_at(payload, alt).saturating_sub(i32_at(payload, relative_alt));
        self.homes_mm.rotate_left(1);
        self.homes_mm[HOMES - 1] = home_mm;
        self.told = (self.told + 1).min(HOMES + 1);
        let last = self.homes_mm.iter().rev().take(self.told);
        let range = last.fold((i32::MAX, i32::MIN), |(low, high), mm| (low.min(*mm), high.max(*mm)));
        let place = Place {
            boot_ms: u32_at(payload, time),
            lat_lon_e7,
            north_east_cm_s: (i16_at(payload, vx), i16_at(payload, vy)),
            home_mm: range,
        };
        if let Some(cdeg) = Some(u16_at(payload, hdg)).filter(|heading| *heading != u16::MAX) {
            self.heading(place.boot_ms, cdeg.into());
        }
        self.end.place = Some(place);
        let begin = self.begin.place.get_or_insert(place);
        if self.told <= HOMES {
            begin.home_mm = range;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn flying() -> Situation {
        Situation {
            armed: Some(true),
            on_ground: None,
            place: Some(Place {
                boot_ms: 60_000,
                lat_lon_e7: (1_000_000, -200_000_000),
                north_east_cm_s: (600, 0),
                home_mm: (2_140, 2_141),
            }),
            heading: Some(Heading { boot_ms: 60_000, cdeg: 35_900 }),
            charge: Some(Charge { boot_ms: 60_100, consumed_mah: 900, current_ca: 7_200 }),
        }
    }

    /// Two seconds later, 12 m further north, 40 mAh less: 72 A for 2 s.
    fn later() -> Situation {
        let mut next = flying();
        let (place, charge) = (next.place.as_mut().unwrap(), next.charge.as_mut().unwrap());
        place.boot_ms += 2_000;
        place.lat_lon_e7.0 += (12.0 / METRES_A_DEGREE * 1e7) as i32;
        next.heading = Some(Heading { boot_ms: 62_000, cdeg: 100 });
        (charge.boot_ms, charge.consumed_mah) = (charge.boot_ms + 2_000, charge.consumed_mah + 40);
        next
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

    #[test]
    fn a_flight_goes_on_in_its_own_situation_only() {
        assert!(flying().goes_on(&later()) && !flying().excludes(&later()));
        // What differs, and whether the one situation excludes the other.
        let others = [
            (but(|place, _| place.home_mm = (2_143, 2_143)), false),
            (but(|place, _| place.home_mm = (2_155, 2_155)), false),
            (but(|place, _| place.home_mm = (2_300, 2_301)), true),
            (but(|place, _| place.home_mm = (2_300, 2_310)), false),
            (but(|place, _| place.home_mm = (2_000, 2_200)), false),
            (but(|place, _| place.home_mm = (2_300, 2_400)), false),
            (but(|place, _| place.lat_lon_e7.1 += 1_000), false),
            (but(|place, _| place.lat_lon_e7.1 += 3_000), true),
            (turned(9_000), false),
            (but(|place, _| (place.boot_ms, place.lat_lon_e7.1) = (place.boot_ms + 9_000, 0)), false),
            (but(|place, _| (place.boot_ms, place.lat_lon_e7.1) = (place.boot_ms - 4_000, 0)), false),
            (but(|_, charge| charge.consumed_mah += 60), false),
            (but(|_, charge| charge.consumed_mah -= 60), true),
            (Situation { place: None, ..later() }, false),
        ];
        for (next, excluded) in others {
            assert!(!flying().goes_on(&next), "{next:?}");
            assert_eq!(flying().excludes(&next), excluded, "{next:?}");
        }
        assert!(!Situation { armed: None, ..flying() }.goes_on(&later()));
        assert!(Situation { armed: None, on_ground: Some(false), ..flying() }.goes_on(&later()));
        // Home and place alone are those of every hover above the pad.
        let mut bare = Situation { heading: None, ..later() };
        assert!(flying().goes_on(&bare));
        bare.charge = None;
        assert!(!flying().goes_on(&bare));
    }

    #[test]
    fn where_one_is_on_the_ground_home_is_not_asked_for() {
        let other_home = but(|place, _| place.home_mm = (9_000, 9_000));
        let disarmed = Situation { armed: Some(false), ..flying() };
        assert!(!flying().stands_by(&later()) && disarmed.stands_by(&other_home));
        assert!(flying().stands_by(&Situation { on_ground: Some(true), ..other_home }));
        assert!(!disarmed.goes_on(&later()) && !disarmed.excludes(&other_home));
        assert!(!disarmed.stands_by(&turned(9_000)));
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

    #[test]
    fn home_is_that_of_the_messages_next_to_either_end() {
        let definitions = Definitions::builtin();
        let plan = Plan::new(definitions);
        let (slot, [time, lat, _, alt, relative_alt, ..]) = plan.position.unwrap();
        let mut situations = Situations::default();
        for step in 0..20u32 {
            let mut payload = [0; 28];
            let mut put = |at: usize, value: i32| payload[at..at + 4].copy_from_slice(&value.to_le_bytes());
            // Armed at the tenth: home moves by 300 mm; the height above the sea comes in centimetres.
            let home_mm = if step < 10 { 2_000 } else { 2_300 };
            let relative_mm = 7 * step as i32;
            put(time, 200 * step as i32);
            put(lat, 5);
            put(relative_alt, relative_mm);
            put(alt, (home_mm + relative_mm) / 10 * 10);
            situations.note(&plan, slot, &payload, 0);
        }
        let (begin, end) = (situations.begin.place.unwrap(), situations.end.place.unwrap());
        assert_eq!((begin.boot_ms, end.boot_ms), (0, 3_800));
        assert!(begin.home_mm.0 > 1_990 && begin.home_mm.1 <= 2_000, "{begin:?}");
        assert!(end.home_mm.0 > 2_290 && end.home_mm.1 <= 2_300, "{end:?}");
        assert!(begin.home_known_mm(&end).is_some_and(|known_mm| begin.home_apart_mm(&end) > known_mm));
        // Without a fix there is no place.
        let mut none = Situations::default();
        none.note(&plan, slot, &[0; 28], 0);
        assert_eq!(none, Situations::default());
    }
}
