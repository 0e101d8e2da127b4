//! Numbers of flights with holes against the same flights without.

use super::{FRAMES, PLAN, common, frames, record, without};
use fettle::flight::{Flight, segment};
use fettle::measure::hover::steady_hover;
use fettle::measure::yaw_margin::YawReach;
use fettle::measure::{FlightMeasures, measure_flight};
use fettle::signal::{GlobalPosition, Sample, Signals};
use fettle::simulator::{Plan, Scenario, TrueFlight, simulate};

/// Numbers of the first flight of a log, all of it and with spans cut out, over the instants of the whole.
struct Pair {
    whole: (Signals, FlightMeasures),
    holed: FlightMeasures,
    flight: Flight,
}

fn pair(scenario: &Scenario, cuts: impl Fn(&TrueFlight) -> Vec<(f64, f64)>) -> Pair {
    let airframe = common::airframe(scenario.frame);
    let log = simulate(scenario);
    let cut = without(&log.bytes, &frames(&log.bytes), &cuts(&log.truth.flights[0]));
    let mut boots = [record(&log.bytes), record(&cut)].map(|mut r| r.vehicles.remove(0).boots.remove(0));
    assert!(boots[0].signals.holes.is_empty() && !boots[1].signals.holes.is_empty());
    let flight = segment(&boots[0].signals, None, boots[0].lag_ms).remove(0);
    let (from, to) = (flight.takeoff.best_ms, flight.touchdown.best_ms);
    let [whole, holed] = [0, 1].map(|i| measure_flight(&boots[i].signals, Some(&airframe), from, to));
    let signals = std::mem::take(&mut boots[0].signals);
    Pair { whole: (signals, whole), holed, flight }
}

/// The least and greatest p-quantile that any choice of all but `lost` of the values can have, by counting ranks,
/// and a rank more for the interpolation between two.
fn quantiles_without(mut values: Vec<f64>, lost: usize, p: f64) -> (f64, f64) {
    values.sort_by(f64::total_cmp);
    let rank = p * (values.len() - lost - 1) as f64;
    (values[rank.floor() as usize], values[(rank.ceil() as usize + lost).min(values.len() - 1)])
}

/// Means: a mean over the n that are left differs from the mean over all N by the standard error of the latter times
/// √(N/n − 1), sampling theory for a part of a whole; five of them, for there are hundreds of comparisons.
/// Quantiles: what is left can be at no other rank than leaving out as many samples allows.
#[test]
fn ten_seconds_missing_from_the_hover_change_numbers_by_no_more_than_sampling_does() {
    let mut worst = 0.0f64;
    for (i, frame) in FRAMES.into_iter().enumerate() {
        for seed in 0..4 {
            let mut scenario = Scenario::new(frame, 700 + 10 * seed + i as u64);
            scenario.plan = Plan { hover_s: 40.0, ..PLAN };
            // Up by 15 m at 2 m/s: hover from 11 s on.
            let cut = |t: &TrueFlight| vec![(t.takeoff_boot_ms + 20_000.0, t.takeoff_boot_ms + 30_000.0)];
            let Pair { whole: (signals, whole), holed, flight } = pair(&scenario, cut);
            let lost_s = whole.hover.seconds - holed.hover.seconds;
            let case = format!("{frame:?} {seed}");
            // Two steps of 5 Hz either side.
            assert!((9.9..10.8).contains(&lost_s), "{case}: {lost_s} s of hover lost");
            let (before, after) = (whole.mean_hover_u.unwrap(), holed.mean_hover_u.unwrap());
            let share = (before.samples as f64 / after.samples as f64 - 1.0).sqrt();
            let motors = before.mean.iter().zip(&after.mean).zip(&before.standard_error);
            let (t0, t1) = (whole.trim.unwrap(), holed.trim.unwrap());
            let trims = t0.mean.iter().zip(&t1.mean).zip(&t0.standard_error);
            for ((a, b), error) in motors.chain(trims.take(2)) {
                worst = worst.max((a - b).abs() / (error * share));
                assert!((a - b).abs() < 5.0 * error * share, "{case}: {a} became {b}, error {error}");
            }
            let (from, to) = (flight.takeoff.best_ms, flight.touchdown.best_ms);
            let (v0, v1) = (whole.vibration.unwrap(), holed.vibration.unwrap());
            let lost = (v0.samples - v1.samples) as usize;
            assert!((19..=21).contains(&lost), "{case}: {lost} samples at 2 Hz");
            for axis in 0..3 {
                let levels =
                    signals.vibration.within(from, to).iter().map(|s| f64::from(s.value.level[axis]));
                let found = v1.level.unwrap()[axis];
                for (p, value) in [(0.5, found.p50), (0.95, found.p95), (1.0, found.max)] {
                    let (low, high) = quantiles_without(levels.clone().collect(), lost, p);
                    assert!(low <= value && value <= high, "{case}: level p{p} {value} not in {low}..{high}");
                }
            }
            assert_eq!(v0.clipping, v1.clipping, "{case}: counters count on");
            let airframe = common::airframe(frame);
            let reach = YawReach::new(&airframe, airframe.thrust_min, 1.0).unwrap();
            let outputs = signals.outputs.within(from + 2_000, to - 2_000);
            let (y0, y1) = (whole.yaw.unwrap(), holed.yaw.unwrap());
            let lost = (y0.samples - y1.samples) as usize;
            assert!((49..=51).contains(&lost), "{case}: {lost} samples at 5 Hz");
            for side in 0..2 {
                let margin = |s: &Sample<_>| airframe.thrusts(&s.value).map(|u| reach.margins(&u).0[side]);
                let margins = outputs.iter().filter_map(margin).collect();
                let (low, high) = quantiles_without(margins, lost, 0.05);
                assert!(
                    low <= y1.p05[side] && y1.p05[side] <= high,
                    "{case}: {} not in {low}..{high}",
                    y1.p05[side]
                );
            }
        }
    }
    println!("means differ by at most {worst:.1} standard deviations");
}

#[test]
fn a_flight_of_which_scraps_are_left_gives_no_numbers() {
    for frame in FRAMES {
        let cut = |t: &TrueFlight| vec![(t.takeoff_boot_ms + 2_500.0, t.touchdown_boot_ms - 1_500.0)];
        let mut scenario = Scenario::new(frame, 60);
        scenario.plan = PLAN;
        let found = pair(&scenario, cut).holed;
        for measure in ["vibration_level", "motor_output", "yaw_margin", "motor_torque_index", "yaw_bias"] {
            let mut rows = found.measurements.iter().filter(|m| m.measure == measure).peekable();
            assert!(rows.peek().is_some(), "{measure} says why there is nothing");
            for row in rows {
                assert_eq!(row.value, None, "{row:?}");
                assert!(row.note.as_deref().is_some_and(|n| n.contains("not enough data")), "{row:?}");
            }
        }
        assert_eq!(found.hover.seconds, 0.0);
    }
}

/// 40 s of hover, told once a second, with a hole from 15 to 17 s: shorter than what a silent series may be, but no
/// message at all.
#[test]
fn a_hole_parts_the_hover() {
    let value = GlobalPosition {
        lat_deg: 1.0,
        lon_deg: 1.0,
        relative_alt_m: 20.0,
        alt_m: 20.0,
        vn_m_s: 0.1,
        ve_m_s: 0.0,
        vd_m_s: 0.0,
    };
    let position = (0..=40).filter(|s| *s != 16).map(|s| Sample::at(s * 1000, value)).collect();
    let mut signals = Signals { global_position: position, ..Signals::default() };
    assert_eq!(steady_hover(&signals, 0, 40_000).seconds, 36.0);
    signals.add_hole(15_000, 17_000);
    let hover = steady_hover(&signals, 0, 40_000);
    let spans: Vec<_> = hover.spans.iter().map(|s| (s.start_ms, s.end_ms)).collect();
    assert_eq!(spans, [(2_000, 14_999), (17_000, 38_000)]);
    // A flight that is known of from the hole on has settled two seconds behind it.
    let late = steady_hover(&signals, 16_000, 40_000);
    assert_eq!(late.spans.first().map(|s| s.start_ms), Some(19_000));
}

/// The whole flight's way is the measure; a leg of 12 s at 6 m/s is most of it.
#[test]
fn a_way_is_told_only_if_little_of_it_is_hidden() {
    for frame in FRAMES {
        let mut scenario = Scenario::new(frame, 80);
        scenario.plan = Plan { legs: 3, cruise_s: 8.0, ..PLAN };
        let log = simulate(&scenario);
        let frames = frames(&log.bytes);
        let way = |bytes: &[u8]| {
            let boot = record(bytes).vehicles.remove(0).boots.remove(0);
            segment(&boot.signals, None, boot.lag_ms)[0].distance_m
        };
        let whole = way(&log.bytes).unwrap();
        let up = log.truth.flights[0].takeoff_boot_ms;
        for at_s in [20.0, 30.0, 40.0, 50.0, 60.0] {
            let cut = |length_s: f64| [(up + 1000.0 * at_s, up + 1000.0 * (at_s + length_s))];
            let short = way(&without(&log.bytes, &frames, &cut(1.8)));
            assert!(short.is_none_or(|m| (m / whole - 1.0).abs() < 0.05), "{frame:?}: {short:?} of {whole}");
            assert_eq!(way(&without(&log.bytes, &frames, &cut(30.0))), None, "{frame:?} at {at_s} s");
        }
    }
}
