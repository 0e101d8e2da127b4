//! How hard each flight was on each motor position, from the outputs in the telemetry tables.

use super::layout::FleetDir;
use super::row::FlightRow;
use super::{ArchiveError, catalogue};
use crate::airframe::Airframe;
use crate::usage::severity::{Severity, weigh};
use arrow_array::Array;
use arrow_array::cast::AsArray;
use arrow_array::types::{Int64Type, UInt8Type, UInt16Type, UInt32Type};
use parquet::arrow::ProjectionMask;
use parquet::arrow::arrow_reader::ParquetRecordBatchReaderBuilder;
use std::collections::hash_map::Entry;
use std::collections::{BTreeMap, HashMap};
use std::fs::File;
use std::path::Path;

/// The key of the mean over all motors, beside the positions.
pub const ALL_MOTORS: &str = "";

/// One message: boot session, system, time, a pulse for each motor.
struct Sent {
    boot: i64,
    system: i64,
    at_ms: i64,
    outputs: Vec<f64>,
}

impl Sent {
    fn key(&self) -> (i64, i64, i64) {
        (self.boot, self.system, self.at_ms)
    }
}

/// Severity by flight and position; flights of aircraft without a described airframe are left out.
///
/// # Errors
/// The file system's or Parquet's refusal.
pub fn by_flight(
    fleet: &FleetDir,
    flights: &[FlightRow],
    airframes: &HashMap<&str, &Airframe>,
    above: f64,
) -> Result<HashMap<String, BTreeMap<String, Severity>>, ArchiveError> {
    let mut of_log: HashMap<&str, Vec<&FlightRow>> = HashMap::new();
    for flight in flights {
        of_log.entry(&flight.log_id).or_default().push(flight);
    }
    let mut found = HashMap::new();
    for path in catalogue::imported_files(fleet, "telemetry/SERVO_OUTPUT_RAW", None)? {
        let log = path.file_stem().and_then(|s| s.to_str()).unwrap_or_default();
        // A long log holds thousands of flights: its file is read once for each of its aircraft.
        let mut read_for: HashMap<&str, Vec<Sent>> = HashMap::new();
        for flight in of_log.get(log).into_iter().flatten() {
            let Some(airframe) = airframes.get(flight.aircraft.as_str()) else { continue };
            let sent = match read_for.entry(&flight.aircraft) {
                Entry::Occupied(held) => held.into_mut(),
                Entry::Vacant(place) => place.insert(read(&path, airframe)?),
            };
            let own = within(sent, flight);
            let mut weighed = BTreeMap::new();
            let mut note = |name: &str, output: &dyn Fn(&Sent) -> f64| {
                let series: Vec<(i64, f64)> = own.iter().map(|s| (s.at_ms, output(s))).collect();
                if let Some(severity) = weigh(&series, flight.touchdown_boot_ms, above) {
                    weighed.insert(name.to_owned(), severity);
                }
            };
            for (index, motor) in airframe.motors.iter().enumerate() {
                note(&motor.position, &|s| s.outputs[index]);
            }
            note(ALL_MOTORS, &|s| s.outputs.iter().sum::<f64>() / s.outputs.len() as f64);
            found.insert(flight.flight_id.clone(), weighed);
        }
    }
    Ok(found)
}

/// What was sent during a flight, of all that was sent in order of boot session, system and time.
fn within<'s>(sent: &'s [Sent], flight: &FlightRow) -> &'s [Sent] {
    let key = |at_ms| (flight.boot, flight.system_id, at_ms);
    let start = sent.partition_point(|s| s.key() < key(flight.takeoff_boot_ms));
    let end = sent.partition_point(|s| s.key() <= key(flight.touchdown_boot_ms));
    sent.get(start..end).unwrap_or_default()
}

fn read(path: &Path, airframe: &Airframe) -> Result<Vec<Sent>, ArchiveError> {
    let file = File::open(path).map_err(ArchiveError::io("open", path))?;
    let builder =
        ParquetRecordBatchReaderBuilder::try_new(file).map_err(ArchiveError::parquet("read", path))?;
    let servos: Vec<String> = airframe.motors.iter().map(|m| format!("servo{}_raw", m.output)).collect();
    let wanted =
        ["boot", "boot_ms", "system_id", "port"].into_iter().chain(servos.iter().map(String::as_str));
    let mask = ProjectionMask::columns(builder.parquet_schema(), wanted);
    let reader = builder.with_projection(mask).build().map_err(ArchiveError::parquet("read", path))?;
    let (low, range) = (airframe.output_min_us, airframe.output_max_us - airframe.output_min_us);
    let mut found = Vec::new();
    for batch in reader {
        let batch = batch.map_err(|e| ArchiveError::parquet("read", path)(e.into()))?;
        let missing = |column| ArchiveError::Column { path: path.to_owned(), column };
        let column = |name: &str| batch.column_by_name(name);
        let boot = column("boot").and_then(|c| c.as_primitive_opt::<UInt16Type>());
        let boot = boot.ok_or_else(|| missing("boot"))?;
        let at = column("boot_ms").and_then(|c| c.as_primitive_opt::<Int64Type>());
        let at = at.ok_or_else(|| missing("boot_ms"))?;
        let system = column("system_id").and_then(|c| c.as_primitive_opt::<UInt32Type>());
        let system = system.ok_or_else(|| missing("system_id"))?;
        let port = column("port").and_then(|c| c.as_primitive_opt::<UInt8Type>());
        let port = port.ok_or_else(|| missing("port"))?;
        let pulses = servos
            .iter()
            .map(|name| column(name).and_then(|c| c.as_primitive_opt::<UInt16Type>()))
            .collect::<Option<Vec<_>>>()
            .ok_or_else(|| missing("servo1_raw"))?;
        for row in (0..batch.num_rows()).filter(|r| boot.is_valid(*r) && at.is_valid(*r)) {
            // The motors' channels are counted on the first port; a pulse of 0 is an output that is off.
            if port.value(row) != 0 || pulses.iter().any(|p| p.value(row) == 0) {
                continue;
            }
            let output = |pulse: u16| ((f64::from(pulse) - low) / range).clamp(0.0, 1.0);
            found.push(Sent {
                boot: i64::from(boot.value(row)),
                system: i64::from(system.value(row)),
                at_ms: at.value(row),
                outputs: pulses.iter().map(|p| output(p.value(row))).collect(),
            });
        }
    }
    found.sort_by_key(Sent::key);
    Ok(found)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::archive::row::testing::flight;

    #[test]
    fn a_flight_gets_what_was_sent_in_it_by_its_own_vehicle_and_boot() {
        let mut sent: Vec<Sent> = Vec::new();
        for at_ms in 0..10 {
            for (boot, system) in [(1, 1), (0, 2), (0, 1)] {
                sent.push(Sent { boot, system, at_ms, outputs: Vec::new() });
            }
        }
        sent.sort_by_key(Sent::key);
        let keys = |flight: &FlightRow| within(&sent, flight).iter().map(Sent::key).collect::<Vec<_>>();
        assert_eq!(keys(&flight(2, 4)), [(0, 1, 2), (0, 1, 3), (0, 1, 4)]);
        assert_eq!(keys(&FlightRow { boot: 1, ..flight(9, 20) }), [(1, 1, 9)]);
        assert_eq!(keys(&FlightRow { system_id: 2, ..flight(-5, 0) }), [(0, 2, 0)]);
        assert_eq!(keys(&FlightRow { boot: 2, ..flight(0, 9) }), []);
    }
}
