//! State of a tick → MAVLink messages, with the units and sentinels of the published definitions.
//! Times are boot times of the sample itself; the caller chooses how old a sample is sent.

use mavlink::dialects::common::*;
use mavlink::types::CharArray;

use super::battery::{CAPACITY_AH, CELLS};
use super::outing::Landed;
use super::plant::State;
use super::random::Random;
use super::scenario::{Frame, Scenario};

const METRES_A_DEGREE: f64 = 111_195.0;

fn boot_ms(state: &State) -> u32 {
    ((state.t_s * 1e3).round() as u64 & 0xFFFF_FFFF) as u32
}

fn boot_us(state: &State) -> u64 {
    (state.t_s * 1e6).round() as u64
}

/// Text, cut or filled with zeros.
fn text<const N: usize>(words: &str) -> CharArray<N> {
    let mut bytes = [0; N];
    for (to, from) in bytes.iter_mut().zip(words.bytes()) {
        *to = from;
    }
    CharArray::new(bytes)
}

/// Latitude, longitude in 1e-7 degrees and height above the sea in mm.
fn globe(scenario: &Scenario, position: &[f64; 3]) -> (i32, i32, i32) {
    let (latitude, longitude) = scenario.place_deg;
    let north = position[0] / METRES_A_DEGREE;
    let east = position[1] / (METRES_A_DEGREE * latitude.to_radians().cos());
    let scale = |degrees: f64| (degrees * 1e7).round() as i32;
    (
        scale(latitude + north),
        scale(longitude + east),
        ((scenario.ground_m - position[2]) * 1e3).round() as i32,
    )
}

fn degrees_from_north(radians: f64) -> f64 {
    radians.to_degrees().rem_euclid(360.0)
}

fn cm_s(speed: f64) -> i16 {
    (speed * 100.0).round() as i16
}

/// HEARTBEAT of the autopilot.
pub fn heartbeat(scenario: &Scenario, state: &State) -> MavMessage {
    let mut base_mode = MavModeFlag::MAV_MODE_FLAG_STABILIZE_ENABLED
        | MavModeFlag::MAV_MODE_FLAG_AUTO_ENABLED
        | MavModeFlag::MAV_MODE_FLAG_CUSTOM_MODE_ENABLED;
    base_mode.set(MavModeFlag::MAV_MODE_FLAG_SAFETY_ARMED, state.armed);
    MavMessage::HEARTBEAT(HEARTBEAT_DATA {
        custom_mode: 4,
        mavtype: match scenario.frame {
            Frame::QuadX => MavType::MAV_TYPE_QUADROTOR,
            Frame::HexaX => MavType::MAV_TYPE_HEXAROTOR,
            Frame::OctoX => MavType::MAV_TYPE_OCTOROTOR,
        },
        autopilot: MavAutopilot::MAV_AUTOPILOT_GENERIC,
        base_mode,
        system_status: if state.armed { MavState::MAV_STATE_ACTIVE } else { MavState::MAV_STATE_STANDBY },
        mavlink_version: 3,
    })
}

/// HEARTBEAT of a ground station.
pub fn ground_heartbeat() -> MavMessage {
    MavMessage::HEARTBEAT(HEARTBEAT_DATA {
        custom_mode: 0,
        mavtype: MavType::MAV_TYPE_GCS,
        autopilot: MavAutopilot::MAV_AUTOPILOT_INVALID,
        base_mode: MavModeFlag::empty(),
        system_status: MavState::MAV_STATE_ACTIVE,
        mavlink_version: 3,
    })
}

/// EXTENDED_SYS_STATE.
pub fn extended_sys_state(state: &State) -> MavMessage {
    MavMessage::EXTENDED_SYS_STATE(EXTENDED_SYS_STATE_DATA {
        vtol_state: MavVtolState::MAV_VTOL_STATE_UNDEFINED,
        landed_state: match state.landed {
            Some(Landed::OnGround) => MavLandedState::MAV_LANDED_STATE_ON_GROUND,
            Some(Landed::TakeOff) => MavLandedState::MAV_LANDED_STATE_TAKEOFF,
            Some(Landed::InAir) => MavLandedState::MAV_LANDED_STATE_IN_AIR,
            Some(Landed::Landing) => MavLandedState::MAV_LANDED_STATE_LANDING,
            None => MavLandedState::MAV_LANDED_STATE_UNDEFINED,
        },
    })
}

/// FLIGHT_INFORMATION; times in seconds since boot, 0 for not yet.
pub fn flight_information(
    state: &State,
    arm_s: f64,
    takeoff_s: f64,
    landing_s: f64,
    uuid: u64,
) -> MavMessage {
    MavMessage::FLIGHT_INFORMATION(FLIGHT_INFORMATION_DATA {
        arming_time_utc: (arm_s * 1e6).round() as u64,
        takeoff_time_utc: (takeoff_s * 1e6).round() as u64,
        flight_uuid: uuid,
        time_boot_ms: boot_ms(state),
        landing_time: (landing_s * 1e3).round() as u32,
    })
}

/// SYSTEM_TIME; no UTC before the first fix.
pub fn system_time(state: &State, fix: bool) -> MavMessage {
    let time_unix_usec = if fix { (state.unix_s * 1e6).round() as u64 } else { 0 };
    MavMessage::SYSTEM_TIME(SYSTEM_TIME_DATA { time_unix_usec, time_boot_ms: boot_ms(state) })
}

/// ATTITUDE.
pub fn attitude(state: &State) -> MavMessage {
    let [roll, pitch, yaw] = state.estimate.attitude;
    let yaw = yaw.sin().atan2(yaw.cos());
    let [rollspeed, pitchspeed, yawspeed] = state.rates.map(|r| r as f32);
    MavMessage::ATTITUDE(ATTITUDE_DATA {
        time_boot_ms: boot_ms(state),
        roll: roll as f32,
        pitch: pitch as f32,
        yaw: yaw as f32,
        rollspeed,
        pitchspeed,
        yawspeed,
    })
}

/// GLOBAL_POSITION_INT.
pub fn global_position_int(scenario: &Scenario, state: &State) -> MavMessage {
    let (lat, lon, alt) = globe(scenario, &state.estimate.position);
    let [vx, vy, vz] = state.estimate.velocity.map(cm_s);
    MavMessage::GLOBAL_POSITION_INT(GLOBAL_POSITION_INT_DATA {
        time_boot_ms: boot_ms(state),
        lat,
        lon,
        alt,
        relative_alt: (state.estimate.above_home_m * 1e3).round() as i32,
        vx,
        vy,
        vz,
        hdg: (degrees_from_north(state.estimate.attitude[2]) * 100.0) as u16 % 36_000,
    })
}

/// LOCAL_POSITION_NED.
pub fn local_position_ned(state: &State) -> MavMessage {
    let [x, y, z] = state.estimate.position.map(|p| p as f32);
    let [vx, vy, vz] = state.estimate.velocity.map(|v| v as f32);
    MavMessage::LOCAL_POSITION_NED(LOCAL_POSITION_NED_DATA {
        time_boot_ms: boot_ms(state),
        x,
        y,
        z,
        vx,
        vy,
        vz,
    })
}

/// SERVO_OUTPUT_RAW of the main bank.
pub fn servo_output_raw(scenario: &Scenario, state: &State) -> MavMessage {
    let motors = scenario.frame.motors();
    let pulse = |i: usize| if i < motors { state.pulse_us[i] } else { 0 };
    MavMessage::SERVO_OUTPUT_RAW(SERVO_OUTPUT_RAW_DATA {
        time_usec: (boot_us(state) & 0xFFFF_FFFF) as u32,
        servo1_raw: pulse(0),
        servo2_raw: pulse(1),
        servo3_raw: pulse(2),
        servo4_raw: pulse(3),
        servo5_raw: pulse(4),
        servo6_raw: pulse(5),
        servo7_raw: pulse(6),
        servo8_raw: pulse(7),
        ..SERVO_OUTPUT_RAW_DATA::DEFAULT
    })
}

/// VFR_HUD.
pub fn vfr_hud(scenario: &Scenario, state: &State) -> MavMessage {
    let [north, east, down] = state.estimate.velocity;
    MavMessage::VFR_HUD(VFR_HUD_DATA {
        airspeed: 0.0,
        groundspeed: north.hypot(east) as f32,
        alt: (scenario.ground_m - state.estimate.position[2]) as f32,
        climb: -down as f32,
        heading: degrees_from_north(state.estimate.attitude[2]) as i16,
        throttle: (state.throttle * 100.0).round() as u16,
    })
}

/// GPS_RAW_INT.
pub fn gps_raw_int(scenario: &Scenario, state: &State, fix: bool) -> MavMessage {
    let mut data = GPS_RAW_INT_DATA {
        time_usec: boot_us(state),
        fix_type: GpsFixType::GPS_FIX_TYPE_NO_FIX,
        eph: u16::MAX,
        epv: u16::MAX,
        vel: u16::MAX,
        cog: u16::MAX,
        satellites_visible: 3,
        ..GPS_RAW_INT_DATA::DEFAULT
    };
    if fix {
        let [north, east, _] = state.estimate.gnss_velocity;
        (data.lat, data.lon, data.alt) = globe(scenario, &state.estimate.gnss_position);
        data.fix_type = GpsFixType::GPS_FIX_TYPE_3D_FIX;
        (data.eph, data.epv) = (70, 110);
        data.vel = (north.hypot(east) * 100.0).round() as u16;
        data.cog = (degrees_from_north(east.atan2(north)) * 100.0) as u16 % 36_000;
        data.satellites_visible = 15;
        (data.h_acc, data.v_acc, data.vel_acc) = (700, 1100, 150);
        data.alt_ellipsoid = data.alt + 23_000;
    }
    MavMessage::GPS_RAW_INT(data)
}

/// VIBRATION.
pub fn vibration(state: &State) -> MavMessage {
    let [vibration_x, vibration_y, vibration_z] = state.estimate.vibration.map(|v| v as f32);
    let [clipping_0, clipping_1, clipping_2] = state.estimate.clipping;
    MavMessage::VIBRATION(VIBRATION_DATA {
        time_usec: boot_us(state),
        vibration_x,
        vibration_y,
        vibration_z,
        clipping_0,
        clipping_1,
        clipping_2,
    })
}

/// ESC_STATUS of the four motors from `first` on.
pub fn esc_status(scenario: &Scenario, state: &State, first: usize, random: &mut Random) -> MavMessage {
    let mut data =
        ESC_STATUS_DATA { time_usec: boot_us(state), index: first as u8, ..ESC_STATUS_DATA::DEFAULT };
    for i in 0..4.min(scenario.frame.motors() - first) {
        let rpm = state.speed_rad_s[first + i] * 60.0 / std::f64::consts::TAU;
        data.rpm[i] = (rpm * (1.0 + random.normal(0.001))).round() as i32;
        data.voltage[i] = (state.battery.voltage_v() + random.normal(0.05)) as f32;
        data.current[i] = (state.current_a[first + i] * (1.0 + random.normal(0.015))) as f32;
    }
    MavMessage::ESC_STATUS(data)
}

/// ESC_INFO of the four motors from `first` on.
pub fn esc_info(scenario: &Scenario, state: &State, first: usize, counter: u16) -> MavMessage {
    let mut data = ESC_INFO_DATA {
        time_usec: boot_us(state),
        counter,
        index: first as u8,
        count: scenario.frame.motors() as u8,
        connection_type: EscConnectionType::ESC_CONNECTION_TYPE_CAN,
        temperature: [i16::MAX; 4],
        ..ESC_INFO_DATA::DEFAULT
    };
    for i in 0..4.min(scenario.frame.motors() - first) {
        data.temperature[i] = (state.esc_c[first + i] * 100.0).round() as i16;
        data.info |= 1 << i;
    }
    MavMessage::ESC_INFO(data)
}

/// BATTERY_STATUS of pack 0: ten cells, the other two in the extension.
pub fn battery_status(state: &State, random: &mut Random) -> MavMessage {
    let pack = &state.battery;
    let mut mv = [0u16; CELLS];
    for (to, volts) in mv.iter_mut().zip(&pack.cells_v) {
        *to = ((volts + random.normal(0.001)) * 1e3).round() as u16;
    }
    let energy_wh = pack.consumed_ah * pack.voltage_v();
    MavMessage::BATTERY_STATUS(BATTERY_STATUS_DATA {
        current_consumed: (pack.consumed_ah * 1e3).round() as i32,
        energy_consumed: (energy_wh * 36.0).round() as i32,
        temperature: (pack.temperature_c * 100.0).round() as i16,
        voltages: std::array::from_fn(|i| mv[i]),
        current_battery: ((pack.current_a + random.normal(0.2)) * 100.0).round().max(0.0) as i16,
        id: 0,
        battery_function: MavBatteryFunction::MAV_BATTERY_FUNCTION_ALL,
        mavtype: MavBatteryType::MAV_BATTERY_TYPE_LIPO,
        battery_remaining: (pack.charge * 100.0).round() as i8,
        time_remaining: 0,
        charge_state: MavBatteryChargeState::MAV_BATTERY_CHARGE_STATE_OK,
        voltages_ext: [mv[10], mv[11], 0, 0],
        mode: MavBatteryMode::DEFAULT,
        fault_bitmask: MavBatteryFault::empty(),
    })
}

/// BATTERY_INFO.
pub fn battery_info(scenario: &Scenario) -> MavMessage {
    MavMessage::BATTERY_INFO(BATTERY_INFO_DATA {
        nominal_voltage: 44.4,
        design_capacity: CAPACITY_AH as f32,
        full_charge_capacity: (CAPACITY_AH * 0.97) as f32,
        cycle_count: 42,
        battery_function: MavBatteryFunction::MAV_BATTERY_FUNCTION_ALL,
        mavtype: MavBatteryType::MAV_BATTERY_TYPE_LIPO,
        state_of_health: 97,
        cells_in_series: CELLS as u8,
        serial_number: text(&scenario.pack_serial),
        name: text("survey pack 12S"),
        ..BATTERY_INFO_DATA::DEFAULT
    })
}

/// SYS_STATUS, all sensors in good order.
pub fn sys_status(state: &State) -> MavMessage {
    let sensors = MavSysStatusSensor::MAV_SYS_STATUS_SENSOR_3D_GYRO
        | MavSysStatusSensor::MAV_SYS_STATUS_SENSOR_3D_ACCEL
        | MavSysStatusSensor::MAV_SYS_STATUS_SENSOR_3D_MAG
        | MavSysStatusSensor::MAV_SYS_STATUS_SENSOR_ABSOLUTE_PRESSURE
        | MavSysStatusSensor::MAV_SYS_STATUS_SENSOR_GPS
        | MavSysStatusSensor::MAV_SYS_STATUS_SENSOR_BATTERY;
    MavMessage::SYS_STATUS(SYS_STATUS_DATA {
        onboard_control_sensors_present: sensors,
        onboard_control_sensors_enabled: sensors,
        onboard_control_sensors_health: sensors,
        load: 430,
        voltage_battery: (state.battery.voltage_v() * 1e3).round() as u16,
        current_battery: (state.battery.current_a * 100.0).round() as i16,
        drop_rate_comm: 0,
        errors_comm: 0,
        errors_count1: 0,
        errors_count2: 0,
        errors_count3: 0,
        errors_count4: 0,
        battery_remaining: (state.battery.charge * 100.0).round() as i8,
        onboard_control_sensors_present_extended: MavSysStatusSensorExtended::empty(),
        onboard_control_sensors_enabled_extended: MavSysStatusSensorExtended::empty(),
        onboard_control_sensors_health_extended: MavSysStatusSensorExtended::empty(),
    })
}

/// HIGHRES_IMU of the first IMU.
pub fn highres_imu(state: &State) -> MavMessage {
    let [xacc, yacc, zacc] = state.estimate.accel.map(|a| a as f32);
    let [xgyro, ygyro, zgyro] = state.rates.map(|r| r as f32);
    let height = state.estimate.above_home_m;
    MavMessage::HIGHRES_IMU(HIGHRES_IMU_DATA {
        time_usec: boot_us(state),
        xacc,
        yacc,
        zacc,
        xgyro,
        ygyro,
        zgyro,
        abs_pressure: (1013.25 - 0.12 * height) as f32,
        pressure_alt: height as f32,
        temperature: 34.0,
        fields_updated: HighresImuUpdatedFlags::from_bits_truncate(0b1_1010_0011_1111),
        ..HIGHRES_IMU_DATA::DEFAULT
    })
}

/// RADIO_STATUS of the telemetry radio.
pub fn radio_status(random: &mut Random) -> MavMessage {
    let level = |base: f64, random: &mut Random| (base + random.normal(2.5)).round() as u8;
    MavMessage::RADIO_STATUS(RADIO_STATUS_DATA {
        rxerrors: 0,
        fixed: 0,
        rssi: level(185.0, random),
        remrssi: level(180.0, random),
        txbuf: 96,
        noise: level(48.0, random),
        remnoise: level(50.0, random),
    })
}

/// AUTOPILOT_VERSION.
pub fn autopilot_version(scenario: &Scenario) -> MavMessage {
    MavMessage::AUTOPILOT_VERSION(AUTOPILOT_VERSION_DATA {
        capabilities: MavProtocolCapability::MAV_PROTOCOL_CAPABILITY_MAVLINK2
            | MavProtocolCapability::MAV_PROTOCOL_CAPABILITY_MISSION_INT,
        uid: scenario.uid,
        flight_sw_version: 0x0102_03FF,
        ..AUTOPILOT_VERSION_DATA::DEFAULT
    })
}

/// STATUSTEXT of severity info.
pub fn statustext(words: &str) -> MavMessage {
    MavMessage::STATUSTEXT(STATUSTEXT_DATA {
        severity: MavSeverity::MAV_SEVERITY_INFO,
        text: text(words),
        ..STATUSTEXT_DATA::DEFAULT
    })
}
