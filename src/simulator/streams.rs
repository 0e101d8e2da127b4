//! Which messages are sent how often, in which protocol, in what container.

/// Messages a second; 0 switches a message off.
#[derive(Debug, Clone, Copy, PartialEq)]
#[allow(missing_docs)] // the names are those of the messages
pub struct Streams {
    pub heartbeat: f64,
    pub extended_sys_state: f64,
    pub flight_information: f64,
    pub system_time: f64,
    pub attitude: f64,
    pub global_position_int: f64,
    pub local_position_ned: f64,
    pub servo_output_raw: f64,
    pub vfr_hud: f64,
    pub gps_raw_int: f64,
    pub vibration: f64,
    pub esc_status: f64,
    pub esc_info: f64,
    pub battery_status: f64,
    pub sys_status: f64,
    pub highres_imu: f64,
    pub radio_status: f64,
    pub ground_station: f64,
    /// STATUSTEXT at arming, take-off, landing and disarming.
    pub statustext: bool,
    /// AUTOPILOT_VERSION and BATTERY_INFO, once a boot.
    pub identity: bool,
}

impl Streams {
    /// A well equipped telemetry link, without FLIGHT_INFORMATION and HIGHRES_IMU.
    pub const FULL: Streams = Streams {
        heartbeat: 1.0,
        extended_sys_state: 2.0,
        flight_information: 0.0,
        system_time: 1.0,
        attitude: 10.0,
        global_position_int: 5.0,
        local_position_ned: 5.0,
        servo_output_raw: 5.0,
        vfr_hud: 4.0,
        gps_raw_int: 2.0,
        vibration: 2.0,
        esc_status: 5.0,
        esc_info: 1.0,
        battery_status: 1.0,
        sys_status: 1.0,
        highres_imu: 0.0,
        radio_status: 1.0,
        ground_station: 1.0,
        statustext: true,
        identity: true,
    };

    /// Nothing at all; a base for a choice of one's own.
    pub const NONE: Streams = Streams {
        heartbeat: 0.0,
        extended_sys_state: 0.0,
        flight_information: 0.0,
        system_time: 0.0,
        attitude: 0.0,
        global_position_int: 0.0,
        local_position_ned: 0.0,
        servo_output_raw: 0.0,
        vfr_hud: 0.0,
        gps_raw_int: 0.0,
        vibration: 0.0,
        esc_status: 0.0,
        esc_info: 0.0,
        battery_status: 0.0,
        sys_status: 0.0,
        highres_imu: 0.0,
        radio_status: 0.0,
        ground_station: 0.0,
        statustext: false,
        identity: false,
    };

    /// What many recordings hold and no more: HEARTBEAT, SERVO_OUTPUT_RAW, VFR_HUD, GLOBAL_POSITION_INT.
    pub const MINIMAL: Streams = Streams {
        heartbeat: 1.0,
        servo_output_raw: 2.0,
        vfr_hud: 4.0,
        global_position_int: 4.0,
        ..Streams::NONE
    };
}

/// Protocol version of every frame.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Protocol {
    /// MAVLink 1: messages with an id above 255 cannot be sent and are left out.
    V1,
    /// MAVLink 2.
    V2,
}

/// What stands around the frames.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Container {
    /// Frames only.
    Bare,
    /// 8 bytes before each frame: capture time, µs Unix, big endian.
    Timestamped,
}

/// How truthful the autopilot's own record of its flights (FLIGHT_INFORMATION) is.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum FlightRecord {
    /// Takeoff and landing as the landing detector saw them.
    AsFlown,
    /// As flown, from a sender that does not know the extension field `landing_time`.
    WithoutLanding,
    /// All times stay zero.
    Empty,
    /// Times since 1970, as the published field names wrongly suggest.
    InUtc,
    /// Takeoff and landing later by so many seconds than they were.
    LateBy(f64),
}
