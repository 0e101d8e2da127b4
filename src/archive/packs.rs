//! Battery packs and the charge drawn from them, flight by flight, from the telemetry tables.
//!
//! A pack's serial is in BATTERY_INFO or SMART_BATTERY_INFO. Of each battery id, the last serial sent before
//! touchdown in the same boot session counts for the flight, else the first one sent after. The charge is
//! the rise of BATTERY_STATUS `current_consumed` of the same id between liftoff and touchdown.

use super::layout::FleetDir;
use super::row::FlightRow;
use super::{ArchiveError, catalogue};
use crate::usage::Pack;
use arrow_array::cast::AsArray;
use arrow_array::types::{Int32Type, Int64Type, UInt8Type, UInt16Type, UInt32Type};
use arrow_array::{Array, RecordBatch};
use parquet::arrow::ProjectionMask;
use parquet::arrow::arrow_reader::ParquetRecordBatchReaderBuilder;
use std::collections::{BTreeMap, HashMap};
use std::fs::File;
use std::path::Path;

/// A battery of a vehicle in one boot session of a log.
type Slot = (i64, i64, u8);

/// The packs of every flight whose log names them, by flight id. The charge is only read if `with_charge`,
/// since it costs a pass over a larger table.
///
/// # Errors
/// The file system's or Parquet's refusal.
pub fn by_flight(
    fleet: &FleetDir,
    flights: &[FlightRow],
    with_charge: bool,
) -> Result<HashMap<String, Vec<Pack>>, ArchiveError> {
    let mut of_log: HashMap<&str, Vec<&FlightRow>> = HashMap::new();
    for flight in flights {
        of_log.entry(&flight.log_id).or_default().push(flight);
    }
    let mut named: HashMap<String, BTreeMap<u8, Pack>> = HashMap::new();
    for message in ["BATTERY_INFO", "SMART_BATTERY_INFO"] {
        each_log(fleet, message, &of_log, |path, own| {
            let serials = slots(path, "serial_number", |batch, row| {
                let column = batch.column_by_name("serial_number")?.as_string_opt::<i32>()?;
                let text = column.value(row).trim_matches(|c: char| c == '\0' || c.is_whitespace());
                (!text.is_empty()).then(|| text.to_owned())
            })?;
            for flight in own {
                for ((_, _, id), sent) in serials.iter().filter(|(slot, _)| is_of(slot, flight)) {
                    let before = sent.iter().rev().find(|(at, _)| *at <= flight.touchdown_boot_ms);
                    if let Some((_, serial)) = before.or(sent.first()) {
                        let pack = Pack { serial: serial.clone(), charge_mah: None };
                        named.entry(flight.flight_id.clone()).or_default().insert(*id, pack);
                    }
                }
            }
            Ok(())
        })?;
    }
    if with_charge && !named.is_empty() {
        each_log(fleet, "BATTERY_STATUS", &of_log, |path, own| {
            if !own.iter().any(|f| named.contains_key(&f.flight_id)) {
                return Ok(());
            }
            let drawn = slots(path, "current_consumed", |batch, row| {
                let column = batch.column_by_name("current_consumed")?.as_primitive_opt::<Int32Type>()?;
                Some(i64::from(column.value(row))).filter(|mah| *mah >= 0)
            })?;
            for flight in own {
                let Some(packs) = named.get_mut(&flight.flight_id) else { continue };
                for (id, pack) in packs {
                    let slot = drawn.iter().find(|(slot, _)| is_of(slot, flight) && slot.2 == *id);
                    pack.charge_mah = slot.and_then(|(_, sent)| rise(sent, flight));
                }
            }
            Ok(())
        })?;
    }
    Ok(named.into_iter().map(|(id, packs)| (id, packs.into_values().collect())).collect())
}

fn is_of(slot: &Slot, flight: &FlightRow) -> bool {
    slot.0 == flight.boot && slot.1 == flight.system_id
}

fn rise(sent: &[(i64, i64)], flight: &FlightRow) -> Option<i64> {
    let from = flight.takeoff_boot_ms;
    let before = sent.iter().rev().find(|(at, _)| *at <= from).or(sent.first())?;
    let after = sent.iter().rev().find(|(at, _)| *at <= flight.touchdown_boot_ms)?;
    (after.1 >= before.1).then(|| after.1 - before.1)
}

fn each_log<'f>(
    fleet: &FleetDir,
    message: &str,
    of_log: &HashMap<&str, Vec<&'f FlightRow>>,
    mut visit: impl FnMut(&Path, &[&'f FlightRow]) -> Result<(), ArchiveError>,
) -> Result<(), ArchiveError> {
    for path in catalogue::imported_files(fleet, &format!("telemetry/{message}"), None)? {
        let log = path.file_stem().and_then(|s| s.to_str()).unwrap_or_default();
        if let Some(own) = of_log.get(log) {
            visit(&path, own)?;
        }
    }
    Ok(())
}

/// One column's usable values by slot, each with its time, ordered by time.
fn slots<T>(
    path: &Path,
    column: &'static str,
    value: impl Fn(&RecordBatch, usize) -> Option<T>,
) -> Result<BTreeMap<Slot, Vec<(i64, T)>>, ArchiveError> {
    let file = File::open(path).map_err(ArchiveError::io("open", path))?;
    let builder =
        ParquetRecordBatchReaderBuilder::try_new(file).map_err(ArchiveError::parquet("read", path))?;
    let wanted = ["boot", "boot_ms", "system_id", "id", column];
    let mask = ProjectionMask::columns(builder.parquet_schema(), wanted);
    let reader = builder.with_projection(mask).build().map_err(ArchiveError::parquet("read", path))?;
    let mut found: BTreeMap<Slot, Vec<(i64, T)>> = BTreeMap::new();
    for batch in reader {
        let batch = batch.map_err(|e| ArchiveError::parquet("read", path)(e.into()))?;
        let missing = |column| ArchiveError::Column { path: path.to_owned(), column };
        let boot = batch.column_by_name("boot").and_then(|c| c.as_primitive_opt::<UInt16Type>());
        let boot = boot.ok_or_else(|| missing("boot"))?;
        let boot_ms = batch.column_by_name("boot_ms").and_then(|c| c.as_primitive_opt::<Int64Type>());
        let boot_ms = boot_ms.ok_or_else(|| missing("boot_ms"))?;
        let system = batch.column_by_name("system_id").and_then(|c| c.as_primitive_opt::<UInt32Type>());
        let system = system.ok_or_else(|| missing("system_id"))?;
        let id = batch.column_by_name("id").and_then(|c| c.as_primitive_opt::<UInt8Type>());
        let id = id.ok_or_else(|| missing("id"))?;
        for row in (0..batch.num_rows()).filter(|r| boot.is_valid(*r) && boot_ms.is_valid(*r)) {
            if let Some(value) = value(&batch, row) {
                let slot = (i64::from(boot.value(row)), i64::from(system.value(row)), id.value(row));
                found.entry(slot).or_default().push((boot_ms.value(row), value));
            }
        }
    }
    found.values_mut().for_each(|sent| sent.sort_by_key(|(at, _)| *at));
    Ok(found)
}
