//! The aircraft as physics: forces, attitude, motor commands, speeds, currents, pack, vibration. It moves
//! on tick by tick and leaves a [`State`] that holds the truth of that tick and what its sensors say.

use super::battery::Battery;
use super::geometry::{Build, MOTORS_MAX, Mixer, output_for};
use super::outing::{Landed, Situation};
use super::random::{Random, Wander};
use super::scenario::{Faults, Scenario};
use super::sensors::{Estimate, Sensors};

/// Standard gravity.
pub const GRAVITY_M_S2: f64 = 9.80665;
/// Drag on mass, per m/s of wind.
const DRAG_PER_S: f64 = 0.12;
/// Hover speed of a rotor at its hover command.
const HOVER_RAD_S: f64 = 360.0;
/// ESC current without load.
const IDLE_CURRENT_A: f64 = 0.25;
/// Output between idle and hover, of the range, when armed on the ground.
const IDLE_OUTPUT: f64 = 0.10;

/// Moments of inertia about roll, pitch, yaw, on mass and arm squared.
const INERTIA: [f64; 3] = [0.12, 0.12, 0.22];

/// Everything known of one tick.
#[derive(Debug, Clone, Default)]
pub struct State {
    /// Boot clock in seconds.
    pub t_s: f64,
    /// UTC in seconds Unix.
    pub unix_s: f64,
    /// Armed.
    pub armed: bool,
    /// Off the ground, in truth.
    pub airborne: bool,
    /// What the autopilot believes; `None` before the first tick.
    pub landed: Option<Landed>,
    /// True roll, pitch, yaw in radians.
    pub attitude: [f64; 3],
    /// Body rates in rad/s.
    pub rates: [f64; 3],
    /// Pulses of the motors in µs.
    pub pulse_us: [u16; MOTORS_MAX],
    /// Mean thrust fraction.
    pub throttle: f64,
    /// Rotor speeds in rad/s.
    pub speed_rad_s: [f64; MOTORS_MAX],
    /// ESC currents in A.
    pub current_a: [f64; MOTORS_MAX],
    /// ESC temperatures in °C.
    pub esc_c: [f64; MOTORS_MAX],
    /// Pack.
    pub battery: Battery,
    /// What the estimator and sensors say.
    pub estimate: Estimate,
}

/// The aircraft between ticks.
#[derive(Debug)]
pub struct Plant {
    build: Build,
    motors: usize,
    imbalance: [f64; MOTORS_MAX],
    trim: Trim,
    gust: [Wander; 2],
    gust_smooth: [f64; 2],
    stray: [Wander; 4],
    lag: [[f64; 2]; 2],
    /// Body rates without shake, and their change.
    steady: [f64; 3],
    turning: [f64; 3],
    sensors: Sensors,
    /// The last tick.
    pub state: State,
}

/// What holds for one sortie.
#[derive(Debug)]
struct Trim {
    mixer: Mixer,
    faults: Faults,
    mass_kg: f64,
    hover: f64,
}

impl Plant {
    /// The airframe of `scenario`, as its build seed made it.
    pub fn new(scenario: &Scenario, random: &mut Random) -> Self {
        let motors = scenario.frame.motors();
        let mut draw = Random::new(scenario.build_seed ^ 0xB01D);
        let mut build = Build::EXACT;
        let mut imbalance = [0.0; MOTORS_MAX];
        for i in 0..motors {
            imbalance[i] = draw.between(0.08, 0.25);
            if scenario.tolerances {
                build.tilt_rad[i] = draw.normal(0.3f64.to_radians());
                build.thrust[i] = 1.0 + draw.between(-0.02, 0.02);
                build.torque[i] = 1.0 + draw.normal(0.006);
            }
        }
        if scenario.tolerances {
            let (radius, angle) = (draw.between(0.0, 0.015), draw.between(0.0, std::f64::consts::TAU));
            (build.forward_m, build.right_m) = (radius * angle.cos(), radius * angle.sin());
        }
        let per_motor = scenario.hover_fraction;
        let kappa = scenario.kappa_m;
        let state = State { battery: Battery::new(&mut draw), esc_c: [21.0; MOTORS_MAX], ..State::default() };
        Self {
            trim: Trim::new(scenario, &build, Faults::NONE),
            build,
            motors,
            imbalance,
            gust: std::array::from_fn(|_| Wander::new(scenario.gust_m_s, 4.0)),
            gust_smooth: [0.0; 2],
            stray: [
                Wander::new(0.006 * per_motor * motors as f64, 0.3),
                Wander::new(0.004 * per_motor * motors as f64 * scenario.arm_m, 0.2),
                Wander::new(0.004 * per_motor * motors as f64 * scenario.arm_m, 0.2),
                Wander::new(0.03 * per_motor * motors as f64 * kappa, 0.6),
            ],
            lag: [[0.0; 2]; 2],
            steady: [0.0; 3],
            turning: [0.0; 3],
            sensors: Sensors::new(random),
            state,
        }
    }

    /// Puts the aircraft into the condition it has in a sortie.
    pub fn prepare(&mut self, scenario: &Scenario, faults: Faults) {
        self.trim = Trim::new(scenario, &self.build, faults);
        self.state.battery.set_resistance_factor(self.trim.faults.battery_resistance);
    }

    /// A fresh boot: counters start again.
    pub fn reboot(&mut self) {
        self.sensors.reboot();
    }

    /// A charged pack.
    pub fn change_pack(&mut self) {
        self.state.battery.recharge();
    }

    /// Commands in still-air hover, in this sortie's condition.
    pub fn hover_commands(&self) -> Vec<f64> {
        self.trim.mixer.hover(self.trim.hover)
    }

    /// The airframe as it is in this sortie.
    pub fn build(&self) -> Build {
        self.build.with(&self.trim.faults)
    }

    /// Moves on by `dt_s` to `t_s`.
    pub fn step(&mut self, scenario: &Scenario, t_s: f64, dt_s: f64, now: &Situation, random: &mut Random) {
        let force = self.force(scenario, dt_s, now, random);
        self.turn(&force, dt_s, now, random);
        let commands = self.commands(scenario, dt_s, now, &force, random);
        self.drive(scenario, dt_s, now, &commands, random);
        self.state.t_s = t_s;
        self.state.armed = now.armed;
        self.state.airborne = now.airborne;
        self.state.landed = Some(now.landed);
        let hover = self.trim.hover;
        let loads = self.imbalance_now();
        let faults = &self.trim.faults;
        self.state.estimate = self.sensors.step(dt_s, now, &self.state, hover, &loads, faults, random);
    }

    /// Thrust wanted from the propellers, north-east-down, on mass.
    fn force(&mut self, scenario: &Scenario, dt_s: f64, now: &Situation, random: &mut Random) -> [f64; 3] {
        let (east, north) = (scenario.wind_from_deg + 180.0).to_radians().sin_cos();
        let mean = [scenario.wind_m_s * north, scenario.wind_m_s * east];
        let mut force = now.motion.acceleration;
        force[2] -= GRAVITY_M_S2;
        let exposed = if now.airborne { super::path::smooth(now.aloft_s / 2.0) } else { 0.0 };
        for axis in 0..2 {
            let gust = self.gust[axis].step(dt_s, random);
            self.gust_smooth[axis] += (gust - self.gust_smooth[axis]) * (dt_s / 0.6).min(1.0);
            let air = now.motion.velocity[axis] - mean[axis] - self.gust_smooth[axis];
            force[axis] += exposed * DRAG_PER_S * air;
        }
        force
    }

    /// Attitude from the thrust direction through two short lags, and body rates.
    fn turn(&mut self, force: &[f64; 3], dt_s: f64, now: &Situation, random: &mut Random) {
        let (sine, cosine) = now.motion.yaw.sin_cos();
        let ahead = cosine * force[0] + sine * force[1];
        let right = -sine * force[0] + cosine * force[1];
        let wanted = if now.airborne {
            [(right / size(force)).clamp(-1.0, 1.0).asin(), (-ahead).atan2(-force[2])]
        } else {
            [0.004, -0.006] // the ground is never level
        };
        let old = self.state.attitude;
        for axis in 0..2 {
            let keep = (dt_s / 0.12).min(1.0);
            self.lag[axis][0] += (wanted[axis] - self.lag[axis][0]) * keep;
            self.lag[axis][1] += (self.lag[axis][0] - self.lag[axis][1]) * keep;
            self.state.attitude[axis] = self.lag[axis][1];
        }
        self.state.attitude[2] = now.motion.yaw;
        let roll_rate = (self.state.attitude[0] - old[0]) / dt_s;
        let pitch_rate = (self.state.attitude[1] - old[1]) / dt_s;
        let [roll, pitch, _] = self.state.attitude;
        let yaw_rate = now.motion.yaw_rate;
        let rates = [
            roll_rate - yaw_rate * pitch.sin(),
            pitch_rate * roll.cos() + yaw_rate * roll.sin() * pitch.cos(),
            -pitch_rate * roll.sin() + yaw_rate * roll.cos() * pitch.cos(),
        ];
        for axis in 0..3 {
            self.turning[axis] = (rates[axis] - self.steady[axis]) / dt_s;
            let shake = if now.airborne { random.normal(0.004) } else { 0.0 };
            self.state.rates[axis] = rates[axis] + shake;
        }
        self.steady = rates;
    }

    /// Thrust fractions of the motors.
    fn commands(
        &mut self,
        scenario: &Scenario,
        dt_s: f64,
        now: &Situation,
        force: &[f64; 3],
        random: &mut Random,
    ) -> [f64; MOTORS_MAX] {
        let stray: [f64; 4] = std::array::from_fn(|i| self.stray[i].step(dt_s, random));
        let idle = scenario.expo * IDLE_OUTPUT * IDLE_OUTPUT + (1.0 - scenario.expo) * IDLE_OUTPUT;
        let mut out = [0.0; MOTORS_MAX];
        if !now.armed {
            return out;
        }
        if now.airborne {
            let full = scenario.motor_thrust_n;
            let scale = self.trim.mass_kg * scenario.arm_m * scenario.arm_m / full;
            let moment = |axis: usize| INERTIA[axis] * scale * self.turning[axis];
            let thrust = self.trim.mass_kg * size(force) / full;
            out = self.trim.mixer.commands(&[thrust, moment(0), moment(1), moment(2)], &stray);
        } else {
            let hover = self.trim.mixer.hover(self.trim.hover);
            for (o, h) in out.iter_mut().zip(&hover) {
                *o = idle + now.lift * (h - idle);
            }
        }
        for o in &mut out[..self.motors] {
            *o = o.clamp(idle * 0.8, 1.0);
        }
        out
    }

    /// Pulses, rotor speeds, currents, temperatures, pack.
    fn drive(
        &mut self,
        scenario: &Scenario,
        dt_s: f64,
        now: &Situation,
        commands: &[f64; MOTORS_MAX],
        random: &mut Random,
    ) {
        let (low, high) = scenario.outputs_us;
        let mut total = if now.armed { 1.2 } else { 0.9 };
        for i in 0..self.motors {
            let output = output_for(commands[i], scenario.expo);
            self.state.pulse_us[i] = (low + output * (high - low)).round() as u16;
            let wanted = HOVER_RAD_S
                * (commands[i] / scenario.hover_fraction).sqrt()
                * (1.0 - self.trim.faults.speed_loss[i]);
            let jitter = if wanted > 0.0 { random.normal(0.4) } else { 0.0 };
            let speed = self.state.speed_rad_s[i];
            self.state.speed_rad_s[i] =
                (speed + (wanted - speed) * (dt_s / 0.06).min(1.0) + jitter * dt_s.sqrt()).max(0.0);
            let relative = (self.state.speed_rad_s[i] / HOVER_RAD_S).powi(2);
            let torque = relative * self.build.torque[i] * (1.0 + self.trim.faults.drag[i]);
            let turning = if self.state.speed_rad_s[i] > 1.0 { IDLE_CURRENT_A } else { 0.0 };
            let power = torque * self.state.speed_rad_s[i] / HOVER_RAD_S;
            // The motor's current is its supply's over the duty cycle, which is speed over that at full output.
            let motor = torque / scenario.hover_fraction.sqrt();
            self.state.current_a[i] = turning + 5.6 * if scenario.esc_supply_current { power } else { motor };
            let target = 21.0 + 24.0 * power;
            self.state.esc_c[i] += (target - self.state.esc_c[i]) * dt_s / 80.0;
            total += turning + 5.6 * power;
        }
        self.state.throttle = commands[..self.motors].iter().sum::<f64>() / self.motors as f64;
        self.state.battery.step(total, dt_s);
    }

    /// Acceleration at one a revolution of every rotor, at its present speed.
    fn imbalance_now(&self) -> [f64; MOTORS_MAX] {
        std::array::from_fn(|i| {
            let relative = (self.state.speed_rad_s[i] / HOVER_RAD_S).powi(2);
            (self.imbalance[i] + self.trim.faults.imbalance_m_s2[i]) * relative
        })
    }
}

impl Trim {
    fn new(scenario: &Scenario, build: &Build, faults: Faults) -> Self {
        let mass_kg = scenario.mass_kg() + faults.payload_kg;
        let mixer = Mixer::new(scenario.frame, scenario.arm_m, scenario.kappa_m, &build.with(&faults));
        let hover = mass_kg * GRAVITY_M_S2 / (scenario.motor_thrust_n * scenario.frame.motors() as f64);
        Self { mixer, faults, mass_kg, hover }
    }
}

fn size(vector: &[f64; 3]) -> f64 {
    vector.iter().map(|v| v * v).sum::<f64>().sqrt()
}
