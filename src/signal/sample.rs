//! The sample types, one a message that a method reads. SI units; axes body front-right-down or
//! north-east-down as named; unknown values are `None` (integers) or NaN (floats).

use super::series::Lane;

/// HEARTBEAT (0) of an autopilot component.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Heartbeat {
    /// `base_mode` bit 128.
    pub armed: bool,
    /// `base_mode` bit 32: hardware in the loop, motors blocked; not a flight.
    pub hil: bool,
    /// MAV_TYPE.
    pub mav_type: u8,
    /// MAV_AUTOPILOT.
    pub autopilot: u8,
    /// MAV_STATE.
    pub system_status: u8,
}

/// MAV_LANDED_STATE of EXTENDED_SYS_STATE (245).
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Landed {
    /// 0: the autopilot does not know.
    Undefined,
    /// 1.
    OnGround,
    /// 2.
    InAir,
    /// 3: about to lift off, or just off.
    Takeoff,
    /// 4: descending to land.
    Landing,
}

/// FLIGHT_INFORMATION (264). The `_utc` in the published field names is wrong: all are boot times.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct FlightInformation {
    /// Armed at, in milliseconds since boot; `None` when not armed since boot.
    pub arming_ms: Option<i64>,
    /// Lifted off at, in milliseconds since boot; `None` before takeoff.
    pub takeoff_ms: Option<i64>,
    /// Landed at, in milliseconds since boot; `None` while flying, or when the sender has no such field.
    pub landing_ms: Option<i64>,
    /// Flight counter (`flight_uuid`).
    pub number: u64,
}

/// SERVO_OUTPUT_RAW (36): pulses of the main bank in microseconds.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct ServoOutputs {
    pulses_us: [u16; 16],
}

impl ServoOutputs {
    /// From the sixteen fields as sent: 0 and 65535 mean "unused".
    pub fn from_raw(raw: [u16; 16]) -> Self {
        ServoOutputs { pulses_us: raw.map(|p| if p == u16::MAX { 0 } else { p }) }
    }

    /// The pulse of `output` (counted from 1), in microseconds; `None` if unused or out of range.
    pub fn pulse_us(&self, output: u8) -> Option<u16> {
        let pulse = *self.pulses_us.get(usize::from(output).checked_sub(1)?)?;
        (pulse != 0).then_some(pulse)
    }
}

/// ATTITUDE (30): radians and radians per second, body front-right-down.
#[derive(Debug, Clone, Copy, PartialEq)]
#[allow(missing_docs)] // the field names are the standard's own
pub struct Attitude {
    pub roll: f32,
    pub pitch: f32,
    pub yaw: f32,
    pub rollspeed: f32,
    pub pitchspeed: f32,
    pub yawspeed: f32,
}

/// GLOBAL_POSITION_INT (33).
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct GlobalPosition {
    /// Degrees, WGS84.
    pub lat_deg: f64,
    /// Degrees, WGS84.
    pub lon_deg: f64,
    /// Height above home in metres.
    pub relative_alt_m: f32,
    /// Height above mean sea level in metres.
    pub alt_m: f32,
    /// North velocity in m/s.
    pub vn_m_s: f32,
    /// East velocity in m/s.
    pub ve_m_s: f32,
    /// Down velocity in m/s.
    pub vd_m_s: f32,
}

/// LOCAL_POSITION_NED (32): metres and m/s, north-east-down.
#[derive(Debug, Clone, Copy, PartialEq)]
#[allow(missing_docs)] // the field names are the standard's own
pub struct LocalPosition {
    pub x: f32,
    pub y: f32,
    pub z: f32,
    pub vx: f32,
    pub vy: f32,
    pub vz: f32,
}

/// VFR_HUD (74). Its `alt` is above sea level on some senders, above home on others: use differences.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Hud {
    /// Metres, origin unknown.
    pub alt_m: f32,
    /// m/s, up positive.
    pub climb_m_s: f32,
    /// m/s.
    pub groundspeed_m_s: f32,
    /// Per cent of full throttle.
    pub throttle_percent: u16,
}

/// ALTITUDE (141).
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Altitude {
    /// Metres; never reset during a flight.
    pub monotonic_m: f32,
    /// Metres above home.
    pub relative_m: f32,
}

/// Which message an [`Imu`] sample came from.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum ImuSource {
    /// HIGHRES_IMU (105).
    HighRes,
    /// SCALED_IMU (26), SCALED_IMU2 (116), SCALED_IMU3 (129).
    Scaled,
}

/// One accelerometer sample in m/s², body front-right-down.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Imu {
    /// Message family.
    pub source: ImuSource,
    /// IMU number from 0.
    pub id: u8,
    /// Acceleration (specific force) along x, y, z in m/s².
    pub accel_m_s2: [f32; 3],
}

/// VIBRATION (241). The standard gives the levels no unit: compare them only within one aircraft.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Vibration {
    /// Level along x, y, z, no declared unit.
    pub level: [f32; 3],
    /// Saturated samples of IMU 0, 1, 2 since boot.
    pub clipping: [u32; 3],
}

/// One ESC at one instant, from ESC_STATUS (291) with temperature from ESC_INFO (290), or from
/// ESC_TELEMETRY_1_TO_4 and its siblings (11030, 11031, 11032).
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct EscReading {
    /// ESC index from 0, in the sender's motor order.
    pub index: u8,
    /// Revolutions per minute, magnitude.
    pub rpm: f32,
    /// Volts; NaN if unknown.
    pub voltage_v: f32,
    /// Amperes; NaN if unknown.
    pub current_a: f32,
    /// Degrees Celsius; NaN if unknown.
    pub temperature_degc: f32,
}

/// What a battery that may turn propellers gives, from BATTERY_STATUS (147). SYS_STATUS is ambiguous where there are
/// several.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Draw {
    /// Battery id.
    pub battery: u8,
    /// Watts; NaN if current or voltage are unknown.
    pub power_w: f32,
}

impl Lane for Heartbeat {}
impl Lane for Landed {}
impl Lane for FlightInformation {}
impl Lane for ServoOutputs {}
impl Lane for Attitude {}
impl Lane for GlobalPosition {}
impl Lane for LocalPosition {}
impl Lane for Hud {}
impl Lane for Altitude {}
impl Lane for Vibration {}

impl Lane for Imu {
    fn lane(&self) -> u8 {
        self.id.wrapping_mul(2) | u8::from(self.source == ImuSource::Scaled)
    }
}

impl Lane for EscReading {
    fn lane(&self) -> u8 {
        self.index
    }
}

impl Lane for Draw {
    fn lane(&self) -> u8 {
        self.battery
    }
}
