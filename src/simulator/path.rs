//! Where the aircraft is and how it moves: a chain of velocity changes, each a quintic step, so that
//! velocity and acceleration are smooth. North, east, down; metres and seconds from lift-off.

use super::random::Random;
use super::scenario::Plan;

/// Position, velocity, acceleration (north, east, down), heading and its rate.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct Motion {
    /// Metres from the take-off place.
    pub position: [f64; 3],
    /// In m/s.
    pub velocity: [f64; 3],
    /// In m/s².
    pub acceleration: [f64; 3],
    /// Radians clockwise from north.
    pub yaw: f64,
    /// In rad/s.
    pub yaw_rate: f64,
}

#[derive(Debug, Clone)]
struct Segment {
    start_s: f64,
    length_s: f64,
    position: [f64; 3],
    from: [f64; 3],
    to: [f64; 3],
    yaw: f64,
    turn: f64,
}

/// One flight from lift-off to touchdown.
#[derive(Debug, Clone)]
pub struct Path {
    segments: Vec<Segment>,
    /// Lift-off to touchdown.
    pub airtime_s: f64,
    /// Start of the descent that ends on the ground.
    pub descent_s: f64,
    /// Sum of the hover segments.
    pub hover_s: f64,
}

impl Path {
    /// The flight of `plan`, beginning at `place` with `yaw`; turn directions come from `random`.
    pub fn new(plan: &Plan, place: [f64; 3], yaw: f64, random: &mut Random) -> Self {
        let mut path = Path { segments: Vec::new(), airtime_s: 0.0, descent_s: 0.0, hover_s: 0.0 };
        let mut at = Motion { position: place, yaw, ..Motion::default() };
        let climb = 2.0;
        path.push(&mut at, 2.0, [0.0, 0.0, -climb], 0.0);
        path.push(&mut at, (plan.height_m / climb - 2.0).max(0.1), [0.0, 0.0, -climb], 0.0);
        path.push(&mut at, 2.0, [0.0; 3], 0.0);
        path.hover(&mut at, plan.hover_s);
        let side = if random.between(0.0, 1.0) < 0.5 { -1.0 } else { 1.0 };
        for leg in 0..plan.legs {
            let turn = if leg == 0 { random.between(-1.0, 1.0) } else { side * 1.6 };
            path.push(&mut at, 6.0, [0.0; 3], turn);
            let (east, north) = at.yaw.sin_cos();
            let cruise = [plan.cruise_m_s * north, plan.cruise_m_s * east, 0.0];
            path.push(&mut at, 4.0, cruise, 0.0);
            path.push(&mut at, plan.cruise_s, cruise, 0.0);
            path.push(&mut at, 4.0, [0.0; 3], 0.0);
            path.hover(&mut at, 5.0);
        }
        path.hover(&mut at, plan.hover_s);
        path.descent_s = path.airtime_s;
        let (fast, slow) = (1.5f64.max(plan.touchdown_m_s), plan.touchdown_m_s);
        let height = -at.position[2];
        path.push(&mut at, 2.0, [0.0, 0.0, fast], 0.0);
        let level = (height - fast - (fast + slow) - 2.0) / fast;
        path.push(&mut at, level.max(0.1), [0.0, 0.0, fast], 0.0);
        path.push(&mut at, 2.0, [0.0, 0.0, slow], 0.0);
        let left = -at.position[2];
        path.push(&mut at, (left / slow).max(0.1), [0.0, 0.0, slow], 0.0);
        path
    }

    fn hover(&mut self, at: &mut Motion, length_s: f64) {
        self.hover_s += length_s;
        self.push(at, length_s, [0.0; 3], 0.0);
    }

    fn push(&mut self, at: &mut Motion, length_s: f64, to: [f64; 3], turn: f64) {
        let segment = Segment {
            start_s: self.airtime_s,
            length_s,
            position: at.position,
            from: at.velocity,
            to,
            yaw: at.yaw,
            turn,
        };
        self.airtime_s += length_s;
        *at = segment.at(length_s);
        self.segments.push(segment);
    }

    /// The motion `t` seconds after lift-off.
    pub fn at(&self, t: f64) -> Motion {
        let index = self.segments.partition_point(|s| s.start_s <= t).saturating_sub(1);
        self.segments.get(index).map_or_else(Motion::default, |s| s.at(t - s.start_s))
    }
}

impl Segment {
    fn at(&self, t: f64) -> Motion {
        let s = (t / self.length_s).clamp(0.0, 1.0);
        let step = smooth(s);
        let slope = 30.0 * s * s * (1.0 - s) * (1.0 - s) / self.length_s;
        let area = (s.powi(6) - 3.0 * s.powi(5) + 2.5 * s.powi(4)) * self.length_s;
        let change = |axis: usize| self.to[axis] - self.from[axis];
        Motion {
            position: std::array::from_fn(|a| {
                self.position[a] + self.from[a] * s * self.length_s + change(a) * area
            }),
            velocity: std::array::from_fn(|a| self.from[a] + change(a) * step),
            acceleration: std::array::from_fn(|a| change(a) * slope),
            yaw: self.yaw + self.turn * step,
            yaw_rate: self.turn * slope,
        }
    }
}

/// 0 to 1 with first and second derivative zero at both ends.
pub fn smooth(s: f64) -> f64 {
    let s = s.clamp(0.0, 1.0);
    s * s * s * (10.0 - 15.0 * s + 6.0 * s * s)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::simulator::{Frame, Scenario};

    fn path() -> Path {
        Path::new(&Scenario::new(Frame::QuadX, 1).plan, [0.0; 3], 0.3, &mut Random::new(5))
    }

    #[test]
    fn velocity_is_the_derivative_of_position_and_so_on() {
        let (path, h) = (path(), 1e-4);
        for k in 1..((path.airtime_s / 0.37) as usize) {
            let t = k as f64 * 0.37;
            let (before, now, after) = (path.at(t - h), path.at(t), path.at(t + h));
            for a in 0..3 {
                let v = (after.position[a] - before.position[a]) / (2.0 * h);
                let acc = (after.velocity[a] - before.velocity[a]) / (2.0 * h);
                assert!((v - now.velocity[a]).abs() < 1e-3, "t {t}, axis {a}: {v}, {now:?}");
                assert!((acc - now.acceleration[a]).abs() < 1e-3, "t {t}, axis {a}: {acc}, {now:?}");
            }
        }
    }

    #[test]
    fn starts_and_ends_on_the_ground() {
        let path = path();
        assert!(path.at(0.0).position[2].abs() < 1e-9);
        let end = path.at(path.airtime_s);
        assert!(end.position[2].abs() < 1e-6, "{end:?}");
        assert!((end.velocity[2] - 0.5).abs() < 1e-9, "{end:?}");
        assert!(path.hover_s >= 20.0);
        for k in 1..100 {
            let t = path.airtime_s * f64::from(k) / 100.0;
            assert!(path.at(t).position[2] < 0.0, "below ground at {t}");
        }
    }
}
