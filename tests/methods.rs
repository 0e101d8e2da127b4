//! The methods against numbers that do not come from this code: vectors made with scipy and by published
//! formulas (each file says which). The forward models behind them are closed loop.

#![allow(clippy::unwrap_used, clippy::panic)] // a test's helpers may fail the test

use approx::assert_relative_eq;
use fettle::airframe::{Airframe, Motor, Spin, ThrustCurve, frames::motor_at, named};
use fettle::measure::esc::{FLOOR, ratios_to_others};
use fettle::measure::yaw_margin::YawReach;
use fettle::measure::{Cause, MeanOutputs, explain, measure_flight};
use fettle::signal::{GlobalPosition, Sample, ServoOutputs, Signals};
use fettle::stats::{mad, median, modified_z};
use serde_json::Value;

fn vectors(file: &str) -> Value {
    let path = format!("{}/tests/vectors/{file}.json", env!("CARGO_MANIFEST_DIR"));
    serde_json::from_str(&std::fs::read_to_string(&path).unwrap()).unwrap()
}

fn numbers(value: &Value) -> Vec<f64> {
    value.as_array().unwrap().iter().map(|v| v.as_f64().unwrap()).collect()
}

fn number(value: &Value) -> f64 {
    value.as_f64().unwrap_or_else(|| panic!("{value} is not a number"))
}

/// Motors as the vector file places them, and the named frame must agree.
fn framed(case: &Value) -> Airframe {
    let frame = case["frame"].as_str().unwrap();
    let (arm, kappa) = (number(&case["arm_m"]), number(&case["kappa_m"]));
    let airframe = named(frame, arm, kappa).unwrap();
    for ((motor, bearing), spin) in
        airframe.motors.iter().zip(numbers(&case["bearing_deg"])).zip(case["spin"].as_array().unwrap())
    {
        let spin = if spin == "ccw" { Spin::Ccw } else { Spin::Cw };
        let placed = motor_at(&motor.position, bearing, arm, spin, motor.output);
        assert_relative_eq!(motor.x_m, placed.x_m, epsilon = 1e-12);
        assert_relative_eq!(motor.y_m, placed.y_m, epsilon = 1e-12);
        assert_eq!(motor.spin, spin);
    }
    airframe
}

/// Motors given by coordinates and spin sign.
fn explicit(xy: &Value, spin: &Value, kappa: f64) -> Airframe {
    let motors = xy.as_array().unwrap().iter().zip(numbers(spin)).enumerate();
    let motors = motors.map(|(i, (xy, spin))| Motor {
        position: format!("arm-{}", i + 1),
        x_m: number(&xy[0]),
        y_m: number(&xy[1]),
        spin: if spin > 0.0 { Spin::Ccw } else { Spin::Cw },
        output: i as u8 + 1,
        esc: None,
    });
    Airframe {
        frame: "explicit".to_owned(),
        motors: motors.collect(),
        torque_per_thrust_m: kappa,
        output_min_us: 1000.0,
        output_max_us: 2000.0,
        thrust_min: 0.0,
        thrust_curve: ThrustCurve::Linear,
    }
}

#[test]
fn hover_outputs_are_explained_by_what_caused_them() {
    let cases = vectors("hover_outputs");
    let cases = cases.as_array().unwrap();
    assert_eq!(cases.len(), 12);
    for case in cases {
        let (airframe, u) = (framed(case), numbers(&case["u"]));
        let what = format!("{} {}", airframe.frame, case["case"]);
        let found = explain(&airframe, &u).unwrap();
        let first = &found.ranked[0];
        if what.contains("motor 0 gives 10 %") {
            let Cause::MotorThrust { index: 0, loss } = first.cause else { panic!("{what}: {first:?}") };
            assert_relative_eq!(loss, 0.10, epsilon = 1e-9);
            assert!(first.explains > 0.999_999, "{what}: {first:?}");
            assert!(found.indistinguishable, "{what}: one flight must not name a motor");
            assert!(found.remark.contains("front-right or") || found.remark.contains("or front-right"));
        } else if what.contains("30 mm forward") {
            assert!(matches!(first.cause, Cause::CgOffset { .. }), "{what}: {first:?}");
            assert_relative_eq!(found.cg_forward_mm, 30.0, epsilon = 1e-6);
            assert_relative_eq!(found.cg_right_mm, 0.0, epsilon = 1e-6);
            assert_relative_eq!(found.yaw_trim_fraction, 0.0, epsilon = 1e-9);
            assert!(first.explains > 0.999_999 && !found.indistinguishable, "{what}: {found:?}");
        } else if what.contains("tangential") {
            assert!(matches!(first.cause, Cause::YawTrim { .. }), "{what}: {first:?}");
            assert!(first.explains > 0.999_999 && !found.indistinguishable, "{what}: {found:?}");
            assert_relative_eq!(airframe.boom_tilt_deg(&u, 0).unwrap(), 1.0, epsilon = 1e-3);
            // Small-d form, boom unknown: within its own approximation, 1 + |d|.
            assert_relative_eq!(found.yaw_equivalent_one_boom_deg, 1.0, epsilon = 0.12);
        } else {
            // All three at once: with motor 1 known to give 7 % less, the rest reads true.
            let mut thrust = u.clone();
            thrust[1] *= 0.93;
            let rest = explain(&airframe, &thrust).unwrap();
            assert_relative_eq!(rest.cg_forward_mm, 20.0, epsilon = 0.01);
            assert_relative_eq!(rest.cg_right_mm, 10.0, epsilon = 0.01);
            assert_relative_eq!(airframe.boom_tilt_deg(&thrust, 0).unwrap(), 1.0, epsilon = 1e-3);
            assert!(found.indistinguishable, "{what}: {found:?}");
        }
    }
}

#[test]
fn decompositions_agree_with_numpy() {
    let vectors = vectors("motors");
    for case in vectors["decomposition"].as_array().unwrap() {
        let airframe = explicit(&case["xy"], &case["spin"], number(&case["kappa"]));
        let thrust = numbers(&case["T_N"]);
        let (x, y) = airframe.centre_of_thrust_m(&thrust);
        assert_relative_eq!(x, number(&case["cg_x_m"]), epsilon = 1e-9);
        assert_relative_eq!(y, number(&case["cg_y_m"]), epsilon = 1e-9);
        assert_relative_eq!(airframe.yaw_trim(&thrust), number(&case["yaw_index"]), epsilon = 1e-9);
        let allocation = airframe.allocation().unwrap();
        let fit = allocation.outputs(allocation.wrench(&thrust));
        for (got, want) in fit.iter().zip(numbers(&case["row_space_fit"])) {
            assert_relative_eq!(*got, want, epsilon = 1e-6);
        }
    }
    for case in vectors["closed_loop_weak_motor"].as_array().unwrap() {
        let airframe = explicit(&case["xy"], &case["spin"], number(&case["kappa"]));
        let commanded = numbers(&case["cmd_N"]);
        let found = explain(&airframe, &commanded).unwrap();
        let Cause::MotorThrust { index, loss } = found.ranked[0].cause else { panic!("{found:?}") };
        assert_eq!(index as u64, case["weak_motor"].as_u64().unwrap());
        assert_relative_eq!(1.0 - loss, number(&case["effectiveness"]), epsilon = 1e-6);
        let apparent = numbers(&case["apparent_cg_m"]);
        assert_relative_eq!(found.cg_forward_mm, 1000.0 * apparent[0], epsilon = 1e-6);
        assert_relative_eq!(found.cg_right_mm, 1000.0 * apparent[1], epsilon = 1e-6);
    }
}

#[test]
fn modified_z_as_published() {
    for case in vectors("motors")["modified_z"].as_array().unwrap() {
        let x = numbers(&case["x"]);
        assert_relative_eq!(median(&x).unwrap(), number(&case["median"]), epsilon = 1e-9);
        assert_relative_eq!(mad(&x).unwrap(), number(&case["mad"]), epsilon = 1e-9);
        for (got, want) in modified_z(&x, 0.0).unwrap().iter().zip(numbers(&case["modified_z"])) {
            // The vectors use 0.6745, this code the full Φ⁻¹(0.75).
            assert_relative_eq!(*got, want, max_relative = 3e-5);
        }
    }
}

#[test]
fn boom_tilt_has_the_vectors_sign_and_size() {
    let vectors = vectors("boom_tilt");
    let airframe = named("quad-x", number(&vectors["arm_m"]), number(&vectors["kappa_m"])).unwrap();
    for case in vectors["cases"].as_array().unwrap() {
        let thrust = numbers(&case["hover_thrust_N"]);
        let d = airframe.yaw_trim(&thrust);
        assert_relative_eq!(d, number(&case["yaw_index_d"]), epsilon = 1e-9);
        let booms = if case["which"] == "one boom" { 1.0 } else { 4.0 };
        let want = booms * number(&case["estimated_tilt_deg"]);
        assert_relative_eq!(airframe.one_boom_tilt_deg(d), want, epsilon = 1e-6);
        if booms == 1.0 {
            let want = number(&case["estimated_tilt_using_that_motor_thrust_deg"]);
            assert_relative_eq!(airframe.boom_tilt_deg(&thrust, 0).unwrap(), want, epsilon = 1e-6);
        }
    }
}

/// Oracle: scipy `linprog` for the attainable yaw.
#[test]
fn yaw_margins_agree_with_linear_programming() {
    let cases = vectors("yaw_margin");
    for case in cases.as_array().unwrap() {
        let (airframe, u) = (framed(case), numbers(&case["u"]));
        let reach = YawReach::new(&airframe, number(&case["u_min"]), number(&case["u_max"])).unwrap();
        let (ray, attainable) = (reach.ray(&u), reach.attainable(&u));
        let (margin, _) = reach.margins(&u);
        for (side, sign) in ["pos", "neg"].into_iter().enumerate() {
            let want = |name: &str| number(&case[format!("{name}_{sign}")]);
            assert_relative_eq!(ray[side], want("ray"), epsilon = 1e-9);
            assert_relative_eq!(attainable[side], want("lp"), epsilon = 1e-9);
            assert_relative_eq!(margin[side], want("margin"), epsilon = 1e-9);
            assert!(attainable[side] >= ray[side] - 1e-12);
        }
    }
}

/// Oracle: scipy HiGHS; ten airframes, among them an asymmetric quad. The coaxial one has motors of unequal
/// full thrust, which an [`Airframe`] cannot say.
#[test]
fn attainable_yaw_on_odd_airframes() {
    let vectors = vectors("yaw_margin_lp");
    let equal = |case: &&Value| case["Tmax_N"].is_number();
    let cases: Vec<&Value> = vectors["cases"].as_array().unwrap().iter().filter(equal).collect();
    assert_eq!(cases.len(), 10);
    for case in cases {
        let airframe = explicit(&case["xy_m"], &case["spin"], number(&case["kappa_m"]));
        let (u, full) = (numbers(&case["u"]), number(&case["Tmax_N"]));
        let (lower, upper) = (number(&case["umin"][0]), number(&case["umax"][0]));
        let reach = YawReach::new(&airframe, lower, upper).unwrap();
        for (side, key) in ["yaw_pos", "yaw_neg"].into_iter().enumerate() {
            assert_relative_eq!(full * reach.ray(&u)[side], number(&case[key]["ray"]), epsilon = 1e-6);
            assert_relative_eq!(full * reach.attainable(&u)[side], number(&case[key]["lp"]), epsilon = 1e-6);
        }
    }
}

#[test]
fn siblings_are_compared_as_the_vectors_do() {
    let case = vectors("esc");
    let q = numbers(&case["q"]);
    for (got, want) in ratios_to_others(&q).iter().zip(numbers(&case["ratio_to_median_of_others"])) {
        assert_relative_eq!(*got, want, epsilon = 1e-9);
    }
    let floor = FLOOR * median(&q).unwrap();
    for (got, want) in modified_z(&q, floor).unwrap().iter().zip(numbers(&case["modified_z_floor_2pct"])) {
        assert_relative_eq!(*got, want, max_relative = 1e-4);
    }
}

/// The vectors give the share of healthy aircraft (spread 1.5 %) with an alarm, and the power for +15 %.
#[test]
fn the_floor_keeps_false_alarms_rare_and_real_ones_seen() {
    let vectors = vectors("sibling_floor");
    let spread = number(&vectors["healthy_sd"]);
    let mut state = 1u64;
    let mut uniform = move || {
        state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        ((state >> 11) as f64 + 0.5) / (1u64 << 53) as f64
    };
    let mut normal = move || (-2.0 * uniform().ln()).sqrt() * (std::f64::consts::TAU * uniform()).cos();
    const TRIALS: usize = 20_000;
    for row in vectors["rows"].as_array().unwrap() {
        let n = row["N"].as_u64().unwrap() as usize;
        let (mut raw, mut floored, mut seen) = (0usize, 0usize, 0usize);
        for _ in 0..TRIALS {
            let mut q: Vec<f64> = (0..n).map(|_| 1.0 + spread * normal()).collect();
            let alarm = |z: Option<Vec<f64>>| z.is_some_and(|z| z.iter().any(|z| z.abs() > 3.5));
            raw += usize::from(alarm(modified_z(&q, 0.0)));
            floored += usize::from(alarm(modified_z(&q, FLOOR * median(&q).unwrap())));
            q[0] *= 1.15;
            let z = modified_z(&q, FLOOR * median(&q).unwrap()).unwrap();
            seen += usize::from(z[0] > 3.5);
        }
        let share = |count: usize| count as f64 / TRIALS as f64;
        assert!((share(raw) - number(&row["raw"])).abs() < 0.012, "{n}: raw {}", share(raw));
        assert!(share(floored) < number(&row["floor2pct"]) + 5e-4, "{n}: floor {}", share(floored));
        let power = number(&row["power_15pct_floor"]);
        assert!((share(seen) - power).abs() < 0.012, "{n}: power {} of {power}", share(seen));
    }
}

/// Hover of a hexa whose front-right motor gives 10 % less thrust, at `hz`, for `seconds`, pulses as sent.
fn hovering(u: &[f64], hz: i64, seconds: i64) -> Signals {
    let mut raw = [0u16; 16];
    raw.iter_mut().zip(u).for_each(|(pulse, u)| *pulse = (1000.0 + 1000.0 * u).round() as u16);
    let still = GlobalPosition {
        lat_deg: 0.0,
        lon_deg: 0.0,
        relative_alt_m: 10.0,
        alt_m: 10.0,
        vn_m_s: 0.1,
        ve_m_s: 0.0,
        vd_m_s: 0.0,
    };
    Signals {
        outputs: (0..seconds * hz).map(|i| Sample::at(i * 1000 / hz, ServoOutputs::from_raw(raw))).collect(),
        global_position: (0..=seconds).map(|i| Sample::at(i * 1000, still)).collect(),
        ..Signals::default()
    }
}

#[test]
fn a_slow_log_of_one_flight_is_measured_and_its_means_come_back_from_the_rows() {
    let cases = vectors("hover_outputs");
    let case = &cases[4];
    let (airframe, u) = (framed(case), numbers(&case["u"]));
    let found = measure_flight(&hovering(&u, 2, 60), Some(&airframe), 0, 60_000);
    assert_eq!(found.hover.seconds, 56.0);
    let mean = found.mean_hover_u.clone().unwrap();
    for (got, want) in mean.mean.iter().zip(&u) {
        assert_relative_eq!(*got, *want, epsilon = 5.1e-4); // whole microseconds
    }
    let back = MeanOutputs::from_measurements(&airframe, &found.measurements).unwrap();
    assert_eq!((back.positions, back.mean), (mean.positions, mean.mean));
    let value = |measure: &str, subject: &str, statistic: &str| {
        let row = found
            .measurements
            .iter()
            .find(|m| (m.measure, m.subject.as_str(), m.statistic) == (measure, subject, statistic));
        row.unwrap_or_else(|| panic!("no {measure} {subject} {statistic}")).value
    };
    // By hand from the vector: 0.48214 / mean(0.45804) − 1.
    assert_relative_eq!(
        value("motor_output_deviation", "front-right", "mean").unwrap(),
        0.0526,
        epsilon = 2e-3
    );
    assert_relative_eq!(value("yaw_bias", "aircraft", "mean").unwrap(), 0.0175, epsilon = 1e-3);
    assert!(value("yaw_bias_tilt_deg", "aircraft", "mean").unwrap() < 0.0, "counters a push to the left");
    assert!(value("yaw_margin", "nose-right", "p05").unwrap() < 1.0);
    assert_eq!(value("motor_torque_index", "aircraft", "mean"), None);
    assert_eq!(value("vibration_level", "aircraft", "p95"), None);
    assert!(found.explanations.unwrap().indistinguishable);
}

#[test]
fn too_little_hover_or_no_airframe_says_so() {
    let airframe = named("quad-x", 0.6, 0.021).unwrap();
    let signals = hovering(&[0.45; 4], 4, 12);
    let short = measure_flight(&signals, Some(&airframe), 0, 12_000);
    assert_eq!(short.mean_hover_u, None);
    let output = short.measurements.iter().find(|m| m.measure == "motor_output").unwrap();
    assert_eq!(output.value, None);
    assert!(output.note.as_deref().is_some_and(|n| n.contains("not enough data: 8.0 s")), "{output:?}");
    let unknown = measure_flight(&signals, None, 0, 12_000);
    assert!(unknown.yaw.is_none() && unknown.esc.is_empty());
    let note = unknown.measurements.iter().find(|m| m.measure == "motor_output").and_then(|m| m.note.clone());
    assert!(note.is_some_and(|n| n.contains("no airframe")));
    // An output that the message does not carry is missing, not zero.
    let mut wrong = airframe.clone();
    wrong.motors[0].output = 9;
    let none = measure_flight(&hovering(&[0.45; 4], 4, 60), Some(&wrong), 0, 60_000);
    assert!(none.mean_hover_u.is_none() && none.yaw.is_none());
}
