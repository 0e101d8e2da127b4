//! Where in a flight the aircraft hovered steadily.
//!
//! # Method
//! Each series that bears on steadiness gives the stretches during which consecutive samples, at most
//! [`MAX_GAP_MS`] apart, both meet its criterion; steady hover is where all of them do for [`MIN_SPAN_MS`].
//! - lean: the thrust direction, as a horizontal vector in the earth frame, within [`MAX_LEAN_DEG`] of its
//!   median over slow flight. Into a steady wind a multirotor hovers leaning, so the median is no fault; the
//!   lean itself may not pass [`MAX_TILT_DEG`].
//! - horizontal speed, climb, body rates under the constants below.
//!
//! A hole in the data parts a stretch in two, and neither holds the samples that may lie on its other side.
//!
//! # Source
//! The limits are common practice, no published source.
//! # When it says nothing
//! Without any series of speed there is no hover. Other missing series are left out, with a note.

use crate::signal::{Attitude, Sample, Signals, hole};
use crate::stats::median;

/// Largest departure of the lean from the flight's own, in degrees.
pub const MAX_LEAN_DEG: f64 = 8.0;
/// Largest tilt whatever the wind, in degrees.
pub const MAX_TILT_DEG: f64 = 20.0;
/// Largest horizontal speed in m/s.
pub const MAX_SPEED_M_S: f64 = 1.0;
/// Largest climb or descent in m/s.
pub const MAX_CLIMB_M_S: f64 = 0.5;
/// Largest body rate about any axis, in rad/s (20 °/s).
pub const MAX_RATE_RAD_S: f64 = 0.35;
/// Shortest stretch that counts, in milliseconds.
pub const MIN_SPAN_MS: i64 = 2000;
/// Left out after takeoff and before touchdown, in milliseconds: ground effect and settling.
pub const MARGIN_MS: i64 = 2000;
/// Two samples further apart than this do not vouch for the time between them, in milliseconds.
pub const MAX_GAP_MS: i64 = 3000;

/// A stretch of boot time.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Span {
    /// First instant, in milliseconds since boot.
    pub start_ms: i64,
    /// Last instant, in milliseconds since boot.
    pub end_ms: i64,
}

/// Where in a flight the aircraft hovered steadily.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct HoverSummary {
    /// The stretches, in order, none shorter than two seconds.
    pub spans: Vec<Span>,
    /// Their total length in seconds.
    pub seconds: f64,
    /// Which criteria could not be checked because the log lacks the series, or why there is no hover.
    pub notes: Vec<String>,
}

impl HoverSummary {
    /// First and last instant of all the stretches.
    pub fn bounds(&self) -> Option<(i64, i64)> {
        Some((self.spans.first()?.start_ms, self.spans.last()?.end_ms))
    }

    /// The samples sent during steady hover.
    pub fn select<'a, T>(
        &'a self,
        series: &'a crate::signal::Series<T>,
    ) -> impl Iterator<Item = &'a Sample<T>> {
        self.spans.iter().flat_map(|s| series.within(s.start_ms, s.end_ms)).filter(|sample| {
            let time = instant(sample);
            self.spans.iter().any(|s| s.start_ms <= time && time <= s.end_ms)
        })
    }
}

/// The instant to take for a sample: the middle of its interval, unless that is too wide to mean anything.
fn instant<T>(sample: &Sample<T>) -> i64 {
    let width = sample.latest_ms.saturating_sub(sample.earliest_ms);
    if (0..=MAX_GAP_MS).contains(&width) { sample.middle_ms() } else { sample.earliest_ms }
}

/// Finds the steady hover of the flight between two instants.
pub fn steady_hover(signals: &Signals, start_ms: i64, end_ms: i64) -> HoverSummary {
    let (from, to) = signals.settled(start_ms, end_ms, MARGIN_MS);
    let told_ms = to.saturating_sub(from) - hole::length_ms(&signals.holes, from, to);
    let mut notes = Vec::new();
    let hidden_ms = hole::length_ms(&signals.holes, start_ms, end_ms);
    if hidden_ms > 0 {
        notes.push(format!(
            "{:.0} s of the flight are holes in the data, not judged",
            hidden_ms as f64 / 1000.0
        ));
    }
    if to.saturating_sub(from) < MIN_SPAN_MS {
        notes.push("flight too short for steady hover".to_owned());
        return HoverSummary { notes, ..HoverSummary::default() };
    }
    let Some(mut spans) = slow(signals, from, to, told_ms).map(|s| apart(&s, &signals.holes)) else {
        notes.push("no series of speed (position or HUD) often enough: no steady hover".to_owned());
        return HoverSummary { notes, ..HoverSummary::default() };
    };
    let attitude = signals.attitude.within(from, to);
    if often_enough(attitude, told_ms) {
        let (north, east) = usual_lean(attitude, &spans);
        spans = intersect(&spans, &stretches(attitude, |a| level_and_still(a, north, east)));
    } else {
        notes.push("no ATTITUDE often enough: lean and body rates not checked".to_owned());
    }
    spans.retain(|s| s.end_ms - s.start_ms >= MIN_SPAN_MS);
    let total: i64 = spans.iter().map(|s| s.end_ms - s.start_ms).sum();
    if spans.is_empty() {
        notes.push("the aircraft never hovered steadily for two seconds".to_owned());
    }
    HoverSummary { spans, seconds: total as f64 / 1000.0, notes }
}

/// Stretches of low speed and climb, from the best series there is.
fn slow(signals: &Signals, from: i64, to: i64, told_ms: i64) -> Option<Vec<Span>> {
    let within =
        |horizontal: f64, vertical: f64| horizontal < MAX_SPEED_M_S && vertical.abs() < MAX_CLIMB_M_S;
    let local = signals.local_position.within(from, to);
    let global = signals.global_position.within(from, to);
    let hud = signals.hud.within(from, to);
    if often_enough(local, told_ms) {
        return Some(stretches(local, |p| within(f64::from(p.vx.hypot(p.vy)), f64::from(p.vz))));
    }
    if often_enough(global, told_ms) {
        let mut spans =
            stretches(global, |p| within(f64::from(p.vn_m_s.hypot(p.ve_m_s)), f64::from(p.vd_m_s)));
        // Some senders leave the vertical speed at zero; the HUD has a climb rate of its own.
        if often_enough(hud, told_ms) {
            spans = intersect(&spans, &stretches(hud, |h| within(0.0, f64::from(h.climb_m_s))));
        }
        return Some(spans);
    }
    often_enough(hud, told_ms)
        .then(|| stretches(hud, |h| within(f64::from(h.groundspeed_m_s), f64::from(h.climb_m_s))))
}

/// Whether a series has at least a sample every [`MAX_GAP_MS`] on average over the time without holes.
fn often_enough<T>(samples: &[Sample<T>], told_ms: i64) -> bool {
    samples.len() >= 3 && samples.len() as i64 >= told_ms / MAX_GAP_MS
}

/// The stretches without the holes. They end just before one: a message without a stamp of its own that was sent
/// behind it is filed at the last instant before it.
fn apart(spans: &[Span], holes: &[(i64, i64)]) -> Vec<Span> {
    let mut parts = Vec::new();
    for span in spans {
        let mut start_ms = span.start_ms;
        for hole in hole::within(holes, span.start_ms, span.end_ms) {
            parts.push(Span { start_ms, end_ms: hole.0 - 1 });
            start_ms = hole.1;
        }
        parts.push(Span { start_ms, end_ms: span.end_ms });
    }
    parts.retain(|part| part.start_ms < part.end_ms);
    parts
}

/// Stretches during which consecutive samples all meet the criterion.
fn stretches<T>(samples: &[Sample<T>], meets: impl Fn(&T) -> bool) -> Vec<Span> {
    let mut spans: Vec<Span> = Vec::new();
    for pair in samples.windows(2) {
        let (start_ms, end_ms) = (instant(&pair[0]), instant(&pair[1]));
        let near = (0..=MAX_GAP_MS).contains(&(end_ms - start_ms));
        if !(near && meets(&pair[0].value) && meets(&pair[1].value)) {
            continue;
        }
        match spans.last_mut() {
            Some(last) if last.end_ms == start_ms => last.end_ms = end_ms,
            _ => spans.push(Span { start_ms, end_ms }),
        }
    }
    spans
}

/// Where two ordered lists of stretches overlap.
fn intersect(a: &[Span], b: &[Span]) -> Vec<Span> {
    let (mut i, mut j, mut both) = (0, 0, Vec::new());
    while let (Some(x), Some(y)) = (a.get(i), b.get(j)) {
        let (start_ms, end_ms) = (x.start_ms.max(y.start_ms), x.end_ms.min(y.end_ms));
        if start_ms < end_ms {
            both.push(Span { start_ms, end_ms });
        }
        if x.end_ms < y.end_ms {
            i += 1;
        } else {
            j += 1;
        }
    }
    both
}

/// Horizontal part of the thrust direction in the earth frame, north and east.
fn lean(a: &Attitude) -> (f64, f64) {
    let [roll, pitch, yaw] = [a.roll, a.pitch, a.yaw].map(f64::from);
    let (sin_yaw, cos_yaw) = yaw.sin_cos();
    let (ahead, right) = (-pitch.sin() * roll.cos(), roll.sin());
    (ahead * cos_yaw - right * sin_yaw, ahead * sin_yaw + right * cos_yaw)
}

/// Median lean while slow: what the wind asks for.
fn usual_lean(attitude: &[Sample<Attitude>], slow: &[Span]) -> (f64, f64) {
    let mut spans = slow.iter().peekable();
    let (mut north, mut east) = (Vec::new(), Vec::new());
    for sample in attitude {
        let time = instant(sample);
        while spans.next_if(|s| s.end_ms < time).is_some() {}
        if spans.peek().is_some_and(|s| s.start_ms <= time) {
            let (n, e) = lean(&sample.value);
            north.push(n);
            east.push(e);
        }
    }
    (median(&north).unwrap_or(0.0), median(&east).unwrap_or(0.0))
}

fn level_and_still(a: &Attitude, north: f64, east: f64) -> bool {
    let (n, e) = lean(a);
    let still = [a.rollspeed, a.pitchspeed, a.yawspeed].iter().all(|r| f64::from(r.abs()) < MAX_RATE_RAD_S);
    let tilt_cosine = f64::from(a.roll.cos() * a.pitch.cos());
    still
        && (n - north).hypot(e - east) < MAX_LEAN_DEG.to_radians().sin()
        && tilt_cosine > MAX_TILT_DEG.to_radians().cos()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::signal::{GlobalPosition, Hud, Series};

    fn position(vn_m_s: f32) -> GlobalPosition {
        let [relative_alt_m, alt_m, ve_m_s, vd_m_s] = [20.0, 120.0, 0.0, 0.0];
        GlobalPosition { lat_deg: 0.0, lon_deg: 0.0, relative_alt_m, alt_m, vn_m_s, ve_m_s, vd_m_s }
    }

    fn attitude(pitch: f32, pitchspeed: f32) -> Attitude {
        Attitude { roll: 0.0, pitch, yaw: 0.0, rollspeed: 0.0, pitchspeed, yawspeed: 0.0 }
    }

    /// 60 s flight at 1 Hz: hover, a leg at 5 m/s from 20 to 40 s, hover.
    fn flight() -> Signals {
        let global_position =
            (0..=60).map(|s| Sample::at(s * 1000, position(if (20..40).contains(&s) { 5.0 } else { 0.2 })));
        Signals { global_position: global_position.collect(), ..Signals::default() }
    }

    fn seconds(hover: &HoverSummary) -> Vec<(i64, i64)> {
        hover.spans.iter().map(|s| (s.start_ms / 1000, s.end_ms / 1000)).collect()
    }

    #[test]
    fn one_hertz_positions_alone_give_the_hover_and_a_note() {
        let hover = steady_hover(&flight(), 0, 60_000);
        assert_eq!(seconds(&hover), [(2, 19), (40, 58)]);
        assert_eq!(hover.seconds, 35.0);
        assert!(hover.notes.iter().any(|n| n.contains("ATTITUDE")), "{:?}", hover.notes);
    }

    #[test]
    fn climb_from_the_hud_counts_and_silence_does_not_vouch() {
        let mut signals = flight();
        let hud = |s: i64| Hud {
            alt_m: 0.0,
            climb_m_s: if s < 10 { 1.0 } else { 0.0 },
            groundspeed_m_s: 0.0,
            throttle_percent: 50,
        };
        signals.hud =
            (0..=60).filter(|s| !(45..50).contains(s)).map(|s| Sample::at(s * 1000, hud(s))).collect();
        assert_eq!(seconds(&steady_hover(&signals, 0, 60_000)), [(10, 19), (40, 44), (50, 58)]);
    }

    #[test]
    fn a_steady_lean_into_the_wind_is_hover_but_a_gust_or_a_swing_is_not() {
        let mut signals = flight();
        // 10 Hz; 9° nose down throughout (wind), 20° for 2 s from 10 s, pitching at 1 rad/s from 50 to 52 s.
        let at = |tenth: i64| match tenth {
            100..120 => attitude(-0.35, 0.0),
            500..520 => attitude(-0.16, 1.0),
            _ => attitude(-0.16, 0.0),
        };
        signals.attitude = (0..=600).map(|t| Sample::at(t * 100, at(t))).collect();
        let hover = steady_hover(&signals, 0, 60_000);
        assert_eq!(seconds(&hover), [(2, 9), (12, 19), (40, 49), (52, 58)]);
        assert!(hover.notes.is_empty(), "{:?}", hover.notes);
    }

    #[test]
    fn without_speed_or_time_there_is_none() {
        assert!(steady_hover(&Signals::default(), 0, 60_000).spans.is_empty());
        assert!(steady_hover(&flight(), 0, 5_000).spans.is_empty());
        let empty: Series<Hud> = Series::default();
        assert_eq!(HoverSummary::default().select(&empty).count(), 0);
    }
}
