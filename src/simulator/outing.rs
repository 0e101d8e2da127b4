//! One arming from power on the ground to disarmed again: when the motors idle, run up, carry the weight,
//! and what the autopilot believes of it, with the delays its landing detector really has (0.5–2 s after
//! touchdown: common practice, no published source).

use super::path::{Motion, Path, smooth};
use super::random::Random;
use super::scenario::{Plan, Sortie};

/// What EXTENDED_SYS_STATE would say.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Landed {
    /// On the ground.
    OnGround,
    /// Leaving the ground.
    TakeOff,
    /// Flying.
    InAir,
    /// Coming down to land.
    Landing,
}

/// One flight; all times on the boot clock in seconds.
#[derive(Debug, Clone)]
pub struct Hop {
    /// Motors leave idle.
    pub spool_s: f64,
    /// True lift-off: thrust equals weight.
    pub liftoff_s: f64,
    /// True touchdown.
    pub touchdown_s: f64,
    /// The autopilot says take-off.
    pub takeoff_told_s: f64,
    /// The autopilot says on the ground.
    pub ground_told_s: f64,
    /// The way through the air.
    pub path: Path,
    decay_s: f64,
}

/// One arming.
#[derive(Debug, Clone)]
pub struct Outing {
    /// Armed from here.
    pub arm_s: f64,
    /// Disarmed from here.
    pub disarm_s: f64,
    /// End of the recording of this outing.
    pub end_s: f64,
    /// Flights; none when the motors were only run up.
    pub hops: Vec<Hop>,
    /// Run up below lift, from and to.
    pub run_up: Option<(f64, f64)>,
}

/// Truth and belief at one instant.
#[derive(Debug, Clone, Copy)]
pub struct Situation {
    /// Where and how fast.
    pub motion: Motion,
    /// Off the ground.
    pub airborne: bool,
    /// Share of the lift-off thrust while on the ground, above idle.
    pub lift: f64,
    /// Seconds since lift-off, while airborne.
    pub aloft_s: f64,
    /// Armed.
    pub armed: bool,
    /// What the autopilot believes.
    pub landed: Landed,
}

impl Outing {
    /// Plans an outing that starts at `start_s` on the boot clock, at `place` with `yaw`.
    pub fn new(sortie: Sortie, plan: &Plan, start_s: f64, place: Motion, random: &mut Random) -> Self {
        let arm_s = start_s + random.between(9.0, 12.0);
        let mut hops = Vec::new();
        let mut run_up = None;
        let mut last_s = arm_s + random.between(2.0, 3.5);
        let short = Plan { legs: 0, hover_s: 12.0, height_m: plan.height_m.min(10.0), ..*plan };
        let plans: &[Plan] = match sortie {
            Sortie::Flight => &[*plan],
            Sortie::TouchAndGo => &[*plan, short],
            Sortie::SpoolUp => {
                run_up = Some((last_s, last_s + 6.0));
                last_s += 7.0;
                &[]
            }
        };
        let mut at = Motion { position: [place.position[0], place.position[1], 0.0], ..place };
        for (i, plan) in plans.iter().enumerate() {
            let spool_s = if i == 0 { last_s } else { last_s + random.between(1.0, 2.0) };
            let liftoff_s = spool_s + random.between(0.9, 1.2);
            let path = Path::new(plan, at.position, at.yaw, random);
            let touchdown_s = liftoff_s + path.airtime_s;
            at = path.at(path.airtime_s);
            at.position[2] = 0.0;
            last_s = touchdown_s + random.between(0.5, 2.0);
            hops.push(Hop {
                spool_s,
                liftoff_s,
                touchdown_s,
                takeoff_told_s: liftoff_s + random.between(-0.3, 0.4),
                ground_told_s: last_s,
                decay_s: random.between(0.5, 1.5),
                path,
            });
        }
        let disarm_s = last_s + random.between(0.8, 2.0);
        Self { arm_s, disarm_s, end_s: disarm_s + random.between(6.0, 8.0), hops, run_up }
    }

    /// Truth and belief at `t` on the boot clock; `rest` is where the aircraft stood at the start.
    pub fn at(&self, t: f64, rest: Motion) -> Situation {
        let armed = t >= self.arm_s && t < self.disarm_s;
        let mut now = Situation {
            motion: Motion { position: rest.position, yaw: rest.yaw, ..Motion::default() },
            airborne: false,
            lift: 0.0,
            aloft_s: 0.0,
            armed,
            landed: Landed::OnGround,
        };
        if let Some((from, to)) = self.run_up {
            now.lift = 0.6 * smooth((t - from) / 1.5) * smooth(to - t);
        }
        for hop in self.hops.iter().filter(|h| t >= h.spool_s.min(h.takeoff_told_s)) {
            hop.apply(t, &mut now);
        }
        now
    }
}

impl Hop {
    fn apply(&self, t: f64, now: &mut Situation) {
        if t < self.liftoff_s {
            now.lift = ((t - self.spool_s) / (self.liftoff_s - self.spool_s)).clamp(0.0, 1.0);
        } else if t < self.touchdown_s {
            now.airborne = true;
            now.aloft_s = t - self.liftoff_s;
            now.motion = self.path.at(now.aloft_s);
        } else {
            let end = self.path.at(self.path.airtime_s);
            let since = t - self.touchdown_s;
            now.airborne = false;
            now.lift = 0.95 * (1.0 - smooth(since / self.decay_s));
            let shock = if since < SHOCK_S { -end.velocity[2] / SHOCK_S } else { 0.0 };
            now.motion = Motion {
                position: [end.position[0], end.position[1], 0.0],
                velocity: [0.0; 3],
                acceleration: [0.0, 0.0, shock],
                yaw: end.yaw,
                yaw_rate: 0.0,
            };
        }
        now.landed = if t < self.takeoff_told_s || t >= self.ground_told_s {
            Landed::OnGround
        } else if t >= self.liftoff_s + self.path.descent_s {
            Landed::Landing
        } else if now.motion.position[2] < -1.0 {
            Landed::InAir
        } else {
            Landed::TakeOff
        };
    }
}

/// The landing gear takes the descent out within this time.
pub const SHOCK_S: f64 = 0.12;
