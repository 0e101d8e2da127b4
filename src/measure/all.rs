//! All measures of one flight.

use crate::airframe::Airframe;
use crate::signal::Signals;

use super::{EscSummary, Explanations, HoverSummary, MeanOutputs, Measurement, VibrationSummary, YawSummary};

/// Everything measured in one flight: the long-form numbers, and the structures behind them.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct FlightMeasures {
    /// All numbers, in the form the archive keeps.
    pub measurements: Vec<Measurement>,
    /// Where the aircraft hovered steadily.
    pub hover: HoverSummary,
    /// Mean hover thrust fraction of each motor; `None` without airframe, outputs or enough hover.
    pub mean_hover_u: Option<MeanOutputs>,
    /// One entry a motor with ESC telemetry in steady hover.
    pub esc: Vec<EscSummary>,
    /// Yaw authority; `None` without airframe or outputs.
    pub yaw: Option<YawSummary>,
    /// What may lie behind uneven outputs; `None` without [`FlightMeasures::mean_hover_u`].
    pub explanations: Option<Explanations>,
    /// Vibration; `None` if the log has neither VIBRATION nor accelerations.
    pub vibration: Option<VibrationSummary>,
}

/// Measures the flight between two instants in milliseconds since boot.
pub fn measure_flight(
    signals: &Signals,
    airframe: Option<&Airframe>,
    start_ms: i64,
    end_ms: i64,
) -> FlightMeasures {
    let _ = (signals, airframe, start_ms, end_ms);
    FlightMeasures::default()
}
