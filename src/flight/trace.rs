//! What segmentation looks at, gathered from whichever messages the log has.

use crate::signal::{Sample, Signals, hole};

/// Height and climb at one instant.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Motion {
    /// Milliseconds since boot.
    pub time_ms: i64,
    /// Half-width of the instant's interval, in milliseconds.
    pub slack_ms: i64,
    /// Metres above an arbitrary origin.
    pub height_m: f64,
    /// m/s, up positive.
    pub climb_m_s: f64,
}

/// Mean motor output at one instant, in units of 1000 µs above 1000 µs.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Effort {
    /// Milliseconds since boot.
    pub time_ms: i64,
    /// Mean over motors.
    pub level: f64,
}

/// The traces of one boot session.
#[derive(Debug, Clone, Default)]
pub struct Traces {
    /// First and last instants of the session.
    pub start_ms: i64,
    /// Last instant.
    pub end_ms: i64,
    /// Armed spans from the autopilot's heartbeats; `None` without heartbeats.
    pub armed: Option<Vec<(i64, i64)>>,
    /// From the best source of vertical motion.
    pub motion: Vec<Motion>,
    /// Motor output.
    pub effort: Vec<Effort>,
    /// Output level at idle, if there is any effort.
    pub idle: f64,
    /// Output level that carries the weight.
    pub hover: f64,
    /// Times of which nothing is known, in order.
    pub holes: Vec<(i64, i64)>,
    motion_step_ms: i64,
    effort_step_ms: i64,
}

impl Traces {
    /// Gathers the traces.
    pub fn new(signals: &Signals, motor_outputs: Option<&[u8]>) -> Self {
        let motion = motion(signals);
        let effort = effort(signals, motor_outputs);
        let motion_step_ms = step_ms(motion.iter().map(|m| m.time_ms));
        let effort_step_ms = step_ms(effort.iter().map(|e| e.time_ms));
        let armed = armed(signals);
        let mut traces =
            Traces { armed, motion, effort, motion_step_ms, effort_step_ms, ..Traces::default() };
        traces.holes.clone_from(&signals.holes);
        let ends = [
            ends(&signals.heartbeats),
            ends(&signals.landed),
            ends(&signals.outputs),
            ends(&signals.attitude),
            ends(&signals.global_position),
            ends(&signals.local_position),
            ends(&signals.hud),
        ];
        traces.start_ms = ends.iter().flatten().map(|e| e.0).min().unwrap_or(0);
        traces.end_ms = ends.iter().flatten().map(|e| e.1).max().unwrap_or(0);
        traces.levels();
        traces
    }

    /// True if the session was armed (or arming is unknown) during all of `from_ms..=to_ms`.
    pub fn armed_throughout(&self, from_ms: i64, to_ms: i64) -> bool {
        self.armed.is_none() || self.armed_span(from_ms).is_some_and(|span| to_ms <= span.1)
    }

    /// The last armed span that begins at `time_ms` or before: spans are in order, so no other one can hold it.
    fn armed_span(&self, time_ms: i64) -> Option<(i64, i64)> {
        let spans = self.armed.as_deref()?;
        spans.get(spans.partition_point(|span| span.0 <= time_ms).checked_sub(1)?).copied()
    }

    /// End of the armed span that holds `time_ms`; `i64::MAX` if it has none, or arming is unknown.
    pub fn armed_until(&self, time_ms: i64) -> i64 {
        self.armed_span(time_ms).filter(|span| time_ms <= span.1).map_or(i64::MAX, |span| span.1)
    }

    /// True if armed (or arming is unknown) at `time_ms`.
    pub fn armed_at(&self, time_ms: i64) -> bool {
        self.armed_throughout(time_ms, time_ms)
    }

    /// Motion samples in `from_ms..=to_ms`.
    pub fn motion_within(&self, from_ms: i64, to_ms: i64) -> &[Motion] {
        let from = self.motion.partition_point(|m| m.time_ms < from_ms);
        let to = self.motion.partition_point(|m| m.time_ms <= to_ms);
        self.motion.get(from..to.max(from)).unwrap_or_default()
    }

    /// Effort samples in `from_ms..=to_ms`.
    pub fn effort_within(&self, from_ms: i64, to_ms: i64) -> &[Effort] {
        let from = self.effort.partition_point(|m| m.time_ms < from_ms);
        let to = self.effort.partition_point(|m| m.time_ms <= to_ms);
        self.effort.get(from..to.max(from)).unwrap_or_default()
    }

    /// True if a hole lies between two instants, in whole or in part.
    pub fn hole_within(&self, from_ms: i64, to_ms: i64) -> bool {
        !hole::within(&self.holes, from_ms, to_ms).is_empty()
    }

    /// Latest effort not after `time_ms`; `None` if a hole lies between.
    pub fn effort_at(&self, time_ms: i64) -> Option<f64> {
        let to = self.effort.partition_point(|m| m.time_ms <= time_ms);
        let effort = self.effort.get(to.checked_sub(1)?)?;
        (!self.hole_within(effort.time_ms, time_ms)).then_some(effort.level)
    }

    /// True shortly behind a hole, while the first effort is still to come.
    pub fn awaits_effort(&self, time_ms: i64) -> bool {
        !self.effort.is_empty() && self.hole_within(time_ms - 2_000, time_ms)
    }

    /// Height interpolated at `time_ms`; the nearest sample's outside the trace, `None` across a hole.
    pub fn height_at(&self, time_ms: i64) -> Option<f64> {
        let to = self.motion.partition_point(|m| m.time_ms <= time_ms);
        let (before, after) = (to.checked_sub(1).and_then(|i| self.motion.get(i)), self.motion.get(to));
        match (before, after) {
            (Some(a), Some(b)) if self.hole_within(a.time_ms, b.time_ms) => {
                (a.time_ms == time_ms).then_some(a.height_m)
            }
            (Some(a), Some(b)) => {
                let share = (time_ms - a.time_ms) as f64 / (b.time_ms - a.time_ms).max(1) as f64;
                Some(a.height_m + share * (b.height_m - a.height_m))
            }
            (Some(m), None) | (None, Some(m)) => Some(m.height_m),
            (None, None) => None,
        }
    }

    /// Outputs between idle and hover: below it nothing flies.
    pub fn low(&self) -> f64 {
        self.idle + 0.35 * (self.hover - self.idle)
    }

    /// Outputs near hover: at it most of the weight is carried.
    pub fn high(&self) -> f64 {
        self.idle + 0.75 * (self.hover - self.idle)
    }

    /// Typical spacing of the motion trace, in milliseconds.
    pub fn motion_step_ms(&self) -> i64 {
        self.motion_step_ms
    }

    /// Typical spacing of the effort trace, in milliseconds.
    pub fn effort_step_ms(&self) -> i64 {
        self.effort_step_ms
    }

    fn levels(&mut self) {
        let armed: Vec<&Effort> = self.effort.iter().filter(|e| self.armed_at(e.time_ms)).collect();
        if armed.is_empty() {
            return;
        }
        let mut all: Vec<f64> = armed.iter().map(|e| e.level).collect();
        all.sort_by(f64::total_cmp);
        let lowest = all.get(all.len() / 50).copied().unwrap_or_default();
        let mut heights: Vec<f64> = armed.iter().filter_map(|e| self.height_at(e.time_ms)).collect();
        heights.sort_by(f64::total_cmp);
        let ground = heights.get(heights.len() / 50).copied();
        let mut aloft: Vec<f64> = match ground {
            Some(ground) => armed
                .iter()
                .filter(|e| self.height_at(e.time_ms).is_some_and(|h| h - ground > 1.0))
                .map(|e| e.level)
                .collect(),
            None => Vec::new(),
        };
        if aloft.len() < 5 {
            aloft = all.clone();
        }
        aloft.sort_by(f64::total_cmp);
        self.hover = aloft.get(aloft.len() / 2).copied().unwrap_or_default();
        // A log wholly in the air shows no idle, but the level at which a lighter aircraft flies; then a third of
        // the hover level stands for it.
        let nearly_lowest = lowest + 0.1 * (self.hover - lowest);
        let mut heights: Vec<f64> = armed
            .iter()
            .filter(|e| e.level <= nearly_lowest)
            .filter_map(|e| self.height_at(e.time_ms))
            .collect();
        heights.sort_by(f64::total_cmp);
        let typical = heights.get(heights.len() / 2).copied();
        let on_ground = typical.zip(ground).is_none_or(|(height, ground)| height - ground <= 1.0);
        let idle = lowest < 0.5 * self.hover || lowest < 0.75 * self.hover && on_ground;
        self.idle = if idle { lowest.max(0.0) } else { self.hover / 3.0 };
    }
}

fn ends<T>(series: &[Sample<T>]) -> Option<(i64, i64)> {
    let last = series.iter().rev().take(8).map(|s| s.latest_ms.min(i64::MAX - 1)).max()?;
    Some((series.first()?.earliest_ms, last))
}

/// The usual step of instants in order. Over two links each comes twice.
fn step_ms(times: impl Iterator<Item = i64>) -> i64 {
    let times: Vec<i64> = times.collect();
    let mut steps: Vec<i64> = times.windows(2).map(|w| w[1] - w[0]).filter(|step| *step > 0).collect();
    steps.sort_unstable();
    steps.get(steps.len() / 2).copied().unwrap_or(1000).max(1)
}

/// Armed spans. A span begins with the first armed heartbeat, taken as early as the disarmed one before
/// it, and ends as late as the disarmed one after it: arming lies somewhere in between.
fn armed(signals: &Signals) -> Option<Vec<(i64, i64)>> {
    let beats = &signals.heartbeats;
    let first = beats.first()?;
    let mut spans = Vec::new();
    let mut since = (first.value.armed && !first.value.hil).then_some(i64::MIN);
    let mut last_ms = first.earliest_ms;
    for beat in beats.iter() {
        let flying = beat.value.armed && !beat.value.hil;
        match (flying, since) {
            (true, None) => since = Some(last_ms),
            (false, Some(from)) => {
                spans.push((from, beat.latest_ms));
                since = None;
            }
            _ => {}
        }
        last_ms = beat.earliest_ms;
    }
    if let Some(from) = since {
        spans.push((from, i64::MAX));
    }
    Some(spans)
}

/// The source of vertical motion with the most samples; the estimators' own before the display's.
fn motion(signals: &Signals) -> Vec<Motion> {
    let local: Vec<Motion> =
        gather(signals, &signals.local_position, |p| (-f64::from(p.z), -f64::from(p.vz)));
    let global: Vec<Motion> =
        gather(signals, &signals.global_position, |p| (f64::from(p.relative_alt_m), -f64::from(p.vd_m_s)));
    let hud: Vec<Motion> = gather(signals, &signals.hud, |p| (f64::from(p.alt_m), f64::from(p.climb_m_s)));
    let mut best = if local.len() >= global.len() { local } else { global };
    if hud.len() > 3 * best.len() {
        best = hud;
    }
    best
}

/// Whether a sample may have been sent before a hole or behind it: then it tells of neither.
fn across<T>(signals: &Signals, sample: &Sample<T>) -> bool {
    signals.hole_within(sample.earliest_ms, sample.latest_ms)
}

fn gather<T: Copy>(signals: &Signals, series: &[Sample<T>], read: impl Fn(T) -> (f64, f64)) -> Vec<Motion> {
    let mut motion: Vec<Motion> = series
        .iter()
        .filter(|s| !across(signals, s))
        .map(|s| {
            let (height_m, climb_m_s) = read(s.value);
            let latest_ms = s.latest_ms.min(s.earliest_ms + 5_000);
            let time_ms = s.earliest_ms + (latest_ms - s.earliest_ms) / 2;
            Motion { time_ms, slack_ms: (latest_ms - s.earliest_ms) / 2, height_m, climb_m_s }
        })
        .filter(|m| m.height_m.is_finite() && m.climb_m_s.is_finite())
        .collect();
    motion.sort_by_key(|m| m.time_ms);
    motion
}

fn effort(signals: &Signals, motor_outputs: Option<&[u8]>) -> Vec<Effort> {
    let found;
    let channels = match motor_outputs {
        Some(channels) => channels,
        None => {
            found = motor_like(signals);
            &found
        }
    };
    signals
        .outputs
        .iter()
        .filter(|s| !across(signals, s))
        .filter_map(|s| {
            let pulses: Vec<f64> = channels
                .iter()
                .filter_map(|c| s.value.pulse_us(*c))
                .map(|p| (f64::from(p) - 1000.0) / 1000.0)
                .collect();
            let level = pulses.iter().sum::<f64>() / pulses.len() as f64;
            (!pulses.is_empty()).then_some(Effort { time_ms: s.earliest_ms, level })
        })
        .collect()
}

/// Channels that move together from idle to flight: the spread of a motor's pulses is wide, a centred
/// servo's is not. Falls back to every channel in use.
fn motor_like(signals: &Signals) -> Vec<u8> {
    let in_use: Vec<u8> =
        (1..=16).filter(|c| signals.outputs.iter().any(|s| s.value.pulse_us(*c).is_some())).collect();
    let wide: Vec<u8> = in_use
        .iter()
        .copied()
        .filter(|c| {
            let mut pulses: Vec<u16> = signals.outputs.iter().filter_map(|s| s.value.pulse_us(*c)).collect();
            pulses.sort_unstable();
            let at = |share: usize| pulses.get((pulses.len() - 1) * share / 100).copied().unwrap_or_default();
            at(98).saturating_sub(at(2)) > 150 && at(2) < 1300
        })
        .collect();
    if wide.len() >= 3 { wide } else { in_use }
}
