//! The typed series that segmentation and measures read: one struct a message, SI units, sentinels
//! removed ("unknown" is `None` or NaN, never a magic number), each sample with the interval of boot
//! time in which it was sent.
//!
//! - [`collect`]: frames to samples
//! - [`series`]: a bounded, time-ordered series of samples
//! - [`sample`]: the sample types, one a message that a method reads
//! - [`hole`]: times without any message

pub mod collect;
pub mod hole;
pub mod sample;
pub mod series;

pub use sample::{
    Altitude, Attitude, Draw, EscReading, FlightInformation, GlobalPosition, Heartbeat, Hud, Imu, ImuSource,
    Landed, LocalPosition, ServoOutputs, Vibration,
};
pub use series::{Lane, Sample, Series};

/// Everything that one vehicle said between one boot and the next, as far as a method reads it.
///
/// All times are milliseconds since that boot, unwrapped past 2³² ms.
#[derive(Debug, Clone, Default)]
pub struct Signals {
    /// HEARTBEAT of the autopilot component.
    pub heartbeats: Series<Heartbeat>,
    /// EXTENDED_SYS_STATE.
    pub landed: Series<Landed>,
    /// FLIGHT_INFORMATION.
    pub flight_information: Series<FlightInformation>,
    /// SERVO_OUTPUT_RAW, main bank.
    pub outputs: Series<ServoOutputs>,
    /// ATTITUDE.
    pub attitude: Series<Attitude>,
    /// GLOBAL_POSITION_INT.
    pub global_position: Series<GlobalPosition>,
    /// LOCAL_POSITION_NED.
    pub local_position: Series<LocalPosition>,
    /// VFR_HUD.
    pub hud: Series<Hud>,
    /// ALTITUDE.
    pub altitude: Series<Altitude>,
    /// HIGHRES_IMU, SCALED_IMU, SCALED_IMU2, SCALED_IMU3.
    pub imu: Series<Imu>,
    /// VIBRATION.
    pub vibration: Series<Vibration>,
    /// ESC_STATUS and ESC_TELEMETRY_*, one sample an ESC.
    pub esc: Series<EscReading>,
    /// BATTERY_STATUS of batteries that may turn propellers.
    pub draw: Series<Draw>,
    /// Times without any message, in order: (last instant before, first instant behind). Nothing is known of them,
    /// so no method interpolates across one.
    pub holes: Vec<(i64, i64)>,
}

/// Calls a method of every series.
macro_rules! every {
    ($signals:ident.$method:ident($($argument:expr)?)) => {{
        $signals.heartbeats.$method($($argument)?);
        $signals.landed.$method($($argument)?);
        $signals.flight_information.$method($($argument)?);
        $signals.outputs.$method($($argument)?);
        $signals.attitude.$method($($argument)?);
        $signals.global_position.$method($($argument)?);
        $signals.local_position.$method($($argument)?);
        $signals.hud.$method($($argument)?);
        $signals.altitude.$method($($argument)?);
        $signals.imu.$method($($argument)?);
        $signals.vibration.$method($($argument)?);
        $signals.esc.$method($($argument)?);
        $signals.draw.$method($($argument)?);
    }};
}

/// Most holes kept one by one; beyond, the two nearest become one.
const HOLES_KEPT: usize = 1_024;

impl Signals {
    /// Notes a hole behind all before it.
    pub fn add_hole(&mut self, from_ms: i64, to_ms: i64) {
        self.holes.push((from_ms, to_ms));
        if self.holes.len() > HOLES_KEPT {
            let apart = |pair: &[(i64, i64)]| pair.get(1).zip(pair.first()).map_or(0, |(b, a)| b.0 - a.1);
            let nearest = self.holes.windows(2).enumerate().min_by_key(|(_, pair)| apart(pair));
            if let Some(index) = nearest.map(|(index, _)| index) {
                let behind = self.holes.remove(index + 1);
                if let Some(hole) = self.holes.get_mut(index) {
                    hole.1 = behind.1;
                }
            }
        }
    }

    /// True if a hole lies between two instants, in whole or in part.
    pub fn hole_within(&self, from_ms: i64, to_ms: i64) -> bool {
        !hole::within(&self.holes, from_ms, to_ms).is_empty()
    }

    /// The flight between two instants less `margin_ms` at either end. Where one of them lies in a hole, the flight
    /// that is known of begins behind it or ends before it, and the margin is counted from there.
    pub fn settled(&self, start_ms: i64, end_ms: i64, margin_ms: i64) -> (i64, i64) {
        let at = |ms: i64| hole::within(&self.holes, ms, ms.saturating_add(1)).first();
        let start_ms = at(start_ms).map_or(start_ms, |hole| hole.1);
        let end_ms = at(end_ms).map_or(end_ms, |hole| hole.0);
        (start_ms.saturating_add(margin_ms), end_ms.saturating_sub(margin_ms))
    }

    /// Gives every sample still waiting for its upper time bound `latest_ms`.
    pub fn resolve(&mut self, latest_ms: i64) {
        every!(self.resolve(latest_ms));
    }

    /// Drops every sample still waiting for its upper time bound: it is not known when it was sent.
    pub fn forget_waiting(&mut self) {
        every!(self.forget_waiting());
    }

    /// Drops those of them that may have been sent after a reboot, and gives the others `latest_ms`.
    pub fn forget_doubted(&mut self, latest_ms: i64) {
        every!(self.forget_doubted(latest_ms));
    }

    /// Puts late arrivals in order; call once after the last sample.
    pub fn finish(&mut self) {
        every!(self.finish());
    }
}
