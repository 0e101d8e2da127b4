//! What really happened in a simulated log.

/// The truth behind one log.
#[derive(Debug, Clone, Default, PartialEq, serde::Serialize)]
pub struct Truth {
    /// Flights in order of take-off, vehicle by vehicle.
    pub flights: Vec<TrueFlight>,
    /// One entry a vehicle.
    pub vehicles: Vec<TrueVehicle>,
    /// Length of the log in bytes.
    pub bytes: u64,
    /// Frames written.
    pub frames: u64,
}

/// Lift-off to touchdown, exactly.
#[derive(Debug, Clone, PartialEq, serde::Serialize)]
pub struct TrueFlight {
    /// MAVLink system id.
    pub system_id: u8,
    /// Ordinal of the boot in this log, from 0.
    pub boot: u32,
    /// Number of the sortie, from 0; two flights of a touch-and-go share one.
    pub sortie: u32,
    /// Lift-off on the boot clock, in ms; before the log begins if it was cut.
    pub takeoff_boot_ms: f64,
    /// Touchdown on the boot clock, in ms; after the log ends if it was cut.
    pub touchdown_boot_ms: f64,
    /// Lift-off in UTC, seconds Unix.
    pub takeoff_unix_s: f64,
    /// Touchdown in UTC, seconds Unix.
    pub touchdown_unix_s: f64,
    /// Lift-off and touchdown are both in the log.
    pub complete: bool,
    /// Seconds of hover in the plan.
    pub hover_s: f64,
    /// Rate of descent at touchdown, in m/s.
    pub touchdown_m_s: f64,
    /// Thrust fractions commanded in still-air hover, in motor order.
    pub hover_commands: Vec<f64>,
    /// Resistance of the pack, in ohms.
    pub battery_ohm: f64,
}

impl TrueFlight {
    /// Time in service.
    pub fn airtime_ms(&self) -> f64 {
        self.touchdown_boot_ms - self.takeoff_boot_ms
    }
}

/// One airframe as it is in its last sortie.
#[derive(Debug, Clone, PartialEq, serde::Serialize)]
pub struct TrueVehicle {
    /// MAVLink system id.
    pub system_id: u8,
    /// `uid` of AUTOPILOT_VERSION.
    pub uid: u64,
    /// Geometry.
    pub frame: super::Frame,
    /// Names of the places, in motor order; output channel = index + 1, ESC index = index.
    pub positions: Vec<String>,
    /// Thrust per command, 1 as drawn.
    pub thrust: Vec<f64>,
    /// Rotation of each boom, in degrees.
    pub boom_rotation_deg: Vec<f64>,
    /// Centre of gravity forward of the middle, in mm.
    pub cg_forward_mm: f64,
    /// Centre of gravity right of the middle, in mm.
    pub cg_right_mm: f64,
    /// Boots in this log.
    pub boots: u32,
}
