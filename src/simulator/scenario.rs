//! What is to be flown: airframe, faults, sorties, streams, and how the log is written.
//!
//! Every field has a sensible value after [`Scenario::new`]; set the ones that matter, or chain the
//! `with_…` methods. Two scenarios with equal fields give byte-identical logs.

use super::geometry::MOTORS_MAX;
use super::streams::{Container, FlightRecord, Protocol, Streams};

/// Geometry by name; motors sit clockwise from the nose, spins alternate starting counter-clockwise.
#[derive(Debug, Clone, Copy, PartialEq, Eq, serde::Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Frame {
    /// Four motors at 45°, 135°, 225°, 315°.
    QuadX,
    /// Six motors at 30°, 90°, … 330°.
    HexaX,
    /// Eight motors at 22.5°, 67.5°, … 337.5°.
    OctoX,
}

impl Frame {
    /// The name used in `fleet.toml`.
    pub fn name(self) -> &'static str {
        match self {
            Frame::QuadX => "quad-x",
            Frame::HexaX => "hexa-x",
            Frame::OctoX => "octo-x",
        }
    }

    /// The reverse of [`Frame::name`].
    pub fn from_name(name: &str) -> Option<Self> {
        [Frame::QuadX, Frame::HexaX, Frame::OctoX].into_iter().find(|f| f.name() == name)
    }

    /// Number of motors.
    pub fn motors(self) -> usize {
        self.positions().len()
    }

    /// Clockwise from the nose, in degrees.
    pub fn bearing_deg(self, motor: usize) -> f64 {
        let step = 360.0 / self.motors() as f64;
        step * (motor as f64 + 0.5)
    }

    /// +1 for a counter-clockwise propeller, −1 for a clockwise one.
    pub fn spin_sign(self, motor: usize) -> f64 {
        if motor.is_multiple_of(2) { 1.0 } else { -1.0 }
    }

    /// `ccw` or `cw`.
    pub fn spin(self, motor: usize) -> &'static str {
        if motor.is_multiple_of(2) { "ccw" } else { "cw" }
    }

    /// Names of the places, in motor order.
    pub fn positions(self) -> &'static [&'static str] {
        match self {
            Frame::QuadX => &["front-right", "rear-right", "rear-left", "front-left"],
            Frame::HexaX => &["front-right", "right", "rear-right", "rear-left", "left", "front-left"],
            Frame::OctoX => &[
                "front-right",
                "right-front",
                "right-rear",
                "rear-right",
                "rear-left",
                "left-rear",
                "left-front",
                "front-left",
            ],
        }
    }
}

/// What is wrong with the airframe in one sortie. Motor values are in motor order.
#[derive(Debug, Clone, PartialEq, serde::Serialize)]
pub struct Faults {
    /// Share of thrust lost at the same speed (a worn propeller).
    pub thrust_loss: [f64; MOTORS_MAX],
    /// Share of speed lost at the same command (a failing motor or ESC).
    pub speed_loss: [f64; MOTORS_MAX],
    /// Share of torque added at the same speed (bearing drag, a damaged blade).
    pub drag: [f64; MOTORS_MAX],
    /// Boom turned about itself in degrees, positive: thrust leans clockwise seen from above.
    pub boom_rotation_deg: [f64; MOTORS_MAX],
    /// Acceleration at one a revolution, at hover speed, in m/s², on top of what every propeller has.
    pub imbalance_m_s2: [f64; MOTORS_MAX],
    /// Centre of gravity forward of the middle, in mm.
    pub cg_forward_mm: f64,
    /// Centre of gravity right of the middle, in mm.
    pub cg_right_mm: f64,
    /// Load carried at the centre of gravity, in kg.
    pub payload_kg: f64,
    /// Multiplies what vibration reaches the accelerometers; 1 is a good mount.
    pub isolator: f64,
    /// Added to the true heading by a compass mast out of line, in degrees.
    pub heading_error_deg: f64,
    /// Multiplies the resistance of the pack; 1 is new.
    pub battery_resistance: f64,
}

impl Faults {
    /// Nothing wrong beyond the build tolerances.
    pub const NONE: Faults = Faults {
        thrust_loss: [0.0; MOTORS_MAX],
        speed_loss: [0.0; MOTORS_MAX],
        drag: [0.0; MOTORS_MAX],
        boom_rotation_deg: [0.0; MOTORS_MAX],
        imbalance_m_s2: [0.0; MOTORS_MAX],
        cg_forward_mm: 0.0,
        cg_right_mm: 0.0,
        payload_kg: 0.0,
        isolator: 1.0,
        heading_error_deg: 0.0,
        battery_resistance: 1.0,
    };
}

impl Default for Faults {
    fn default() -> Self {
        Self::NONE
    }
}

/// One arming.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Sortie {
    /// Take off, fly, land.
    Flight,
    /// As `Flight`, with a short touch on the ground and a hop before the end: two flights.
    TouchAndGo,
    /// Motors run up below lift and stopped again: no flight.
    SpoolUp,
}

/// Shape of one flight.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Plan {
    /// Height of the legs, in metres.
    pub height_m: f64,
    /// Hover after the climb and again before the descent, in seconds each.
    pub hover_s: f64,
    /// Cruise legs, each with a yaw turn, an acceleration, a brake and 5 s of hover.
    pub legs: usize,
    /// Time at full speed on each leg.
    pub cruise_s: f64,
    /// Speed over ground on the legs.
    pub cruise_m_s: f64,
    /// Rate of descent at touchdown.
    pub touchdown_m_s: f64,
}

/// One vehicle's log, or several vehicles' in one stream.
#[derive(Debug, Clone, PartialEq)]
pub struct Scenario {
    /// Geometry.
    pub frame: Frame,
    /// Chooses the build tolerances of this airframe.
    pub build_seed: u64,
    /// Chooses noise, wind and lags of this log.
    pub seed: u64,
    /// MAVLink system id.
    pub system_id: u8,
    /// `uid` of AUTOPILOT_VERSION.
    pub uid: u64,
    /// Serial number in BATTERY_INFO.
    pub pack_serial: String,
    /// Centre to motor, in metres.
    pub arm_m: f64,
    /// Torque per thrust, in metres.
    pub kappa_m: f64,
    /// Output curve u = e·o² + (1 − e)·o.
    pub expo: f64,
    /// Pulses of no and of full output, in µs.
    pub outputs_us: (f64, f64),
    /// Full thrust of one motor, in newtons.
    pub motor_thrust_n: f64,
    /// Thrust fraction in hover without payload; sets the mass.
    pub hover_fraction: f64,
    /// Motors out of true, thrust spread, CG and imbalance as real builds have them.
    pub tolerances: bool,
    /// Sorties in order.
    pub sorties: Vec<Sortie>,
    /// Faults by sortie; the last entry holds on.
    pub faults: Vec<Faults>,
    /// Shape of the flights.
    pub plan: Plan,
    /// Reboot between sorties.
    pub reboot: bool,
    /// Wind, in m/s.
    pub wind_m_s: f64,
    /// Direction the wind comes from, in degrees.
    pub wind_from_deg: f64,
    /// Standard deviation of the gusts, in m/s.
    pub gust_m_s: f64,
    /// Place of take-off in degrees: latitude, longitude.
    pub place_deg: (f64, f64),
    /// Height of the ground above the sea, in metres.
    pub ground_m: f64,
    /// UTC of the first tick, in seconds Unix.
    pub start_unix_s: f64,
    /// Boot clock at the first tick, in seconds.
    pub boot_start_s: f64,
    /// Satellite fix after so many seconds of a boot.
    pub fix_after_s: f64,
    /// The log begins so many seconds after the first lift-off.
    pub cut_start_s: Option<f64>,
    /// The log ends so many seconds before the last touchdown.
    pub cut_end_s: Option<f64>,
    /// Message rates.
    pub streams: Streams,
    /// ESC_STATUS tells the current of the ESC's supply instead of its motor's.
    pub esc_supply_current: bool,
    /// What FLIGHT_INFORMATION says, if it is sent.
    pub flight_record: FlightRecord,
    /// Protocol version.
    pub protocol: Protocol,
    /// What stands around the frames.
    pub container: Container,
    /// Share of frames lost on the link.
    pub frame_loss: f64,
    /// Fly the list of sorties again until the log has so many bytes.
    pub at_least_bytes: u64,
    /// Other vehicles in the same stream; their protocol, container and stop conditions are ignored.
    pub companions: Vec<Scenario>,
}

impl Scenario {
    /// One ordinary flight of about two and a half minutes on a full telemetry link.
    pub fn new(frame: Frame, seed: u64) -> Self {
        Self {
            frame,
            build_seed: seed,
            seed,
            system_id: 1,
            uid: 0x5EED_0000_0000_0000 | (seed & 0xFFFF_FFFF),
            pack_serial: format!("PACK-{:03}", seed % 1000),
            arm_m: 0.62,
            kappa_m: 0.021,
            expo: 0.65,
            outputs_us: (1000.0, 2000.0),
            motor_thrust_n: 60.0,
            hover_fraction: 0.45,
            tolerances: true,
            sorties: vec![Sortie::Flight],
            faults: vec![Faults::NONE],
            plan: Plan {
                height_m: 20.0,
                hover_s: 15.0,
                legs: 3,
                cruise_s: 5.0,
                cruise_m_s: 6.0,
                touchdown_m_s: 0.5,
            },
            reboot: false,
            wind_m_s: 3.0,
            wind_from_deg: 250.0,
            gust_m_s: 0.5,
            place_deg: (0.1, -20.0),
            ground_m: 2.0,
            // 2026-09-01T08:00:00Z
            start_unix_s: 1_788_249_600.0,
            boot_start_s: 1.5,
            fix_after_s: 6.0,
            cut_start_s: None,
            cut_end_s: None,
            streams: Streams::FULL,
            esc_supply_current: false,
            flight_record: FlightRecord::AsFlown,
            protocol: Protocol::V2,
            container: Container::Bare,
            frame_loss: 0.0,
            at_least_bytes: 0,
            companions: Vec::new(),
        }
    }

    /// Flies `count` ordinary flights.
    pub fn with_flights(mut self, count: usize) -> Self {
        self.sorties = vec![Sortie::Flight; count];
        self
    }

    /// Flies these sorties.
    pub fn with_sorties(mut self, sorties: &[Sortie]) -> Self {
        self.sorties = sorties.to_vec();
        self
    }

    /// The same faults in every sortie.
    pub fn with_faults(mut self, faults: Faults) -> Self {
        self.faults = vec![faults];
        self
    }

    /// These message rates.
    pub fn with_streams(mut self, streams: Streams) -> Self {
        self.streams = streams;
        self
    }

    /// FLIGHT_INFORMATION once a second, and how truthful.
    pub fn with_flight_record(mut self, record: FlightRecord) -> Self {
        self.streams.flight_information = 1.0;
        self.flight_record = record;
        self
    }

    /// This system id.
    pub fn with_system_id(mut self, system_id: u8) -> Self {
        self.system_id = system_id;
        self
    }

    /// Landed state on or off.
    pub fn with_landed_state(mut self, on: bool) -> Self {
        self.streams.extended_sys_state = if on { 2.0 } else { 0.0 };
        self
    }

    /// Mass without payload, in kg.
    pub fn mass_kg(&self) -> f64 {
        self.frame.motors() as f64 * self.hover_fraction * self.motor_thrust_n / super::GRAVITY_M_S2
    }

    /// Faults of the sortie with this number.
    pub fn faults_of(&self, sortie: usize) -> Faults {
        self.faults.get(sortie).or(self.faults.last()).cloned().unwrap_or(Faults::NONE)
    }
}
