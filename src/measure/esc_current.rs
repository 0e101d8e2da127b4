//! Whose current the ESCs tell: their motors' or their supply's. A log does not say, but what the batteries give does.
//!
//! # Method
//! An ESC is a step-down converter: what it takes from its supply is its motor's current times its duty cycle. So in
//! steady hover voltage times current, both as the ESCs tell them, adds up over all ESCs to what the batteries give, less
//! what avionics and payload take, if the currents are those of the supply, and to that over the duty cycle if they are
//! the motors'. Power, since batteries may be in series or in parallel.
//! # Source
//! Power balance of the ideal step-down converter (a textbook identity). [`OF_SUPPLY`] and [`OF_MOTORS`] are reasoned,
//! no published source: sensors that are a tenth off, a duty cycle in hover from 1/3 to 3/4.
//! # When it says nothing
//! Without voltage and current of every motor's ESC and of every battery in steady hover.
//! # Limit
//! Where a pack is not told at all, the supply's current may look like the motors'; where a total is told as one more
//! pack, the motors' like the supply's.

use super::hover::HoverSummary;
use super::motor_output::{MIN_HOVER_S, MIN_SAMPLES};
use super::row::Measurement;
use crate::airframe::Airframe;
use crate::signal::{Draw, Signals};
use crate::stats::{mean, sd};
use std::collections::BTreeMap;
use std::ops::RangeInclusive;

/// Power of all ESCs over that of the batteries where the ESCs tell their supply's current.
pub const OF_SUPPLY: RangeInclusive<f64> = 0.7..=1.12;
/// The same where they tell their motors'.
pub const OF_MOTORS: RangeInclusive<f64> = 1.3..=3.0;
/// Fewest motors whose likeness says something.
const MIN_OTHERS: usize = 3;
/// Relative standard deviation that healthy motors of one build do not reach (common practice, no published source).
const UNLIKE: f64 = 0.05;
/// Fewest readings of a battery.
const MIN_DRAWS: usize = 5;

/// What an ESC's current is that of.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Whose {
    /// The motor: it follows torque.
    Motor,
    /// The ESC's supply: it follows power.
    Supply,
    /// Not known.
    Either,
}

impl Whose {
    /// From [`current_share`].
    pub fn from_share(share: Option<f64>) -> Self {
        match share {
            Some(share) if OF_SUPPLY.contains(&share) => Whose::Supply,
            Some(share) if OF_MOTORS.contains(&share) => Whose::Motor,
            _ => Whose::Either,
        }
    }

    /// From how alike the other motors are: their currents over speed squared and over speed cubed. Where their speeds
    /// differ, the wrong one of these scatters more than motors do.
    pub fn from_others(torque: &[f64], power: &[f64]) -> Self {
        let spread = |of: &[f64]| Some(sd(of)? / mean(of)?).filter(|_| of.len() >= MIN_OTHERS);
        match (spread(torque), spread(power)) {
            (Some(torque), Some(power)) if power > UNLIKE && torque < power / 2.0 => Whose::Motor,
            (Some(torque), Some(power)) if torque > UNLIKE && power < torque / 2.0 => Whose::Supply,
            _ => Whose::Either,
        }
    }
}

/// Mean of what all motors' ESCs take, if their currents are the supply's, over what the batteries give in steady hover.
pub fn current_share(
    signals: &Signals,
    airframe: &Airframe,
    hover: &HoverSummary,
    span: (i64, i64),
) -> Option<Measurement> {
    if hover.seconds < MIN_HOVER_S {
        return None;
    }
    let of_motor = |esc: u8| {
        let readings = hover.select(&signals.esc).map(|s| &s.value).filter(|r| r.index == esc);
        let power_w = readings.filter(|r| r.voltage_v > 0.0).map(|r| f64::from(r.voltage_v * r.current_a));
        let known: Vec<f64> = power_w.filter(|w| w.is_finite()).collect();
        mean(&known).filter(|_| known.len() >= MIN_SAMPLES)
    };
    let escs_w: f64 = airframe.motors.iter().map(|m| of_motor(m.esc?)).sum::<Option<f64>>()?;
    let mut packs: BTreeMap<u8, Vec<f64>> = BTreeMap::new();
    for Draw { battery, power_w } in hover.select(&signals.draw).map(|s| s.value) {
        let draws = packs.entry(battery).or_default();
        draws.extend(Some(f64::from(power_w)).filter(|w| w.is_finite()));
    }
    let samples = packs.values().map(Vec::len).sum::<usize>() as u64;
    let of_pack = |draws: &Vec<f64>| mean(draws).filter(|_| draws.len() >= MIN_DRAWS);
    let packs_w: f64 = packs.values().map(of_pack).sum::<Option<f64>>()?;
    let names = ("esc_current_share", "mean", "fraction");
    (packs_w > 0.0).then(|| Measurement::number(names, "aircraft", escs_w / packs_w, samples, span))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::airframe::frames::named;
    use crate::measure::Span;
    use crate::signal::{EscReading, Sample};

    /// 20 s of hover at 10 Hz: what each of four ESCs tells, what each battery gives.
    fn share(esc_a: [f32; 4], draws: &[Draw]) -> Option<f64> {
        let mut airframe = named("quad-x", 0.6, 0.021).unwrap();
        (0u8..).zip(&mut airframe.motors).for_each(|(i, m)| m.esc = Some(i));
        let mut signals = Signals::default();
        for ms in (0..20_000).step_by(100) {
            for (index, current_a) in (0u8..).zip(esc_a) {
                let value =
                    EscReading { index, rpm: 4000.0, voltage_v: 44.0, current_a, temperature_degc: f32::NAN };
                signals.esc.push(Sample::at(ms, value));
            }
            for value in draws {
                signals.draw.push(Sample::at(ms, *value));
            }
        }
        let spans = vec![Span { start_ms: 0, end_ms: 20_000 }];
        let hover = HoverSummary { spans, seconds: 20.0, notes: vec![] };
        current_share(&signals, &airframe, &hover, (0, 20_000)).and_then(|row| row.value)
    }

    #[test]
    fn the_batteries_tell_whose_current_it_is() {
        let pack = |battery, power_w| Draw { battery, power_w };
        // 40 A at the supply of 44 V and a duty cycle of 0.6: 66.7 A in the motors; avionics take 2 A. Two packs in
        // parallel give half the current each, two in series half the voltage: the same power.
        let halves = [pack(0, 924.0), pack(1, 924.0)];
        let supply = share([10.0; 4], &halves);
        assert!((supply.unwrap() - 40.0 / 42.0).abs() < 1e-6);
        assert_eq!(Whose::from_share(supply), Whose::Supply);
        let motors = share([16.67; 4], &[pack(0, 1848.0)]);
        assert!((motors.unwrap() - 66.68 / 42.0).abs() < 1e-6);
        assert_eq!(Whose::from_share(motors), Whose::Motor);
        for unknown in [
            share([10.0; 4], &[]),
            share([10.0; 4], &[pack(0, 924.0), pack(1, f32::NAN)]),
            share([10.0, 10.0, 10.0, f32::NAN], &halves),
        ] {
            assert_eq!((unknown, Whose::from_share(unknown)), (None, Whose::Either));
        }
        // Speeds of a quad in trim with drag on one motor, ±12 %: the wrong index spreads the others by that.
        let (right, wrong) = ([0.99, 1.0, 1.01], [0.87, 0.89, 1.13]);
        assert_eq!(Whose::from_others(&right, &wrong), Whose::Motor);
        assert_eq!(Whose::from_others(&wrong, &right), Whose::Supply);
        assert_eq!(Whose::from_others(&right, &[0.98, 1.0, 1.03]), Whose::Either);
        assert_eq!(Whose::from_others(&right[1..], &wrong[1..]), Whose::Either);
        // A duty cycle of 0.83, or sensors that are off: it may be either.
        assert_eq!(Whose::from_share(Some(1.2)), Whose::Either);
    }
}
