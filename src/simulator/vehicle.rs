//! One vehicle on its own clock: outing after outing, boot after boot, tick by tick, sending what is due.

use std::collections::VecDeque;

use super::geometry::MOTORS_MAX;
use super::link::{Link, Sink};
use super::messages as m;
use super::outing::{Landed, Outing};
use super::path::Motion;
use super::plant::{Plant, State};
use super::random::Random;
use super::scenario::Scenario;
use super::streams::FlightRecord;
use super::truth::{TrueFlight, TrueVehicle};

/// Time without power at a reboot.
const DARK_S: f64 = 12.0;
/// Positions are sent up to this late.
const LATE_S: f64 = 0.18;
/// Kinds of message with a rate of their own.
const KINDS: usize = 18;

/// One vehicle.
pub struct Vehicle<'a> {
    scenario: &'a Scenario,
    random: Random,
    plant: Plant,
    dt_s: f64,
    tick: u64,
    boot: u32,
    boot_tick: u64,
    boot_from_s: f64,
    sortie: usize,
    sorties: usize,
    outing: Outing,
    rest: Motion,
    due_s: [f64; KINDS],
    recent: VecDeque<State>,
    introduced: bool,
    told: (bool, Option<Landed>),
    /// Armed, taken off, landed, on the boot clock; 0 for not yet.
    record: [f64; 3],
    first_liftoff_s: Option<f64>,
    logging_since: Option<u64>,
    /// Flights begun so far.
    pub flights: Vec<TrueFlight>,
    /// No more to send.
    pub finished: bool,
}

impl<'a> Vehicle<'a> {
    /// On the ground before the first sortie; every tick lasts `dt_s`.
    pub fn new(scenario: &'a Scenario, dt_s: f64) -> Self {
        let mut random = Random::new(scenario.seed);
        let rest = Motion { yaw: random.between(-3.0, 3.0), ..Motion::default() };
        let plant = Plant::new(scenario, &mut random);
        let from = scenario.boot_start_s;
        let outing = Outing { arm_s: from, disarm_s: from, end_s: from, hops: Vec::new(), run_up: None };
        let mut vehicle = Self {
            scenario,
            random,
            plant,
            dt_s,
            tick: 0,
            boot: 0,
            boot_tick: 0,
            boot_from_s: from,
            sortie: 0,
            sorties: scenario.sorties.len(),
            outing,
            rest,
            due_s: [0.0; KINDS],
            recent: VecDeque::new(),
            introduced: false,
            told: (false, None),
            record: [0.0; 3],
            first_liftoff_s: None,
            logging_since: None,
            flights: Vec::new(),
            finished: scenario.sorties.is_empty(),
        };
        vehicle.set_out(from);
        vehicle
    }

    /// Flies the list once more after its end.
    pub fn extend(&mut self) {
        self.sorties += self.scenario.sorties.len();
    }

    /// True in the last planned outing once it is over; the moment to call [`Vehicle::extend`].
    pub fn at_the_end(&self) -> bool {
        self.sortie + 1 >= self.sorties && self.boot_s() >= self.outing.end_s
    }

    fn boot_s(&self) -> f64 {
        self.boot_from_s + (self.tick - self.boot_tick) as f64 * self.dt_s
    }

    fn unix_s(&self) -> f64 {
        self.scenario.start_unix_s + self.tick as f64 * self.dt_s
    }

    /// Plans the outing of the present sortie and notes its flights.
    fn set_out(&mut self, from_s: f64) {
        let list = &self.scenario.sorties;
        let Some(&kind) = list.get(self.sortie % list.len().max(1)) else { return };
        self.plant.prepare(self.scenario, self.scenario.faults_of(self.sortie));
        self.outing = Outing::new(kind, &self.scenario.plan, from_s, self.rest, &mut self.random);
        let now = self.boot_s();
        for hop in &self.outing.hops {
            let unix = |t: f64| self.scenario.start_unix_s + self.tick as f64 * self.dt_s + t - now;
            self.flights.push(TrueFlight {
                system_id: self.scenario.system_id,
                boot: self.boot,
                sortie: self.sortie as u32,
                takeoff_boot_ms: hop.liftoff_s * 1e3,
                touchdown_boot_ms: hop.touchdown_s * 1e3,
                takeoff_unix_s: unix(hop.liftoff_s),
                touchdown_unix_s: unix(hop.touchdown_s),
                complete: true,
                hover_s: hop.path.hover_s,
                touchdown_m_s: self.scenario.plan.touchdown_m_s,
                hover_commands: self.plant.hover_commands(),
                battery_ohm: self.plant.state.battery.resistance_ohm(),
            });
        }
        if self.first_liftoff_s.is_none() {
            self.first_liftoff_s = self.flights.first().map(|f| f.takeoff_unix_s);
        }
    }

    /// Next sortie, with or without a reboot before it.
    fn go_on(&mut self) {
        if self.sortie + 1 >= self.sorties {
            self.finished = true;
            return;
        }
        self.rest = self.outing.at(self.boot_s(), self.rest).motion;
        self.sortie += 1;
        if self.scenario.reboot {
            self.boot += 1;
            self.boot_tick = self.tick;
            self.boot_from_s = self.scenario.boot_start_s.min(1.5) - DARK_S;
            self.plant.reboot();
            self.plant.change_pack();
            self.recent.clear();
            self.introduced = false;
            self.record = [0.0; 3];
            self.due_s = [0.0; KINDS];
            self.set_out(self.scenario.boot_start_s.min(1.5));
        } else {
            if self.plant.state.battery.charge < 0.35 {
                self.plant.change_pack(); // under power from the second connector
            }
            self.set_out(self.boot_s());
        }
    }

    /// Moves on by one tick and sends what is due.
    pub fn advance<S: Sink>(&mut self, link: &mut Link<'_, S>) -> Result<(), S::Error> {
        let t = self.boot_s();
        if t >= self.outing.end_s {
            self.go_on();
        }
        if self.finished {
            return Ok(());
        }
        let t = self.boot_s();
        if t >= 0.0 {
            let now = self.outing.at(t, self.rest);
            self.plant.step(self.scenario, t, self.dt_s, &now, &mut self.random);
            self.plant.state.unix_s = self.unix_s();
            if self.recent.len() as f64 * self.dt_s > LATE_S {
                self.recent.pop_front();
            }
            self.recent.push_back(self.plant.state.clone());
            if self.in_log() {
                self.logging_since.get_or_insert(self.tick);
                self.send_due(t, link)?;
            }
        }
        self.tick += 1;
        if let Some(early_s) = self.scenario.cut_end_s {
            let last = self.flights.last().map_or(f64::INFINITY, |f| f.touchdown_unix_s);
            self.finished |= self.sortie + 1 >= self.sorties && self.unix_s() >= last - early_s;
        }
        Ok(())
    }

    fn in_log(&self) -> bool {
        match (self.scenario.cut_start_s, self.first_liftoff_s) {
            (Some(late_s), Some(liftoff)) => self.unix_s() >= liftoff + late_s,
            _ => true,
        }
    }

    fn due(&mut self, kind: usize, rate: f64, t: f64) -> bool {
        if rate <= 0.0 || t < self.due_s[kind] {
            return false;
        }
        if self.due_s[kind] <= 0.0 {
            // The first of its kind after boot: any phase.
            self.due_s[kind] = t + self.random.between(0.0, 1.0 / rate);
            return false;
        }
        self.due_s[kind] = (self.due_s[kind] + 1.0 / rate).max(t + 0.5 / rate);
        true
    }

    /// A state up to `late_s` old.
    fn sample(&mut self, late_s: f64) -> State {
        let back = (self.random.between(0.0, late_s) / self.dt_s) as usize;
        let index = self.recent.len().saturating_sub(1 + back);
        self.recent.get(index).cloned().unwrap_or_default()
    }

    fn send_due<S: Sink>(&mut self, t: f64, link: &mut Link<'_, S>) -> Result<(), S::Error> {
        let (scenario, unix_s) = (self.scenario, self.unix_s());
        let rates = scenario.streams;
        let me = (scenario.system_id, 1);
        let fix = t >= scenario.fix_after_s;
        let exact = self.plant.state.clone();
        if self.due(0, rates.heartbeat, t) {
            link.send(me, &m::heartbeat(scenario, &exact), unix_s)?;
        }
        if rates.identity && !self.introduced && self.tick > self.boot_tick + (1.0 / self.dt_s) as u64 {
            self.introduced = true;
            link.send(me, &m::autopilot_version(scenario), unix_s)?;
            link.send(me, &m::battery_info(scenario), unix_s)?;
        }
        if rates.statustext {
            for words in self.news(&exact) {
                link.send(me, &m::statustext(words), unix_s)?;
            }
        }
        if self.due(1, rates.extended_sys_state, t) {
            link.send(me, &m::extended_sys_state(&exact), unix_s)?;
        }
        if self.due(2, rates.flight_information, t) {
            let record = self.flight_information(&exact, t);
            link.send(me, &record, unix_s)?;
        }
        if self.due(3, rates.system_time, t) {
            link.send(me, &m::system_time(&exact, fix), unix_s)?;
        }
        if self.due(4, rates.attitude, t) {
            link.send(me, &m::attitude(&self.sample(0.03)), unix_s)?;
        }
        if self.due(5, rates.global_position_int, t) {
            let sample = self.sample(LATE_S);
            link.send(me, &m::global_position_int(scenario, &sample), unix_s)?;
        }
        if self.due(6, rates.local_position_ned, t) {
            link.send(me, &m::local_position_ned(&self.sample(0.03)), unix_s)?;
        }
        if self.due(7, rates.servo_output_raw, t) {
            link.send(me, &m::servo_output_raw(scenario, &self.sample(0.03)), unix_s)?;
        }
        if self.due(8, rates.vfr_hud, t) {
            link.send(me, &m::vfr_hud(scenario, &exact), unix_s)?;
        }
        if self.due(9, rates.gps_raw_int, t) {
            let sample = self.sample(0.1);
            link.send(me, &m::gps_raw_int(scenario, &sample, fix), unix_s)?;
        }
        if self.due(10, rates.vibration, t) {
            link.send(me, &m::vibration(&exact), unix_s)?;
        }
        let motors = scenario.frame.motors();
        if self.due(11, rates.esc_status, t) {
            for first in (0..motors).step_by(4) {
                link.send(me, &m::esc_status(scenario, &exact, first, &mut self.random), unix_s)?;
            }
        }
        if self.due(12, rates.esc_info, t) {
            for first in (0..motors).step_by(4) {
                let counter = (t * rates.esc_info) as u16;
                link.send(me, &m::esc_info(scenario, &exact, first, counter), unix_s)?;
            }
        }
        if self.due(13, rates.battery_status, t) {
            link.send(me, &m::battery_status(&exact, &mut self.random), unix_s)?;
        }
        if self.due(14, rates.sys_status, t) {
            link.send(me, &m::sys_status(&exact), unix_s)?;
        }
        if self.due(15, rates.highres_imu, t) {
            link.send(me, &m::highres_imu(&exact), unix_s)?;
        }
        if self.due(16, rates.radio_status, t) {
            link.send((51, 68), &m::radio_status(&mut self.random), unix_s)?;
        }
        if self.due(17, rates.ground_station, t) {
            link.send((255, 190), &m::ground_heartbeat(), unix_s)?;
        }
        Ok(())
    }

    /// Words at arming, take-off, landing and disarming.
    fn news(&mut self, state: &State) -> Vec<&'static str> {
        let (was_armed, was_landed) = self.told;
        self.told = (state.armed, state.landed);
        let mut words = Vec::new();
        if state.armed && !was_armed {
            words.push("Armed");
        }
        if state.landed == Some(Landed::TakeOff) && was_landed == Some(Landed::OnGround) {
            words.push("Takeoff detected");
        }
        if state.landed == Some(Landed::OnGround) && was_landed == Some(Landed::Landing) {
            words.push("Landing detected");
        }
        if !state.armed && was_armed {
            words.push("Disarmed");
        }
        words
    }

    /// The autopilot's own record, as its landing detector saw it. Arming clears it, a reboot as well; after
    /// a landing it stays.
    fn flight_information(&mut self, state: &State, t: f64) -> mavlink::dialects::common::MavMessage {
        if t >= self.outing.arm_s {
            let hops = &self.outing.hops;
            let takeoff = hops.iter().map(|h| h.takeoff_told_s).rfind(|s| t >= *s);
            let landing = hops.iter().map(|h| h.ground_told_s).rfind(|s| t >= *s);
            self.record = [self.outing.arm_s, takeoff.unwrap_or(0.0), landing.unwrap_or(0.0)];
        }
        let [arm, takeoff, landing] = self.record;
        let moved = |at: f64, by: f64| if at > 0.0 { at + by } else { 0.0 };
        let [arm, takeoff, landing] = match self.scenario.flight_record {
            FlightRecord::AsFlown => [arm, takeoff, landing],
            FlightRecord::WithoutLanding => [arm, takeoff, 0.0],
            FlightRecord::Empty => [0.0; 3],
            FlightRecord::InUtc => [arm, takeoff, landing].map(|at| moved(at, state.unix_s - t)),
            FlightRecord::LateBy(s) => [arm, moved(takeoff, s), moved(landing, s)],
        };
        m::flight_information(state, arm, takeoff, landing, self.sortie as u64 + 1)
    }

    /// Marks flights that the log does not hold whole, and describes the airframe.
    pub fn conclude(&mut self) -> TrueVehicle {
        let dt_s = self.dt_s;
        let instant = |tick: u64| self.scenario.start_unix_s + tick as f64 * dt_s;
        let from = self.logging_since.map_or(f64::INFINITY, instant);
        let to = instant(self.tick);
        self.flights.retain(|f| f.touchdown_unix_s > from && f.takeoff_unix_s < to);
        for flight in &mut self.flights {
            flight.complete = flight.takeoff_unix_s >= from && flight.touchdown_unix_s <= to;
        }
        let (build, motors) = (self.plant.build(), self.scenario.frame.motors().min(MOTORS_MAX));
        TrueVehicle {
            system_id: self.scenario.system_id,
            uid: self.scenario.uid,
            frame: self.scenario.frame,
            positions: self.scenario.frame.positions().iter().map(|&p| p.to_owned()).collect(),
            thrust: build.thrust[..motors].to_vec(),
            boom_rotation_deg: build.tilt_rad[..motors].iter().map(|t| t.to_degrees()).collect(),
            cg_forward_mm: build.forward_m * 1e3,
            cg_right_mm: build.right_m * 1e3,
            boots: self.boot + 1,
        }
    }
}
