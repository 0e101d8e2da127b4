//! Numbers of one flight, one file a measure; pure functions of series and airframe.
//!
//! - [`hover`]: where in the flight the aircraft stood still
//! - [`vibration`]: VIBRATION levels, clipping counters, accelerations
//! - [`motor_output`]: mean thrust fraction of each motor in steady hover
//! - [`mod@explain`]: centre of gravity, yaw trim or a motor: what may lie behind uneven outputs
//! - [`mod@change`]: uneven outputs against the aircraft's own earlier flights
//! - [`esc`]: speed, current, temperature and torque of each motor against its siblings
//! - [`esc_current`]: whether the ESCs tell their motors' current or their supply's
//! - [`trim`]: apparent centre of gravity and steady yaw effort, with their own errors
//! - [`yaw_margin`]: how much yaw authority was left
//! - [`row`]: the long-form number, [`Measurement`]
//! - [`all`]: all of them for one flight, [`measure_flight`]

pub mod all;
pub mod change;
pub mod esc;
pub mod esc_current;
pub mod explain;
pub mod hover;
pub mod motor_output;
pub mod row;
pub mod trim;
pub mod vibration;
pub mod yaw_margin;

pub use all::{FlightMeasures, measure_flight};
pub use change::{AtMost, Change, Reading, alike, change};
pub use esc::EscSummary;
pub use esc_current::Whose;
pub use explain::{Cause, Explanation, Explanations, explain};
pub use hover::{HoverSummary, Span};
pub use motor_output::MeanOutputs;
pub use row::Measurement;
pub use trim::Trim;
pub use vibration::VibrationSummary;
pub use yaw_margin::YawSummary;
