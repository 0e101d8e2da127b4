//! From an autopilot's messages to the [`Situation`]s at both ends of a boot session.

use super::situation::{Charge, HOMES, Heading, Home, ONE_HOME_MM, Place, Situation, Told};
use crate::wire::Definitions;
use crate::wire::payload::{f32_at, i16_at, i32_at, u8_at, u16_at, u32_at};

const ARMED: u8 = 128;
/// MAV_LANDED_STATE_ON_GROUND; 0 is undefined.
const ON_GROUND: u8 = 1;

/// Charges that must rise one behind the other.
const CHARGES: usize = 3;

/// Which messages say what.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Kind {
    Heartbeat,
    Landed,
    Position,
    Attitude,
    Battery,
}

/// Where the messages have what is wanted.
#[derive(Debug, Clone)]
pub(super) struct Plan {
    /// By definition slot.
    kinds: Vec<Option<Kind>>,
    heartbeat: [usize; 1],
    landed: [usize; 1],
    position: [usize; 9],
    attitude: [usize; 2],
    battery: [usize; 3],
}

impl Plan {
    pub fn new(definitions: &Definitions) -> Self {
        let mut kinds = vec![None; definitions.messages().len()];
        let position = ["time_boot_ms", "lat", "lon", "alt", "relative_alt", "vx", "vy", "vz", "hdg"];
        let battery = ["current_consumed", "current_battery", "id"];
        Plan {
            heartbeat: at(definitions, "HEARTBEAT", ["base_mode"], Kind::Heartbeat, &mut kinds),
            landed: at(definitions, "EXTENDED_SYS_STATE", ["landed_state"], Kind::Landed, &mut kinds),
            position: at(definitions, "GLOBAL_POSITION_INT", position, Kind::Position, &mut kinds),
            attitude: at(definitions, "ATTITUDE", ["time_boot_ms", "yaw"], Kind::Attitude, &mut kinds),
            battery: at(definitions, "BATTERY_STATUS", battery, Kind::Battery, &mut kinds),
            kinds,
        }
    }
}

/// The fields' offsets; a message that lacks one is not of the kind.
fn at<const N: usize>(
    definitions: &Definitions,
    message: &str,
    fields: [&str; N],
    kind: Kind,
    kinds: &mut [Option<Kind>],
) -> [usize; N] {
    let mut offsets = [usize::MAX; N];
    let Some(message) = definitions.by_name(message) else { return offsets };
    for (offset, field) in offsets.iter_mut().zip(fields) {
        *offset = message.field(field).map_or(usize::MAX, |field| field.offset);
    }
    if let Some(of_slot) = kinds.get_mut(message.slot).filter(|_| !offsets.contains(&usize::MAX)) {
        *of_slot = Some(kind);
    }
    offsets
}

/// The situations at both ends of a boot session.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Doing {
    begin: Situation,
    end: Situation,
    /// It was armed or in the air.
    pub set_off: bool,
    /// Told since the last stamp: by an autopilot that was booted anew, if the next stamp says so.
    waiting: Situation,
    waits: bool,
    /// Heights of home told first, and the latest one last, mm, and how many at most.
    first_homes_mm: [i32; HOMES],
    homes_mm: [i32; HOMES],
    told: usize,
    /// The same of what the battery had given, mAh.
    consumed_mah: [i32; CHARGES],
    charges: usize,
}

impl Doing {
    /// As it begins; when that was, the session says.
    pub fn begin(&self) -> Situation {
        let home = of_one_arming(self.first_homes_mm.iter().take(self.told).copied());
        Situation { place: self.begin.place.map(|place| Place { home, ..place }), ..self.begin }
    }

    /// As it ends.
    pub fn end(&self) -> Situation {
        // From the newest back, as far as it is the same arming's.
        let home = of_one_arming(self.homes_mm.iter().rev().take(self.told).copied());
        Situation { place: self.end.place.map(|place| Place { home, ..place }), ..self.end }
    }

    /// Takes in what a message of the autopilot says, about `boot_ms`; `stamped` if the message says so itself.
    #[inline]
    pub(super) fn note(&mut self, plan: &Plan, slot: usize, payload: &[u8], boot_ms: i64, stamped: bool) {
        if stamped && self.waits {
            self.confirm();
        }
        if let Some(kind) = plan.kinds.get(slot).copied().flatten() {
            self.take(plan, kind, payload, boot_ms);
        }
    }

    fn take(&mut self, plan: &Plan, kind: Kind, payload: &[u8], boot_ms: i64) {
        let boot_ms = boot_ms.rem_euclid(1 << 32) as u32;
        match kind {
            Kind::Attitude => {
                let [time, yaw] = plan.attitude;
                let degrees = f32_at(payload, yaw).to_degrees();
                if degrees.abs() <= 360.0 {
                    self.heading(u32_at(payload, time), (degrees * 100.0) as i32);
                }
            }
            Kind::Position => self.position(plan.position, payload),
            Kind::Heartbeat => {
                let is = u8_at(payload, plan.heartbeat[0]) & ARMED != 0;
                (self.waiting.armed, self.waits) = (Some(Told { boot_ms, is }), true);
            }
            Kind::Landed => {
                let state = u8_at(payload, plan.landed[0]);
                if state != 0 {
                    let is = state == ON_GROUND;
                    (self.waiting.on_ground, self.waits) = (Some(Told { boot_ms, is }), true);
                }
            }
            Kind::Battery => {
                let [consumed, current, id] = plan.battery;
                let (consumed_mah, current_ca) = (i32_at(payload, consumed), i16_at(payload, current));
                // Either is -1 where it is not known.
                if u8_at(payload, id) == 0 && consumed_mah >= 0 && current_ca >= 0 {
                    let charge = Charge { boot_ms, consumed_mah, current_ca, falls: false };
                    (self.waiting.charge, self.waits) = (Some(charge), true);
                }
            }
        }
    }

    /// What was told since the last stamp was of this session.
    fn confirm(&mut self) {
        let Situation { armed, on_ground, charge, .. } = self.waiting;
        self.set_off |= armed.is_some_and(|armed| armed.is) || on_ground.is_some_and(|told| !told.is);
        self.begin = self.begin.or(&self.waiting);
        self.end = self.waiting.or(&self.end);
        (self.waiting, self.waits) = (Situation::default(), false);
        if let Some(charge) = charge {
            self.charge(charge.consumed_mah);
        }
    }

    fn charge(&mut self, consumed_mah: i32) {
        self.consumed_mah.rotate_left(1);
        self.consumed_mah[CHARGES - 1] = consumed_mah;
        self.charges = (self.charges + 1).min(CHARGES + 1);
        let falls = self.charges >= CHARGES && self.consumed_mah.is_sorted();
        if let Some(charge) = &mut self.end.charge {
            charge.falls = falls;
        }
        if let Some(charge) = self.begin.charge.as_mut().filter(|_| self.charges == CHARGES) {
            charge.falls = falls;
        }
    }

    fn heading(&mut self, boot_ms: u32, cdeg: i32) {
        self.end.heading = Some(Heading { boot_ms, cdeg });
        self.begin.heading = self.begin.heading.or(self.end.heading);
    }

    fn position(&mut self, at: [usize; 9], payload: &[u8]) {
        let [time, lat, lon, alt, relative_alt, vx, vy, vz, hdg] = at;
        let lat_lon_e7 = (i32_at(payload, lat), i32_at(payload, lon));
        if lat_lon_e7 == (0, 0) {
            return;
        }
        let alt_mm = i32_at(payload, alt);
        let velocity_cm_s = (i16_at(payload, vx), i16_at(payload, vy), i16_at(payload, vz));
        let home_mm = alt_mm.saturating_sub(i32_at(payload, relative_alt));
        if let Some(first) = self.first_homes_mm.get_mut(self.told) {
            (*first, self.told) = (home_mm, self.told + 1);
        }
        self.homes_mm.rotate_left(1);
        self.homes_mm[HOMES - 1] = home_mm;
        let boot_ms = u32_at(payload, time);
        // Filled in when asked for.
        let home = Home { low_mm: 0, high_mm: 0, told: 0 };
        let place = Place { boot_ms, lat_lon_e7, alt_mm, velocity_cm_s, home };
        self.end.place = Some(place);
        self.begin.place.get_or_insert(place);
        if let Some(cdeg) = Some(u16_at(payload, hdg)).filter(|heading| *heading != u16::MAX) {
            self.heading(boot_ms, cdeg.into());
        }
    }
}

/// What the heights of home are that come first.
fn of_one_arming(homes_mm: impl Iterator<Item = i32>) -> Home {
    let mut home = Home { low_mm: 0, high_mm: 0, told: 0 };
    for mm in homes_mm {
        let (low_mm, high_mm) =
            if home.told == 0 { (mm, mm) } else { (home.low_mm.min(mm), home.high_mm.max(mm)) };
        if high_mm.saturating_sub(low_mm) > ONE_HOME_MM {
            break;
        }
        home = Home { low_mm, high_mm, told: home.told + 1 };
    }
    home
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn home_is_that_of_the_messages_next_to_either_end() {
        let definitions = Definitions::builtin();
        let plan = Plan::new(definitions);
        let slot = definitions.by_name("GLOBAL_POSITION_INT").unwrap().slot;
        let [time, lat, _, alt, relative_alt, ..] = plan.position;
        let mut doing = Doing::default();
        for step in 0..20u32 {
            let mut payload = [0; 28];
            let mut put = |at: usize, value: i32| payload[at..at + 4].copy_from_slice(&value.to_le_bytes());
            // Armed at the 18th: home moves by 300 mm; the height above the sea comes in centimetres.
            let home_mm = if step < 18 { 2_000 } else { 2_300 };
            let relative_mm = 7 * step as i32;
            put(time, 200 * step as i32);
            put(lat, 5);
            put(relative_alt, relative_mm);
            put(alt, (home_mm + relative_mm) / 10 * 10);
            doing.note(&plan, slot, &payload, 0, true);
        }
        let (begin, end) = (doing.begin().place.unwrap(), doing.end().place.unwrap());
        assert_eq!((begin.boot_ms, end.boot_ms), (0, 3_800));
        assert!(
            begin.home.low_mm > 1_990 && begin.home.high_mm <= 2_000 && begin.home.told == 4,
            "{begin:?}"
        );
        assert!(end.home.low_mm > 2_290 && end.home.high_mm <= 2_300 && end.home.told == 2, "{end:?}");
        // Without a fix there is no place.
        let mut none = Doing::default();
        none.note(&plan, slot, &[0; 28], 0, false);
        assert_eq!(none, Doing::default());
    }

    #[test]
    fn what_was_told_since_the_last_stamp_waits_for_the_next() {
        let definitions = Definitions::builtin();
        let plan = Plan::new(definitions);
        let slot = |name: &str| definitions.by_name(name).unwrap().slot;
        let (heartbeat, attitude) = (slot("HEARTBEAT"), slot("ATTITUDE"));
        let [base_mode] = plan.heartbeat;
        let mut payload = [0; 28];
        payload[base_mode] = ARMED;
        let mut doing = Doing::default();
        doing.note(&plan, heartbeat, &payload, 900, false);
        assert_eq!((doing.begin.armed, doing.set_off), (None, false));
        doing.note(&plan, attitude, &[0; 28], 1_000, true);
        let armed = Some(Told { boot_ms: 900, is: true });
        assert_eq!((doing.begin.armed, doing.end.armed, doing.set_off), (armed, armed, true));
        let (battery, [consumed, ..]) = (slot("BATTERY_STATUS"), plan.battery);
        for (step, falls) in [(1, false), (2, false), (3, true), (2, false), (3, false), (4, true)] {
            let mut payload = [0; 36];
            payload[consumed] = step;
            doing.note(&plan, battery, &payload, 1_000, false);
            doing.note(&plan, attitude, &[0; 28], 1_000, true);
            assert_eq!(doing.end.charge.unwrap().falls, falls);
        }
        assert!(doing.begin.charge.is_some_and(|charge| charge.falls && charge.consumed_mah == 1));
        doing.note(&plan, heartbeat, &[0; 28], 2_000, false);
        assert_eq!(doing.end.armed, armed);
    }
}
