//! From checked frames to typed samples: field offsets are looked up once by name in the message
//! definitions, then every frame is read at fixed offsets.

use super::{
    Altitude, Attitude, Draw, EscReading, FlightInformation, GlobalPosition, Heartbeat, Hud, Imu, ImuSource,
    Landed, LocalPosition, Sample, ServoOutputs, Signals, Vibration,
};
use crate::clock::Stamp;
use crate::wire::payload::{f32_at, i16_at, i32_at, u8_at, u16_at, u32_at, u64_at};
use crate::wire::{Definitions, Frame};

/// Standard gravity, m/s² (ISO 80000-3; exact by definition).
const STANDARD_GRAVITY_M_S2: f32 = 9.806_65;
/// MAV_AUTOPILOT_INVALID: the sender is not an autopilot.
const NOT_AN_AUTOPILOT: u8 = 8;
/// MAV_TYPE of a ground station, an onboard controller, a gimbal, an ADS-B receiver and a camera: some of them name
/// an autopilot, though they are none.
const NO_VEHICLE: [u8; 5] = [6, 18, 26, 27, 30];
/// MAV_BATTERY_FUNCTION of packs that turn no propeller: avionics, payload.
const NOT_FOR_MOTORS: [u8; 2] = [3, 4];
const ARMED: u8 = 128;
const HIL: u8 = 32;

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Kind {
    Heartbeat,
    ExtendedSysState,
    FlightInformation,
    ServoOutputRaw,
    Attitude,
    GlobalPositionInt,
    LocalPositionNed,
    VfrHud,
    Altitude,
    HighresImu,
    ScaledImu(u8),
    Vibration,
    EscInfo,
    EscStatus,
    EscTelemetry(u8),
    BatteryStatus,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum TimeField {
    BootMs,
    Micros,
    Micros32,
}

/// Most fields of one message that are looked up by name.
const MOST_FIELDS: usize = 7;

/// How to read one message.
#[derive(Debug, Clone, Copy)]
struct Plan {
    kind: Option<Kind>,
    /// Offsets of the wanted fields; beyond them, behind any payload.
    at: [u16; MOST_FIELDS],
    time: Option<(TimeField, u16)>,
}

/// Reading plans for every message a method uses, by definition slot.
#[derive(Debug, Clone)]
pub struct Reader {
    plans: Vec<Plan>,
}

const WANTED: [(&str, Kind, &[&str]); 21] = [
    ("HEARTBEAT", Kind::Heartbeat, &["type", "autopilot", "base_mode", "system_status"]),
    ("EXTENDED_SYS_STATE", Kind::ExtendedSysState, &["landed_state"]),
    (
        "FLIGHT_INFORMATION",
        Kind::FlightInformation,
        &["arming_time_utc", "takeoff_time_utc", "flight_uuid", "landing_time"],
    ),
    ("SERVO_OUTPUT_RAW", Kind::ServoOutputRaw, &["servo1_raw", "servo9_raw", "port"]),
    ("ATTITUDE", Kind::Attitude, &["roll"]),
    (
        "GLOBAL_POSITION_INT",
        Kind::GlobalPositionInt,
        &["lat", "lon", "alt", "relative_alt", "vx", "vy", "vz"],
    ),
    ("LOCAL_POSITION_NED", Kind::LocalPositionNed, &["x"]),
    ("VFR_HUD", Kind::VfrHud, &["alt", "climb", "groundspeed", "throttle"]),
    ("ALTITUDE", Kind::Altitude, &["altitude_monotonic", "altitude_relative"]),
    ("HIGHRES_IMU", Kind::HighresImu, &["xacc", "id"]),
    ("SCALED_IMU", Kind::ScaledImu(0), &["xacc"]),
    ("SCALED_IMU2", Kind::ScaledImu(1), &["xacc"]),
    ("SCALED_IMU3", Kind::ScaledImu(2), &["xacc"]),
    ("VIBRATION", Kind::Vibration, &["vibration_x", "clipping_0"]),
    ("ESC_INFO", Kind::EscInfo, &["temperature", "index", "count"]),
    ("ESC_STATUS", Kind::EscStatus, &["rpm", "voltage", "current", "index"]),
    ("ESC_TELEMETRY_1_TO_4", Kind::EscTelemetry(0), &["temperature", "voltage", "current", "rpm"]),
    ("ESC_TELEMETRY_5_TO_8", Kind::EscTelemetry(4), &["temperature", "voltage", "current", "rpm"]),
    ("ESC_TELEMETRY_9_TO_12", Kind::EscTelemetry(8), &["temperature", "voltage", "current", "rpm"]),
    ("ESC_TELEMETRY_13_TO_16", Kind::EscTelemetry(12), &["temperature", "voltage", "current", "rpm"]),
    (
        "BATTERY_STATUS",
        Kind::BatteryStatus,
        &["current_battery", "id", "battery_function", "voltages", "voltages_ext"],
    ),
];

impl Reader {
    /// Plans against `definitions`.
    pub fn new(definitions: &Definitions) -> Self {
        let none = Plan { kind: None, at: [u16::MAX; MOST_FIELDS], time: None };
        let mut plans = vec![none; definitions.messages().len()];
        for (plan, message) in plans.iter_mut().zip(definitions.messages()) {
            let field = |name: &str| message.field(name).map(|f| (f.offset as u16, f.kind.size()));
            plan.time = [("time_boot_ms", 4), ("event_time_boot_ms", 4), ("time_usec", 8), ("time_usec", 4)]
                .into_iter()
                .find_map(|(name, size)| {
                    let (offset, width) = field(name)?;
                    let kind = match (name, size) {
                        ("time_usec", 8) => TimeField::Micros,
                        ("time_usec", _) => TimeField::Micros32,
                        _ => TimeField::BootMs,
                    };
                    (width == size).then_some((kind, offset))
                });
        }
        for (name, kind, fields) in WANTED {
            let Some(message) = definitions.by_name(name) else { continue };
            let at: Option<Vec<u16>> =
                fields.iter().map(|f| message.field(f).map(|f| f.offset as u16)).collect();
            if let (Some(at), Some(plan)) = (at, plans.get_mut(message.slot)) {
                plan.kind = Some(kind);
                plan.at.iter_mut().zip(at).for_each(|(to, from)| *to = from);
            }
        }
        Reader { plans }
    }

    /// The time field of a message as sent.
    #[inline]
    pub fn stamp(&self, slot: usize, payload: &[u8]) -> Stamp {
        match self.plans.get(slot).and_then(|p| p.time) {
            Some((TimeField::BootMs, at)) => Stamp::BootMs(u32_at(payload, at.into())),
            Some((TimeField::Micros, at)) => Stamp::Micros(u64_at(payload, at.into())),
            Some((TimeField::Micros32, at)) => Stamp::Micros32(u32_at(payload, at.into())),
            None => Stamp::None,
        }
    }

    /// True if the frame is a heartbeat of an autopilot, not of a ground station, radio or gimbal.
    #[inline]
    pub fn is_autopilot_heartbeat(&self, slot: usize, payload: &[u8]) -> bool {
        let Some(Plan { kind: Some(Kind::Heartbeat), at: [mav_type, autopilot, ..], .. }) =
            self.plans.get(slot)
        else {
            return false;
        };
        u8_at(payload, usize::from(*autopilot)) != NOT_AN_AUTOPILOT
            && !NO_VEHICLE.contains(&u8_at(payload, usize::from(*mav_type)))
    }

    /// Adds what `frame` says to `signals`; `latest_ms` is `i64::MAX` until the next stamp is known.
    ///
    /// `temperature_degc` remembers ESC_INFO between calls, one entry an ESC.
    pub fn collect(
        &self,
        frame: &Frame<'_>,
        slot: usize,
        times: (i64, i64),
        into: &mut Signals,
        temperature_degc: &mut [f32; 32],
    ) {
        let Some(plan) = self.plans.get(slot) else { return };
        let (Some(kind), at, p) = (plan.kind, plan.at, frame.payload) else { return };
        let off = |i: usize| at.get(i).copied().map_or(usize::MAX, usize::from);
        let (earliest_ms, latest_ms) = times;
        macro_rules! push {
            ($series:ident, $value:expr) => {
                into.$series.push(Sample { earliest_ms, latest_ms, value: $value })
            };
        }
        match kind {
            Kind::Heartbeat => {
                if self.is_autopilot_heartbeat(slot, p) {
                    let base_mode = u8_at(p, off(2));
                    push!(
                        heartbeats,
                        Heartbeat {
                            armed: base_mode & ARMED != 0,
                            hil: base_mode & HIL != 0,
                            mav_type: u8_at(p, off(0)),
                            autopilot: u8_at(p, off(1)),
                            system_status: u8_at(p, off(3)),
                        }
                    );
                }
            }
            Kind::ExtendedSysState => {
                let landed = match u8_at(p, off(0)) {
                    1 => Landed::OnGround,
                    2 => Landed::InAir,
                    3 => Landed::Takeoff,
                    4 => Landed::Landing,
                    _ => Landed::Undefined,
                };
                push!(landed, landed);
            }
            Kind::FlightInformation => {
                let micros = |i| {
                    Some(u64_at(p, off(i))).filter(|us| *us != 0).and_then(|us| i64::try_from(us / 1000).ok())
                };
                push!(
                    flight_information,
                    FlightInformation {
                        arming_ms: micros(0),
                        takeoff_ms: micros(1),
                        number: u64_at(p, off(2)),
                        landing_ms: Some(i64::from(u32_at(p, off(3)))).filter(|ms| *ms != 0),
                    }
                );
            }
            Kind::ServoOutputRaw => {
                if u8_at(p, off(2)) == 0 {
                    let raw = std::array::from_fn(|i| {
                        if i < 8 { u16_at(p, off(0) + 2 * i) } else { u16_at(p, off(1) + 2 * (i - 8)) }
                    });
                    push!(outputs, ServoOutputs::from_raw(raw));
                }
            }
            Kind::Attitude => {
                let f = |i: usize| f32_at(p, off(0) + 4 * i);
                push!(
                    attitude,
                    Attitude {
                        roll: f(0),
                        pitch: f(1),
                        yaw: f(2),
                        rollspeed: f(3),
                        pitchspeed: f(4),
                        yawspeed: f(5)
                    }
                );
            }
            Kind::GlobalPositionInt => {
                let cm = |i| f32::from(i16_at(p, off(i))) / 100.0;
                push!(
                    global_position,
                    GlobalPosition {
                        lat_deg: f64::from(i32_at(p, off(0))) / 1e7,
                        lon_deg: f64::from(i32_at(p, off(1))) / 1e7,
                        alt_m: i32_at(p, off(2)) as f32 / 1000.0,
                        relative_alt_m: i32_at(p, off(3)) as f32 / 1000.0,
                        vn_m_s: cm(4),
                        ve_m_s: cm(5),
                        vd_m_s: cm(6),
                    }
                );
            }
            Kind::LocalPositionNed => {
                let f = |i: usize| f32_at(p, off(0) + 4 * i);
                push!(
                    local_position,
                    LocalPosition { x: f(0), y: f(1), z: f(2), vx: f(3), vy: f(4), vz: f(5) }
                );
            }
            Kind::VfrHud => push!(
                hud,
                Hud {
                    alt_m: f32_at(p, off(0)),
                    climb_m_s: f32_at(p, off(1)),
                    groundspeed_m_s: f32_at(p, off(2)),
                    throttle_percent: u16_at(p, off(3)),
                }
            ),
            Kind::Altitude => {
                push!(altitude, Altitude { monotonic_m: f32_at(p, off(0)), relative_m: f32_at(p, off(1)) })
            }
            Kind::HighresImu => {
                let accel_m_s2 = std::array::from_fn(|i| f32_at(p, off(0) + 4 * i));
                push!(imu, Imu { source: ImuSource::HighRes, id: u8_at(p, off(1)), accel_m_s2 });
            }
            Kind::ScaledImu(id) => {
                let accel_m_s2 = std::array::from_fn(|i| {
                    f32::from(i16_at(p, off(0) + 2 * i)) / 1000.0 * STANDARD_GRAVITY_M_S2
                });
                push!(imu, Imu { source: ImuSource::Scaled, id, accel_m_s2 });
            }
            Kind::Vibration => push!(
                vibration,
                Vibration {
                    level: std::array::from_fn(|i| f32_at(p, off(0) + 4 * i)),
                    clipping: std::array::from_fn(|i| u32_at(p, off(1) + 4 * i)),
                }
            ),
            Kind::EscInfo => {
                let (index, count) = (u8_at(p, off(1)), u8_at(p, off(2)));
                for i in 0..4u8 {
                    let raw = i16_at(p, off(0) + 2 * usize::from(i));
                    let esc = index.saturating_add(i);
                    if let (true, Some(slot)) = (esc < count, temperature_degc.get_mut(usize::from(esc))) {
                        *slot = if raw == i16::MAX { f32::NAN } else { f32::from(raw) / 100.0 };
                    }
                }
            }
            Kind::EscStatus => {
                let index = u8_at(p, off(3));
                for i in 0..4u8 {
                    let (at, esc) = (4 * usize::from(i), index.saturating_add(i));
                    let reading = EscReading {
                        index: esc,
                        rpm: i32_at(p, off(0) + at).unsigned_abs() as f32,
                        voltage_v: f32_at(p, off(1) + at),
                        current_a: f32_at(p, off(2) + at),
                        temperature_degc: temperature_degc.get(usize::from(esc)).copied().unwrap_or(f32::NAN),
                    };
                    // An entry of a block of four beyond the fitted ESCs is all zero.
                    if reading.rpm != 0.0 || reading.voltage_v != 0.0 {
                        push!(esc, reading);
                    }
                }
            }
            Kind::EscTelemetry(first) => {
                for i in 0..4u8 {
                    let (n, wide) = (usize::from(i), 2 * usize::from(i));
                    let reading = EscReading {
                        index: first + i,
                        rpm: f32::from(u16_at(p, off(3) + wide)),
                        voltage_v: f32::from(u16_at(p, off(1) + wide)) / 100.0,
                        current_a: f32::from(u16_at(p, off(2) + wide)) / 100.0,
                        temperature_degc: f32::from(u8_at(p, off(0) + n)),
                    };
                    if reading.rpm != 0.0 || reading.voltage_v != 0.0 {
                        push!(esc, reading);
                    }
                }
            }
            Kind::BatteryStatus => {
                if !NOT_FOR_MOTORS.contains(&u8_at(p, off(2))) {
                    let current_ca = i16_at(p, off(0));
                    // Cells in series; beyond the first ten, 0 is none.
                    let known = |i: usize| {
                        if i < 10 { u16_at(p, off(3) + 2 * i) } else { u16_at(p, off(4) + 2 * (i - 10)) }
                    };
                    let cells_mv = (0..14).map(known).filter(|mv| *mv != u16::MAX);
                    let pack_mv: u32 = cells_mv.map(u32::from).sum();
                    // -1: not measured. The greatest number: as much or more.
                    let measured = (0..i16::MAX).contains(&current_ca) && pack_mv > 0;
                    let power_w = f32::from(current_ca) / 100.0 * (pack_mv as f32 / 1000.0);
                    let battery = u8_at(p, off(1));
                    push!(draw, Draw { battery, power_w: if measured { power_w } else { f32::NAN } });
                }
            }
        }
    }
}
