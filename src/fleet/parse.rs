//! The meaning of the document.

use super::document::{Document, FleetError, Table, near, number};
use super::task::task;
use super::{Aircraft, Fleet, Recognise, instant_us};
use crate::airframe::frames::{motor_at, names, places};
use crate::airframe::{Airframe, Motor, Spin, ThrustCurve};
use crate::finding::{Limit, Limits};
use std::ops::Range;
use toml::de::DeTable;

/// Lowest thrust fraction a mixer lets a motor run at in flight, where the file is silent (common
/// practice, no published source).
const THRUST_MIN: f64 = 0.05;

/// Reads the whole file.
pub fn fleet(text: &str) -> Result<Fleet, Vec<FleetError>> {
    let mut doc = Document::new(text);
    let root = match DeTable::parse(text) {
        Ok(root) => root,
        Err(error) => {
            let span = error.span().unwrap_or(0..0);
            doc.wrong(&span, format!("not valid TOML: {}", error.message()));
            return Err(doc.errors);
        }
    };
    let root = root.get_ref();
    doc.keys(root, "the file", &["fleet", "aircraft", "task", "limits"]);
    let mut fleet = Fleet::default();
    if let Some((table, _)) = doc.table(root, "fleet") {
        doc.keys(table, "[fleet]", &["name", "dialects"]);
        for value in doc.array(table, "dialects").into_iter().flat_map(|array| array.iter()) {
            match value.get_ref().as_str() {
                Some("") => doc.wrong(&value.span(), "a dialect is the name of an XML file"),
                Some(file) => fleet.dialects.push(file.to_owned()),
                None => doc.mismatch("dialects", "a list of texts", value),
            }
        }
        fleet.name = doc.text(table, "name").map(|t| t.0.to_owned()).unwrap_or_default();
    }
    for (table, span) in doc.tables(root, "aircraft") {
        if let Some(aircraft) = aircraft(&mut doc, table, &span) {
            if fleet.aircraft.iter().any(|a| a.name == aircraft.name) {
                doc.wrong(&span, format!("a second aircraft is named {}", aircraft.name));
            }
            fleet.aircraft.push(aircraft);
        }
    }
    for (table, span) in doc.tables(root, "task") {
        described(&mut doc, table, &fleet.aircraft);
        if let Some(task) = task(&mut doc, table, &span) {
            if fleet.tasks.iter().any(|t| t.name == task.name) {
                doc.wrong(&span, format!("a second task is named {}", task.name));
            }
            fleet.tasks.push(task);
        }
    }
    if let Some((table, _)) = doc.table(root, "limits") {
        fleet.limits = limits(&mut doc, table);
    }
    doc.errors.sort_by_key(|e| (e.line, e.column));
    if doc.errors.is_empty() { Ok(fleet) } else { Err(doc.errors) }
}

/// Notes every aircraft of a task that the file does not describe: the task would never fall due on it.
fn described(doc: &mut Document<'_>, task: Table<'_>, aircraft: &[Aircraft]) {
    let names: Vec<&str> = aircraft.iter().map(|a| a.name.as_str()).collect();
    let values = task.get("aircraft").and_then(|value| value.get_ref().as_array());
    for value in values.into_iter().flat_map(|array| array.iter()) {
        let Some(name) = value.get_ref().as_str().filter(|name| !names.contains(name)) else { continue };
        let what = match names.as_slice() {
            [] => "the file describes no aircraft".to_owned(),
            _ => near(name, &names),
        };
        doc.wrong(&value.span(), format!("no [[aircraft]] is named {name}; {what}"));
    }
}

const AIRCRAFT_KEYS: [&str; 10] = [
    "name",
    "recognise",
    "frame",
    "arm_length_m",
    "torque_per_thrust_m",
    "outputs_us",
    "thrust_curve",
    "thrust_min",
    "baseline_from",
    "motor",
];

fn aircraft(doc: &mut Document<'_>, table: Table<'_>, span: &Range<usize>) -> Option<Aircraft> {
    doc.keys(table, "[[aircraft]]", &AIRCRAFT_KEYS);
    let Some((name, name_span)) = doc.text(table, "name") else {
        if !table.contains_key("name") {
            doc.wrong(span, "this aircraft has no name; add name = \"…\"");
        }
        return None;
    };
    let fit = |c: char| c.is_alphanumeric() || matches!(c, '-' | '_' | ' ' | '.');
    if name.is_empty() || name.starts_with('.') || !name.chars().all(fit) {
        doc.wrong(
            &name_span,
            "an aircraft's name is also a folder's: letters, digits, - _ . and spaces only",
        );
    }
    let recognise = doc.table(table, "recognise").map(|(t, _)| recognise(doc, t)).unwrap_or_default();
    let airframe = airframe(doc, table, span);
    let baseline_from_us = doc.text(table, "baseline_from").and_then(|(text, at)| {
        let instant = instant_us(text);
        if instant.is_none() {
            doc.wrong(&at, "baseline_from must be a UTC date like \"2026-09-14\" or an instant like \"2026-09-14T08:30:00Z\"");
        }
        instant
    });
    Some(Aircraft { name: name.to_owned(), recognise, airframe, baseline_from_us })
}

fn recognise(doc: &mut Document<'_>, table: Table<'_>) -> Recognise {
    doc.keys(table, "recognise", &["autopilot_uid", "system_id", "paths"]);
    let autopilot_uid = doc.text(table, "autopilot_uid").and_then(|(text, span)| {
        let digits = text.strip_prefix("0x").or_else(|| text.strip_prefix("0X"));
        match digits {
            Some(digits) if !digits.is_empty() && digits.chars().all(|c| c.is_ascii_hexdigit()) => {
                Some(format!("0x{}", digits.to_ascii_lowercase().trim_start_matches('0')))
            }
            _ => {
                doc.wrong(&span, "autopilot_uid must be hexadecimal and begin with 0x");
                None
            }
        }
    });
    let system_id = doc.whole(table, "system_id", 1..u32::MAX);
    let mut paths = Vec::new();
    for value in doc.array(table, "paths").into_iter().flat_map(|a| a.iter()) {
        match value.get_ref().as_str() {
            Some(text) => paths.push(text.to_owned()),
            None => doc.mismatch("paths", "a list of texts", value),
        }
    }
    Recognise { autopilot_uid, system_id, paths }
}

fn airframe(doc: &mut Document<'_>, table: Table<'_>, span: &Range<usize>) -> Option<Airframe> {
    let frame = doc.text(table, "frame");
    let known = frame.as_ref().and_then(|(name, _)| places(name));
    let arm_m = doc.number(table, "arm_length_m", 0.05..5.0);
    let kappa_m = doc.number(table, "torque_per_thrust_m", 0.0005..0.5);
    let outputs = doc.table(table, "outputs_us");
    let (mut low_us, mut high_us) = (1000.0, 2000.0);
    if let Some((outputs, at)) = outputs {
        doc.keys(outputs, "outputs_us", &["min", "max"]);
        low_us = doc.number(outputs, "min", 0.0..5000.0).unwrap_or(low_us);
        high_us = doc.number(outputs, "max", 0.0..5000.0).unwrap_or(high_us);
        if low_us >= high_us {
            doc.wrong(&at, format!("outputs_us: min = {low_us} must be below max = {high_us}"));
        }
    }
    let thrust_curve = thrust_curve(doc, table);
    let thrust_min = doc.number(table, "thrust_min", 0.0..0.9).unwrap_or(THRUST_MIN);
    let tables = doc.tables(table, "motor");
    if let (Some((name, at)), None, true) = (&frame, &known, tables.is_empty()) {
        let all: Vec<&str> = names().collect();
        doc.wrong(
            at,
            format!(
                "unknown frame {name}; one of {}, or give every motor its bearing_deg and spin",
                all.join(", ")
            ),
        );
    }
    if tables.is_empty() {
        return None;
    }
    let mut motors: Vec<(f64, Motor)> = Vec::new();
    for (motor_table, at) in &tables {
        if let Some(motor) = motor(doc, motor_table, at, known.as_deref(), arm_m) {
            for (_, other) in &motors {
                let clash = if other.position == motor.1.position {
                    Some(format!("position {}", other.position))
                } else if other.output == motor.1.output {
                    Some(format!("output {}", other.output))
                } else if other.esc.is_some() && other.esc == motor.1.esc {
                    Some(format!("esc {}", other.esc.unwrap_or_default()))
                } else {
                    None
                };
                if let Some(what) = clash {
                    doc.wrong(at, format!("{what} is given to two motors of this aircraft"));
                }
            }
            motors.push(motor);
        }
    }
    if tables.len() < 3 {
        doc.wrong(span, "a multirotor has at least three motors");
    }
    if let (Some(known), Some((name, at))) = (&known, &frame)
        && known.len() != tables.len()
    {
        doc.wrong(at, format!("a {name} has {} motors, {} are given", known.len(), tables.len()));
    }
    let Some(torque_per_thrust_m) = kappa_m else {
        if !table.contains_key("torque_per_thrust_m") {
            doc.wrong(
                span,
                "motors need torque_per_thrust_m: the propeller's torque over its thrust, in metres",
            );
        }
        return None;
    };
    motors.sort_by(|a, b| a.0.total_cmp(&b.0));
    Some(Airframe {
        frame: frame.map_or_else(|| "own".to_owned(), |f| f.0.to_owned()),
        motors: motors.into_iter().map(|m| m.1).collect(),
        torque_per_thrust_m,
        output_min_us: low_us,
        output_max_us: high_us,
        thrust_min,
        thrust_curve,
    })
}

fn motor(
    doc: &mut Document<'_>,
    table: Table<'_>,
    span: &Range<usize>,
    known: Option<&[(f64, &'static str, Spin)]>,
    arm_m: Option<f64>,
) -> Option<(f64, Motor)> {
    let keys = ["position", "bearing_deg", "arm_length_m", "spin", "output", "esc"];
    doc.keys(table, "[[aircraft.motor]]", &keys);
    let Some((position, at)) = doc.text(table, "position") else {
        doc.wrong(span, "this motor has no position; name its place, for example \"front-right\"");
        return None;
    };
    let place = known.and_then(|k| k.iter().find(|p| p.1 == position));
    if let (Some(known), None) = (known, place)
        && !table.contains_key("bearing_deg")
    {
        let all: Vec<&str> = known.iter().map(|p| p.1).collect();
        doc.wrong(&at, format!("unknown position {position} in this frame; one of {}", all.join(", ")));
        return None;
    }
    let bearing = doc.number(table, "bearing_deg", -360.0..360.0).or(place.map(|p| p.0));
    let spin = match doc.text(table, "spin") {
        Some(("ccw", _)) => Some(Spin::Ccw),
        Some(("cw", _)) => Some(Spin::Cw),
        Some((word, at)) => {
            doc.wrong(&at, format!("spin = \"{word}\" must be \"ccw\" or \"cw\", as seen from above"));
            return None;
        }
        None => place.map(|p| p.2),
    };
    let arm = doc.number(table, "arm_length_m", 0.05..5.0).or(arm_m);
    let output = doc.whole(table, "output", 1..16);
    let esc = doc.whole(table, "esc", 0..31).and_then(|e| u8::try_from(e).ok());
    for (missing, key) in [
        (bearing.is_none() && !table.contains_key("bearing_deg"), "bearing_deg"),
        (spin.is_none(), "spin"),
        (arm.is_none() && !table.contains_key("arm_length_m"), "arm_length_m (here or for the aircraft)"),
        (output.is_none() && !table.contains_key("output"), "output, the SERVO_OUTPUT channel from 1"),
    ] {
        if missing {
            doc.wrong(span, format!("motor {position} needs {key}"));
        }
    }
    let (bearing, spin, arm) = (bearing?, spin?, arm?);
    let output = u8::try_from(output?).ok()?;
    Some((bearing.rem_euclid(360.0), Motor { esc, ..motor_at(position, bearing, arm, spin, output) }))
}

fn thrust_curve(doc: &mut Document<'_>, table: Table<'_>) -> ThrustCurve {
    let Some(value) = table.get("thrust_curve") else { return ThrustCurve::Linear };
    if let Some(word) = value.get_ref().as_str() {
        if word != "linear" {
            doc.wrong(
                &value.span(),
                "thrust_curve must be \"linear\", { expo = … } or { table = [[output, thrust], …] }",
            );
        }
        return ThrustCurve::Linear;
    }
    let Some((curve, at)) = doc.table(table, "thrust_curve") else { return ThrustCurve::Linear };
    doc.keys(curve, "thrust_curve", &["expo", "table"]);
    if let Some(expo) = doc.number(curve, "expo", 0.0..1.0) {
        return ThrustCurve::Expo(expo);
    }
    let mut points: Vec<(f64, f64)> = Vec::new();
    for value in doc.array(curve, "table").into_iter().flat_map(|a| a.iter()) {
        let pair: Vec<f64> = value
            .get_ref()
            .as_array()
            .into_iter()
            .flat_map(|a| a.iter())
            .filter_map(|v| number(v.get_ref()))
            .collect();
        match pair.as_slice() {
            [output, thrust] => points.push((*output, *thrust)),
            _ => doc.mismatch("thrust_curve.table", "a list of pairs [output, thrust]", value),
        }
    }
    let rising = points.windows(2).all(|w| w[0].0 < w[1].0 && w[0].1 <= w[1].1);
    let whole = points.first() == Some(&(0.0, 0.0)) && points.last() == Some(&(1.0, 1.0));
    if !(rising && whole) {
        doc.wrong(&at, "a thrust table rises from [0, 0] to [1, 1]");
        return ThrustCurve::Linear;
    }
    ThrustCurve::Table(points)
}

fn limits(doc: &mut Document<'_>, table: Table<'_>) -> Limits {
    // A limit outside what it measures can have is never passed, or always.
    const FRACTION: Range<f64> = 0.0..1.0;
    const RATIO: Range<f64> = 1.0..1e9;
    const COUNT: Range<f64> = 0.0..1e9;
    let mut limits = Limits::default();
    let mut all: [(&str, &mut Limit, Range<f64>); 8] = [
        ("motor_output_deviation", &mut limits.motor_output_deviation, FRACTION),
        ("motor_thrust_loss", &mut limits.motor_thrust_loss, FRACTION),
        ("motor_torque_ratio", &mut limits.motor_torque_ratio, RATIO),
        ("yaw_margin", &mut limits.yaw_margin, FRACTION),
        ("yaw_bias", &mut limits.yaw_bias, FRACTION),
        ("yaw_bias_change", &mut limits.yaw_bias_change, FRACTION),
        ("vibration_rise", &mut limits.vibration_rise, RATIO),
        ("clipping", &mut limits.clipping, COUNT),
    ];
    let names: Vec<&str> = all.iter().map(|l| l.0).collect();
    doc.keys(table, "[limits]", &names);
    for (name, limit, range) in &mut all {
        let Some((steps, at)) = doc.table(table, name) else { continue };
        doc.keys(steps, name, &["advisory", "caution", "warning"]);
        let mut step = |key| doc.number(steps, key, range.clone());
        let new = Limit {
            advisory: step("advisory"),
            caution: step("caution"),
            warning: step("warning"),
            ..**limit
        };
        let given: Vec<f64> = [new.advisory, new.caution, new.warning].into_iter().flatten().collect();
        if given.windows(2).any(|w| if new.below { w[0] < w[1] } else { w[0] > w[1] }) {
            let order = if new.below { "fall" } else { "rise" };
            doc.wrong(&at, format!("{name}: the limits must {order} from advisory to warning"));
        }
        **limit = new;
    }
    limits
}
