//! What the aircraft's sensors and estimator make of the truth: drift and noise of decimetres in height,
//! a static port blown by the propellers near the ground, noisy velocities, accelerometers that feel every
//! rotor once a revolution, vibration levels and clipping counters.

use super::geometry::MOTORS_MAX;
use super::outing::Situation;
use super::plant::{GRAVITY_M_S2, State};
use super::random::{Random, Wander};
use super::scenario::Faults;

/// One tick of sensor output. North, east, down in metres and seconds unless said otherwise.
#[derive(Debug, Clone, Default)]
pub struct Estimate {
    /// Position from the take-off place; down is minus the height above it.
    pub position: [f64; 3],
    /// Velocity.
    pub velocity: [f64; 3],
    /// Height above the place where it armed last.
    pub above_home_m: f64,
    /// Roll, pitch, yaw in radians.
    pub attitude: [f64; 3],
    /// Position by satellite.
    pub gnss_position: [f64; 3],
    /// Velocity by satellite.
    pub gnss_velocity: [f64; 3],
    /// Specific force in body axes, in m/s².
    pub accel: [f64; 3],
    /// Vibration level by axis.
    pub vibration: [f64; 3],
    /// Samples at full scale since boot, by IMU.
    pub clipping: [u32; 3],
}

/// Sensor errors between ticks.
#[derive(Debug)]
pub struct Sensors {
    height: [Wander; 2],
    place: [Wander; 2],
    velocity: [Wander; 3],
    tilt: [Wander; 2],
    level: [Wander; 3],
    phase: [f64; MOTORS_MAX],
    home_m: f64,
    was_armed: bool,
    clipping: [u32; 3],
}

impl Sensors {
    /// Errors start near zero, rotors at any angle.
    pub fn new(random: &mut Random) -> Self {
        Self {
            height: [Wander::new(0.25, 40.0), Wander::new(0.05, 0.4)],
            place: [Wander::new(0.4, 30.0), Wander::new(0.4, 30.0)],
            velocity: std::array::from_fn(|_| Wander::new(0.05, 0.4)),
            tilt: std::array::from_fn(|_| Wander::new(0.003, 0.5)),
            level: std::array::from_fn(|_| Wander::new(0.12, 1.5)),
            phase: std::array::from_fn(|_| random.between(0.0, std::f64::consts::TAU)),
            home_m: 0.0,
            was_armed: false,
            clipping: [0; 3],
        }
    }

    /// Counters start again.
    pub fn reboot(&mut self) {
        self.clipping = [0; 3];
        self.was_armed = false;
    }

    /// One tick; `imbalance` is the present amplitude at one a revolution of every rotor.
    #[allow(clippy::too_many_arguments)] // each is a different part of the truth of this tick
    pub fn step(
        &mut self,
        dt_s: f64,
        now: &Situation,
        state: &State,
        hover: f64,
        imbalance: &[f64; MOTORS_MAX],
        faults: &Faults,
        random: &mut Random,
    ) -> Estimate {
        let truth = now.motion;
        let effort = state.throttle / hover;
        let mut out = Estimate::default();
        let height = -truth.position[2];
        let blown = 0.5 * effort * (-height / 0.8).exp();
        let told = height + self.height.iter_mut().map(|w| w.step(dt_s, random)).sum::<f64>() - blown;
        if state.armed && !self.was_armed {
            self.home_m = told;
        }
        self.was_armed = state.armed;
        out.above_home_m = told - self.home_m;
        for axis in 0..3 {
            out.velocity[axis] = truth.velocity[axis] + self.velocity[axis].step(dt_s, random);
            out.gnss_velocity[axis] = truth.velocity[axis] + random.normal(0.12);
        }
        for axis in 0..2 {
            out.position[axis] = truth.position[axis] + self.place[axis].step(dt_s, random);
            out.gnss_position[axis] = out.position[axis] + random.normal(0.15);
            out.attitude[axis] = state.attitude[axis] + self.tilt[axis].step(dt_s, random);
        }
        out.position[2] = -told;
        out.gnss_position[2] = -told + random.normal(0.4);
        out.attitude[2] = state.attitude[2] + faults.heading_error_deg.to_radians();
        self.shake(dt_s, state, effort, imbalance, faults.isolator, random, &mut out);
        let steady = specific_force(&truth.acceleration, &state.attitude);
        for axis in 0..3 {
            out.accel[axis] += steady[axis];
        }
        out
    }

    /// Vibration: what the accelerometers feel, and the levels the autopilot makes of it.
    #[allow(clippy::too_many_arguments)] // each is a different part of the truth of this tick
    fn shake(
        &mut self,
        dt_s: f64,
        state: &State,
        effort: f64,
        imbalance: &[f64; MOTORS_MAX],
        isolator: f64,
        random: &mut Random,
        out: &mut Estimate,
    ) {
        let mut power = 0.0;
        for (i, amplitude) in imbalance.iter().enumerate() {
            self.phase[i] = (self.phase[i] + state.speed_rad_s[i] * dt_s) % std::f64::consts::TAU;
            let (sine, cosine) = self.phase[i].sin_cos();
            out.accel[0] += isolator * amplitude * cosine;
            out.accel[1] += isolator * amplitude * sine;
            power += amplitude * amplitude;
        }
        for axis in 0..3 {
            let (base, gain) = if axis == 2 { (6.0, 1.0) } else { (3.5, 4.0) };
            out.accel[axis] += random.normal(0.03 + isolator * 0.09 * base * effort);
            let wander = self.level[axis].step(dt_s, random).exp();
            let base = base * (0.04 + 0.96 * effort * effort);
            out.vibration[axis] = isolator * (base * base + gain * power).sqrt() * wander;
        }
        let worst = out.vibration.iter().copied().fold(0.0, f64::max);
        let a_second = ((worst - 30.0) * 0.4).max(0.0);
        for (imu, count) in self.clipping.iter_mut().enumerate() {
            if random.between(0.0, 1.0) < a_second * dt_s / (1.0 + imu as f64) {
                *count += 1;
            }
        }
        out.clipping = self.clipping;
    }
}

/// Acceleration minus gravity, turned into body axes.
fn specific_force(acceleration: &[f64; 3], attitude: &[f64; 3]) -> [f64; 3] {
    let (force, [roll, pitch, yaw]) =
        ([acceleration[0], acceleration[1], acceleration[2] - GRAVITY_M_S2], *attitude);
    let (sy, cy) = yaw.sin_cos();
    let (sp, cp) = pitch.sin_cos();
    let (sr, cr) = roll.sin_cos();
    let ahead = cy * force[0] + sy * force[1];
    let right = -sy * force[0] + cy * force[1];
    let x = cp * ahead - sp * force[2];
    let z = sp * ahead + cp * force[2];
    [x, cr * right + sr * z, -sr * right + cr * z]
}
