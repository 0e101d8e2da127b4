//! All measures of one flight.

use super::esc::esc_in_hover;
use super::esc_current::current_share;
use super::hover::steady_hover;
use super::trim::Trim;
use super::vibration::vibration;
use super::yaw_margin::yaw_authority;
use super::{
    EscSummary, Explanations, HoverSummary, MeanOutputs, Measurement, VibrationSummary, YawSummary, explain,
};
use crate::airframe::Airframe;
use crate::signal::Signals;

const OUTPUT: (&str, &str, &str) = ("motor_output", "mean", "fraction");
const TORQUE: (&str, &str, &str) = ("motor_torque_index", "mean", "A/(rad/s)²");
const MARGIN: (&str, &str, &str) = ("yaw_margin", "p05", "fraction");
const BIAS: (&str, &str, &str) = ("yaw_bias", "mean", "fraction");

/// Everything measured in one flight: the long-form numbers, and the structures behind them.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct FlightMeasures {
    /// All numbers, in the form the archive keeps.
    pub measurements: Vec<Measurement>,
    /// Where the aircraft hovered steadily.
    pub hover: HoverSummary,
    /// Mean hover thrust fraction of each motor; `None` without airframe, outputs or enough hover.
    pub mean_hover_u: Option<MeanOutputs>,
    /// What the controller held against; `None` without [`FlightMeasures::mean_hover_u`].
    pub trim: Option<Trim>,
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
///
/// Without an airframe only vibration and hover time are measured, and one row says why the rest is missing.
pub fn measure_flight(
    signals: &Signals,
    airframe: Option<&Airframe>,
    start_ms: i64,
    end_ms: i64,
) -> FlightMeasures {
    let span = (start_ms, end_ms);
    let mut found = FlightMeasures {
        vibration: vibration(signals, start_ms, end_ms),
        hover: steady_hover(signals, start_ms, end_ms),
        ..FlightMeasures::default()
    };
    match &found.vibration {
        Some(vibration) => found.measurements.extend(vibration.measurements(span)),
        None => found.measurements.push(Measurement::missing(
            ("vibration_level", "p95", ""),
            "aircraft",
            match signals.hole_within(start_ms, end_ms) {
                false => "not enough data: hardly any VIBRATION, no accelerations at 25 Hz or more",
                true => "not enough data beside the holes: hardly any VIBRATION, no accelerations at 25 Hz or more",
            },
            span,
        )),
    }
    let hover_note = (!found.hover.notes.is_empty()).then(|| found.hover.notes.join("; "));
    let spans = found.hover.spans.len() as u64;
    found.measurements.push(
        Measurement::number(("hover_time_s", "sum", "s"), "aircraft", found.hover.seconds, spans, span)
            .noted(hover_note),
    );
    match airframe {
        Some(airframe) => found.measure_motors(signals, airframe, span),
        None => {
            let why = "no airframe is described for this aircraft: outputs, ESCs and yaw are not judged";
            found.measurements.push(Measurement::missing(OUTPUT, "aircraft", why, span));
        }
    }
    found
}

impl FlightMeasures {
    fn measure_motors(&mut self, signals: &Signals, airframe: &Airframe, span: (i64, i64)) {
        let hovering = self.hover.bounds().unwrap_or(span);
        match MeanOutputs::from_hover(signals, airframe, &self.hover) {
            Ok(outputs) => {
                self.measurements.extend(outputs.measurements(hovering));
                self.explanations = explain(airframe, &outputs.mean);
                self.mean_hover_u = Some(outputs);
                self.trim = Trim::from_flight(signals, airframe, &self.hover, span);
                if let Some(trim) = &self.trim {
                    self.measurements.extend(trim.measurements(hovering, span));
                }
            }
            Err(why) => {
                self.measurements.push(Measurement::missing(BIAS, "aircraft", why.clone(), span));
                self.measurements.push(Measurement::missing(OUTPUT, "aircraft", why, span));
            }
        }
        match esc_in_hover(signals, airframe, &self.hover) {
            Ok(escs) => {
                self.measurements.extend(escs.iter().flat_map(|esc| esc.measurements(hovering)));
                self.measurements.extend(current_share(signals, airframe, &self.hover, hovering));
                self.esc = escs;
            }
            Err(why) => self.measurements.push(Measurement::missing(TORQUE, "aircraft", why, span)),
        }
        match yaw_authority(signals, airframe, self.mean_hover_u.as_ref(), span) {
            Ok(yaw) => {
                let outputs = self.mean_hover_u.as_ref().map_or(0, |u| u.samples);
                self.measurements.extend(yaw.measurements(span, &self.hover, outputs));
                self.yaw = Some(yaw);
            }
            Err(why) => self.measurements.push(Measurement::missing(MARGIN, "aircraft", why, span)),
        }
    }
}
