//! The demonstration fleet in `sample-logs/`: three invented aircraft over an invented salt marsh, seven
//! short flights each, with two faults that appear on the last two flights.
//!
//! Pure: it names files and scenarios, and words the descriptions; `fettle-simulate` writes them.

use super::{Container, Faults, Frame, Random, Scenario, Streams, Truth};

/// One log of the set.
#[derive(Debug, Clone)]
pub struct DemoLog {
    /// Path in the folder, with `/`.
    pub path: String,
    /// Name of the aircraft.
    pub aircraft: &'static str,
    /// What is wrong with the aircraft, in words; empty when nothing is.
    pub fault: &'static str,
    /// How to fly it.
    pub scenario: Scenario,
}

struct Aircraft {
    name: &'static str,
    frame: Frame,
    system_id: u8,
    uid: u64,
    /// Chosen so that the build tolerances are ordinary: hover outputs within some 6 % of their mean.
    build_seed: u64,
    esc: bool,
    container: Container,
    faulty: Faults,
    fault: &'static str,
}

fn aircraft() -> [Aircraft; 3] {
    let mut bent = Faults::NONE;
    bent.boom_rotation_deg[2] = 2.8;
    let mut worn = Faults::NONE;
    (worn.imbalance_m_s2[1], worn.drag[1], worn.thrust_loss[1]) = (3.0, 0.12, 0.05);
    let uid = |n: u64| 0x1f3a_72c4_d0e1_0000 | n;
    [
        Aircraft {
            name: "heron",
            frame: Frame::HexaX,
            system_id: 1,
            uid: uid(1),
            build_seed: 6,
            esc: false,
            container: Container::Timestamped,
            faulty: Faults::NONE,
            fault: "",
        },
        Aircraft {
            name: "egret",
            frame: Frame::HexaX,
            system_id: 2,
            uid: uid(2),
            build_seed: 154,
            esc: false,
            container: Container::Bare,
            faulty: bent,
            fault: "boom clamp rear-right slipped: boom turned 2.8° clockwise",
        },
        Aircraft {
            name: "plover",
            frame: Frame::QuadX,
            system_id: 3,
            uid: uid(3),
            build_seed: 231,
            esc: true,
            container: Container::Bare,
            faulty: worn,
            fault: "propeller rear-right worn: 3 m/s² more at one a revolution, 12 % more torque, 5 % less thrust",
        },
    ]
}

/// Days of September 2026 on which the fleet flew.
const DAYS: [u32; 7] = [2, 3, 7, 9, 11, 15, 16];
/// 2026-09-01T00:00:00Z in seconds Unix.
const SEPTEMBER_S: f64 = 1_788_220_800.0;

/// All logs, aircraft by aircraft, in order of date. Heron's fifth log holds two flights.
pub fn logs() -> Vec<DemoLog> {
    let mut logs = Vec::new();
    for craft in aircraft() {
        let mut flight = 0;
        for (i, day) in DAYS.iter().enumerate() {
            let double = craft.name == "heron" && i == 4;
            if flight >= 7 {
                break;
            }
            let faulty = flight >= 5;
            let seed = u64::from(craft.system_id) * 1000 + i as u64;
            let mut scenario = Scenario::new(craft.frame, seed).with_flights(if double { 2 } else { 1 });
            scenario.build_seed = craft.build_seed;
            (scenario.system_id, scenario.uid) = (craft.system_id, craft.uid);
            scenario.pack_serial = format!("SM-{}{}", craft.system_id, i % 2 + 1);
            scenario.container = craft.container;
            scenario.streams = streams(craft.esc);
            let hour = 7.0 + 1.5 * f64::from(craft.system_id);
            scenario.start_unix_s =
                SEPTEMBER_S + f64::from(day - 1) * 86_400.0 + hour * 3600.0 + ((seed * 397) % 2400) as f64;
            scenario.place_deg = (0.1 + 0.002 * f64::from(craft.system_id), -20.0);
            (scenario.wind_m_s, scenario.wind_from_deg) = (1.5 + 0.5 * i as f64, 200.0 + 25.0 * i as f64);
            let mut draw = Random::new(seed);
            scenario.plan.height_m = draw.between(16.0, 24.0);
            scenario.plan.hover_s = draw.between(19.0, 27.0);
            scenario.plan.cruise_s = draw.between(4.0, 9.0);
            scenario.plan.touchdown_m_s = draw.between(0.4, 0.6);
            let faults = if faulty { craft.faulty.clone() } else { Faults::NONE };
            scenario = scenario.with_faults(faults);
            logs.push(DemoLog {
                path: format!("{}/2026-09-{day:02}.mavlink", craft.name),
                aircraft: craft.name,
                fault: if faulty { craft.fault } else { "" },
                scenario,
            });
            flight += if double { 2 } else { 1 };
        }
    }
    logs
}

fn streams(esc: bool) -> Streams {
    Streams {
        attitude: 8.0,
        global_position_int: 5.0,
        local_position_ned: 0.0,
        servo_output_raw: 5.0,
        vfr_hud: 2.0,
        gps_raw_int: 2.0,
        vibration: 2.0,
        esc_status: if esc { 4.0 } else { 0.0 },
        esc_info: if esc { 0.5 } else { 0.0 },
        sys_status: 0.5,
        ..Streams::FULL
    }
}

/// `fleet.toml` of the set.
pub fn fleet_toml() -> String {
    let mut out =
        String::from("# The invented fleet of these sample logs.\n\n[fleet]\nname = \"Saltmarsh survey\"\n");
    for craft in aircraft() {
        let base = Scenario::new(craft.frame, 0);
        out += &format!(
            "\n[[aircraft]]\nname = \"{}\"\nrecognise = {{ autopilot_uid = \"0x{:x}\", system_id = {} }}\n\
             frame = \"{}\"\narm_length_m = {}\ntorque_per_thrust_m = {}\n\
             outputs_us = {{ min = {}, max = {} }}\nthrust_curve = {{ expo = {} }}\n",
            craft.name,
            craft.uid,
            craft.system_id,
            craft.frame.name(),
            base.arm_m,
            base.kappa_m,
            base.outputs_us.0,
            base.outputs_us.1,
            base.expo,
        );
        for (i, position) in craft.frame.positions().iter().enumerate() {
            out += &format!(
                "\n[[aircraft.motor]]\nposition = \"{position}\"\nbearing_deg = {:.1}\nspin = \"{}\"\noutput = {}\n",
                craft.frame.bearing_deg(i),
                craft.frame.spin(i),
                i + 1,
            );
            if craft.esc {
                out += &format!("esc = {i}\n");
            }
        }
    }
    out
}

/// Rows of the table in the README: log, take-off, airtime, what is wrong. `utc` words seconds Unix.
pub fn table(made: &[(DemoLog, Truth)], utc: impl Fn(f64) -> String) -> String {
    let mut out = String::from("| log | take-off (UTC) | airtime, s | fault |\n|---|---|---|---|\n");
    for (log, truth) in made {
        for flight in &truth.flights {
            out += &format!(
                "| `{}` | {} | {:.1} | {} |\n",
                log.path,
                utc(flight.takeoff_unix_s),
                flight.airtime_ms() / 1e3,
                if log.fault.is_empty() { "none" } else { log.fault },
            );
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::simulator::simulate;

    #[test]
    fn every_aircraft_flies_seven_times_and_faults_come_last() {
        let logs = logs();
        for craft in aircraft() {
            let own: Vec<_> = logs.iter().filter(|l| l.aircraft == craft.name).collect();
            let flights: Vec<_> = own.iter().flat_map(|l| vec![l.fault; l.scenario.sorties.len()]).collect();
            assert_eq!(flights.len(), 7, "{}", craft.name);
            assert_eq!(
                flights.iter().rposition(|f| f.is_empty()),
                Some(if craft.fault.is_empty() { 6 } else { 4 })
            );
        }
    }

    #[test]
    fn airtimes_are_those_of_short_flights() {
        for log in logs().iter().step_by(5) {
            let made = simulate(&log.scenario);
            assert!(
                made.truth.flights.iter().all(|f| (140e3..190e3).contains(&f.airtime_ms())),
                "{}",
                log.path
            );
        }
    }
}
