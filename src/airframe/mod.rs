//! Geometry, spin and outputs of a multirotor. Body axes front-right-down; bearings clockwise from the
//! nose; positive yaw turns the nose to the right.
//!
//! - [`frames`]: named geometries
//! - [`allocation`]: outputs to moments and back, thrust curve

pub mod allocation;
pub mod frames;

pub use allocation::Allocation;
pub use frames::named;

/// Sense of rotation of a propeller, seen from above.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Spin {
    /// Counter-clockwise: its drag pushes the airframe clockwise, nose to the right.
    Ccw,
    /// Clockwise.
    Cw,
}

impl Spin {
    /// Sign of the yaw moment on the airframe: +1 for `Ccw`, −1 for `Cw`.
    pub fn sign(self) -> f64 {
        match self {
            Spin::Ccw => 1.0,
            Spin::Cw => -1.0,
        }
    }
}

/// One motor and where it sits.
#[derive(Debug, Clone, PartialEq)]
pub struct Motor {
    /// Name of the place, for example `front-right`.
    pub position: String,
    /// Forward of the geometric centre, in metres.
    pub x_m: f64,
    /// Right of the geometric centre, in metres.
    pub y_m: f64,
    /// Sense of rotation.
    pub spin: Spin,
    /// SERVO_OUTPUT channel, from 1.
    pub output: u8,
    /// ESC_STATUS index, from 0; `None` if the aircraft has no ESC telemetry.
    pub esc: Option<u8>,
}

/// Normalised output → thrust fraction.
#[derive(Debug, Clone, PartialEq)]
pub enum ThrustCurve {
    /// Thrust proportional to output.
    Linear,
    /// u = e·o² + (1 − e)·o.
    Expo(f64),
    /// Bench table of (output, thrust fraction), both rising from 0 to 1; linear between points.
    Table(Vec<(f64, f64)>),
}

/// What the methods need to know of an airframe.
#[derive(Debug, Clone, PartialEq)]
pub struct Airframe {
    /// Name of the geometry, for example `hexa-x`.
    pub frame: String,
    /// The motors, clockwise from the nose.
    pub motors: Vec<Motor>,
    /// κ = k_Q / k_T in metres.
    pub torque_per_thrust_m: f64,
    /// Pulse of zero output in µs.
    pub output_min_us: f64,
    /// Pulse of full output in µs.
    pub output_max_us: f64,
    /// Lowest output the mixer lets a motor run at in flight, as thrust fraction.
    pub thrust_min: f64,
    /// Output → thrust.
    pub thrust_curve: ThrustCurve,
}
