//! One log's rows: which aircraft, which flights, which numbers.

use super::ends::Ends;
use super::naming::{self, Named};
use super::{METHOD_VERSION, short_id};
use crate::airframe::Airframe;
use crate::archive::cell::Utc;
use crate::archive::row::{FlightRow, IntegrityRow, LogRow, MeasureRow};
use crate::clock::{SAME_BOOT_US, UtcBinding, UtcSource};
use crate::fleet::Fleet;
use crate::flight::{Flight, segment};
use crate::measure::{Measurement, measure_flight};
use crate::recording::{BootSession, Loss, Recording, Reduce, Vehicle};
use crate::signal::Signals;
use crate::wire::Container;
use serde_json::json;
use std::path::Path;

/// What one log holds.
#[derive(Debug, Clone, PartialEq)]
pub struct Assessment {
    /// The log.
    pub log: LogRow,
    /// UTC date under which it is filed: of the first takeoff, else of the first instant, else `unknown`.
    pub date: String,
    /// Flights of all vehicles, by vehicle and time.
    pub flights: Vec<FlightRow>,
    /// Their numbers.
    pub measures: Vec<MeasureRow>,
    /// What the log lost.
    pub losses: Vec<IntegrityRow>,
    /// Names given to aircraft that `fleet.toml` does not know, with how to name them.
    pub unnamed: Vec<(String, String)>,
}

/// Assesses a recording; `fleet` supplies names, geometry and outputs where it knows the aircraft.
pub fn assess(recording: &Recording, log_id: &str, path: &Path, fleet: &Fleet) -> Assessment {
    let mut flights = Vec::new();
    let mut measures = Vec::new();
    let mut unnamed: Vec<(String, String)> = Vec::new();
    let mut names: Vec<String> = Vec::new();
    let mut named = |uid: Option<&str>, system_id: u32| {
        let identity = naming::identity(uid, system_id, path);
        let named = naming::name(fleet, &identity);
        if named.aircraft.is_none() && !unnamed.iter().any(|(known, _)| *known == named.name) {
            unnamed.push((named.name.clone(), naming::how_to_name(&identity)));
        }
        if !names.contains(&named.name) {
            names.push(named.name.clone());
        }
        named
    };
    for vehicle in &recording.vehicles {
        let mut ordinal = 0;
        if vehicle.boots.is_empty() {
            named(vehicle.autopilot_uid.as_deref(), vehicle.system_id);
        }
        for (boot, session) in vehicle.boots.iter().enumerate() {
            let Named { name, aircraft } = named(session.autopilot_uid.as_deref(), vehicle.system_id);
            let airframe = aircraft.and_then(|a| a.airframe.as_ref());
            let drawn = session.reduced.clone().unwrap_or_else(|| flights_of(session, airframe));
            for (flight, measurements) in drawn {
                let row = flight_row(&flight, log_id, &name, vehicle, ordinal, boot, session);
                measures.extend(measurements.into_iter().map(|m| MeasureRow {
                    flight_id: row.flight_id.clone(),
                    aircraft: name.clone(),
                    measure: m.measure.to_owned(),
                    subject: m.subject,
                    statistic: m.statistic.to_owned(),
                    value: m.value,
                    unit: m.unit.to_owned(),
                    samples: whole(m.samples),
                    start_boot_ms: m.start_ms,
                    end_boot_ms: m.end_ms,
                    start_utc: at(session.utc, m.start_ms),
                    end_utc: at(session.utc, m.end_ms),
                    note: m.note.map(|n| n.into_owned()),
                    method_version: METHOD_VERSION,
                }));
                flights.push(row);
                ordinal += 1;
            }
        }
    }
    let airtime_ms = |name: &String| -> i64 {
        flights.iter().filter(|f: &&FlightRow| f.aircraft == *name).map(|f| f.airtime_ms).sum()
    };
    // One log is filed under one aircraft: the one that flew most, the first among equals.
    let aircraft =
        names.iter().rev().max_by_key(|name| airtime_ms(name)).cloned().unwrap_or_else(|| "none".to_owned());
    let log = log_row(recording, log_id, path, aircraft);
    let first = flights.iter().filter_map(|f| f.takeoff_utc).min().or(log.start_utc);
    let date = first.map_or_else(|| "unknown".to_owned(), date_of);
    let losses = losses(recording, log_id);
    Assessment { log, date, flights, measures, losses, unnamed }
}

/// The flights of one session with their numbers.
fn flights_of(session: &BootSession, airframe: Option<&Airframe>) -> Vec<(Flight, Vec<Measurement>)> {
    let outputs: Option<Vec<u8>> = airframe.map(|a| a.motors.iter().map(|m| m.output).collect());
    let found = segment(&session.signals, outputs.as_deref(), session.lag_ms);
    let measured = |flight: Flight| {
        let (start_ms, end_ms) = (flight.takeoff.best_ms, flight.touchdown.best_ms);
        let measurements = measure_flight(&session.signals, airframe, start_ms, end_ms).measurements;
        (flight, measurements)
    };
    found.into_iter().map(measured).collect()
}

/// Sessions that are kept whole until their vehicle's hardware identity is told.
const MOST_WHOLE: usize = 8;

/// Draws flights and numbers from a session that has ended and empties it, once the vehicle has
/// told its hardware identity; until then a session is kept whole, for who it was may still be told. Many autopilots
/// tell it only when they are asked: behind the first few sessions, the rest are drawn by what is known.
pub fn reducer<'f>(fleet: &'f Fleet, path: &Path) -> Reduce<'f> {
    let path = path.to_owned();
    let mut whole = 0;
    Box::new(move |system_id, uid, session| {
        let Named { aircraft, .. } = naming::name(fleet, &naming::identity(uid, system_id, &path));
        if uid.is_none() && whole < MOST_WHOLE {
            whole += 1;
        } else {
            session.reduced = Some(flights_of(session, aircraft.and_then(|a| a.airframe.as_ref())));
            session.signals = Signals::default();
        }
    })
}

fn flight_row(
    flight: &Flight,
    log_id: &str,
    aircraft: &str,
    vehicle: &Vehicle,
    ordinal: i64,
    boot: usize,
    session: &BootSession,
) -> FlightRow {
    let stepped = |end: fn((i64, i64)) -> i64| {
        let utc = session.utc?;
        let by = UtcBinding::steady(utc.source, end(utc.by_ends_us));
        let apart = by.boot_unix_us.abs_diff(utc.boot_unix_us) > SAME_BOOT_US.unsigned_abs();
        apart.then(|| Utc(by.unix_us(flight.takeoff.best_ms)))
    };
    FlightRow {
        flight_id: short_id(&[log_id, &vehicle.system_id.to_string(), &ordinal.to_string()]),
        log_id: log_id.to_owned(),
        aircraft: aircraft.to_owned(),
        system_id: i64::from(vehicle.system_id),
        ordinal,
        boot: i64::try_from(boot).unwrap_or(i64::MAX),
        takeoff_utc: at(session.utc, flight.takeoff.best_ms),
        touchdown_utc: at(session.utc, flight.touchdown.best_ms),
        takeoff_utc_by_first: stepped(|ends| ends.0),
        takeoff_utc_by_last: stepped(|ends| ends.1),
        takeoff_boot_ms: flight.takeoff.best_ms,
        touchdown_boot_ms: flight.touchdown.best_ms,
        airtime_ms: flight.airtime_ms,
        airtime_min_ms: flight.airtime_bounds_ms.0,
        airtime_max_ms: flight.airtime_bounds_ms.1,
        evidence: flight.evidence.word().to_owned(),
        complete: flight.complete,
        landings: i64::from(flight.landings),
        motor_starts: flight.motor_starts.map(i64::from),
        distance_m: flight.distance_m,
        boot_sketch: if session.utc.is_some_and(|utc| utc.source < UtcSource::Capture) {
            String::new()
        } else {
            session.sketch.text()
        },
    }
}

fn log_row(recording: &Recording, log_id: &str, path: &Path, aircraft: String) -> LogRow {
    let sessions = || recording.vehicles.iter().flat_map(|v| &v.boots);
    let instants = |pick: fn((i64, i64)) -> i64| {
        sessions().filter_map(move |s| Some(Utc(s.utc?.unix_us(pick(s.span_ms?))))).collect::<Vec<Utc>>()
    };
    let best = sessions().filter_map(|s| s.utc).map(|u| u.source).min();
    let integrity = &recording.integrity;
    let senders: Vec<_> = recording
        .senders
        .iter()
        .map(|s| json!({"system_id": s.system_id, "component_id": s.component_id, "frames": s.frames}))
        .collect();
    let messages: Vec<_> = recording
        .messages
        .iter()
        .map(|(name, id, count)| json!({"name": name, "id": id, "count": count}))
        .collect();
    let signatures: Vec<_> = recording
        .signatures
        .iter()
        .map(|(link, tally)| {
            json!({
                "system_id": link.system_id, "component_id": link.component_id, "link_id": link.link_id,
                "verified": tally.verified, "replayed": tally.replayed, "wrong": tally.wrong,
                "unverified": tally.unverified,
            })
        })
        .collect();
    LogRow {
        log_id: log_id.to_owned(),
        aircraft,
        path: path.to_string_lossy().into_owned(),
        bytes: whole(integrity.bytes),
        container: match recording.container {
            Container::Bare => "bare",
            Container::Timestamped => "timestamped",
            Container::Pcap => "pcap",
            Container::PcapNg => "pcapng",
        }
        .to_owned(),
        frames: whole(integrity.frames),
        frames_bad_crc: whole(integrity.frames_bad_crc),
        frames_unknown: whole(integrity.frames_unknown),
        bytes_skipped: whole(integrity.bytes_skipped),
        sequence_lost: whole(integrity.sequence_lost),
        vehicles: json!(senders).to_string(),
        messages: json!(messages).to_string(),
        start_utc: instants(|s| s.0).into_iter().min(),
        end_utc: instants(|s| s.1).into_iter().max(),
        utc_source: best.map_or("none", |s| s.word()).to_owned(),
        boots: whole(sessions().count() as u64),
        confidence: confidence(recording),
        ends: json!(Ends::of(recording)).to_string(),
        signatures: json!(signatures).to_string(),
        notes: json!(recording.notes).to_string(),
    }
}

/// Share of the bytes that are what the container says: frames and stamps, for a capture everything but
/// what belongs to no frame of its payload.
fn confidence(recording: &Recording) -> f64 {
    let integrity = &recording.integrity;
    let known = match recording.container {
        Container::Bare | Container::Timestamped => integrity.bytes_frames + integrity.bytes_stamps,
        Container::Pcap | Container::PcapNg => integrity.bytes.saturating_sub(integrity.bytes_skipped),
    };
    if integrity.bytes == 0 { 0.0 } else { known as f64 / integrity.bytes as f64 }
}

fn losses(recording: &Recording, log_id: &str) -> Vec<IntegrityRow> {
    let row = |loss: &Loss| {
        let vehicle = recording.vehicles.iter().find(|v| Some(v.system_id) == loss.system_id);
        let utc = vehicle.zip(loss.boot).and_then(|(v, boot)| v.boots.get(usize::from(boot))?.utc);
        let instant = |boot_ms: Option<i64>| boot_ms.and_then(|ms| at(utc, ms));
        IntegrityRow {
            log_id: log_id.to_owned(),
            kind: loss.kind.word().to_owned(),
            offset: whole(loss.offset),
            end_offset: whole(loss.end_offset),
            bytes: whole(loss.bytes),
            frames: whole(loss.frames),
            system_id: loss.system_id.map(i64::from),
            component_id: loss.component_id.map(i64::from),
            boot: loss.boot.map(i64::from),
            from_boot_ms: loss.from_ms,
            to_boot_ms: loss.to_ms,
            from_utc: instant(loss.from_ms),
            to_utc: instant(loss.to_ms),
        }
    };
    recording.losses.iter().map(row).collect()
}

fn whole(count: u64) -> i64 {
    i64::try_from(count).unwrap_or(i64::MAX)
}

fn at(utc: Option<UtcBinding>, boot_ms: i64) -> Option<Utc> {
    utc.map(|u| Utc(u.unix_us(boot_ms)))
}

/// `2026-09-14`.
pub fn date_of(utc: Utc) -> String {
    jiff::Timestamp::from_microsecond(utc.0)
        .map(|t| t.strftime("%Y-%m-%d").to_string())
        .unwrap_or_else(|_| "unknown".to_owned())
}
