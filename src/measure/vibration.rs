//! Vibration.

/// One axis of VIBRATION.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LevelSummary {
    /// Median.
    pub p50: f64,
    /// 95th percentile.
    pub p95: f64,
    /// Largest.
    pub max: f64,
}

/// Root mean square acceleration of one IMU after the high-pass.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct AccelSummary {
    /// IMU number from 0.
    pub imu: u8,
    /// Along x, y, z in m/s².
    pub rms_m_s2: [f64; 3],
    /// Samples a second.
    pub rate_hz: f64,
    /// Samples used.
    pub samples: u64,
}

/// Vibration of one flight.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct VibrationSummary {
    /// VIBRATION level along x, y, z; no declared unit; `None` without that message.
    pub level: Option<[LevelSummary; 3]>,
    /// Saturated samples added during the flight, IMU 0, 1, 2; `None` without that message.
    pub clipping: Option<[u64; 3]>,
    /// VIBRATION samples used.
    pub samples: u64,
    /// Accelerations, one entry an IMU that was logged fast enough.
    pub accel: Vec<AccelSummary>,
}
