//! Plain sentences about a log's condition.

use super::Vehicle;
use crate::clock::{SAME_BOOT_US, UtcDoubt, UtcSource};
use crate::wire::Integrity;
use std::collections::BTreeMap;

/// Undefined message ids that are noted one by one.
const MOST_IDS_NOTED: usize = 10;

/// About the bytes and the vehicles.
pub(super) fn of(integrity: &Integrity, vehicles: &[Vehicle]) -> Vec<String> {
    let mut notes = Vec::new();
    if integrity.bytes_skipped > 0 {
        notes.push(format!("{} bytes held no readable frame and were passed over", integrity.bytes_skipped));
    }
    for vehicle in vehicles {
        if vehicle.boots.len() > 1 {
            notes.push(format!(
                "system {} booted {} times in this log",
                vehicle.system_id,
                vehicle.boots.len()
            ));
        }
        if let Some(pairs) = same_boot(vehicle) {
            notes.push(format!(
                "system {}: {pairs} boot session(s) tell the UTC of boot of another one, as if parts of the log lay out of \
                 order; in an archive what overlaps of their flights counts once",
                vehicle.system_id
            ));
        }
        if vehicle.boots.iter().any(|b| b.utc.is_none()) {
            notes.push(format!("system {}: the log gives no UTC for a boot session", vehicle.system_id));
        }
        notes.extend(doubts(vehicle));
        for series in vehicle.boots.iter().map(|b| b.signals.outputs.stride()).filter(|s| *s > 1) {
            notes.push(format!("system {}: measures read every {series}th output sample", vehicle.system_id));
        }
    }
    notes
}

/// How many boot sessions began when another one did; `None` if there are none.
fn same_boot(vehicle: &Vehicle) -> Option<usize> {
    let told = vehicle.boots.iter().filter_map(|boot| boot.utc.filter(|utc| utc.source < UtcSource::Capture));
    let mut begins_us: Vec<i64> = told.map(|utc| utc.boot_unix_us).collect();
    begins_us.sort_unstable();
    let same =
        begins_us.windows(2).filter(|pair| matches!(pair, [a, b] if b.saturating_sub(*a) <= SAME_BOOT_US));
    Some(same.count()).filter(|count| *count > 0)
}

/// About the UTC of one vehicle: each kind of doubt once, by the first session that has it.
fn doubts(vehicle: &Vehicle) -> Vec<String> {
    let mut kinds: Vec<(&UtcDoubt, usize)> = Vec::new();
    for doubt in vehicle.boots.iter().flat_map(|boot| &boot.utc_doubts) {
        match kinds.iter_mut().find(|(known, _)| known.is_like(doubt)) {
            Some((_, sessions)) => *sessions += 1,
            None => kinds.push((doubt, 1)),
        }
    }
    let sentence = |(doubt, sessions): (&UtcDoubt, usize)| {
        let more = if sessions > 1 {
            format!(" (and in {} more boot sessions)", sessions - 1)
        } else {
            String::new()
        };
        format!("system {}: {doubt}{more}", vehicle.system_id)
    };
    kinds.into_iter().map(sentence).collect()
}

/// About messages that no definition knows: frames by id.
pub(super) fn undefined(unknown: &BTreeMap<u32, u64>) -> Vec<String> {
    let mut notes: Vec<String> = unknown
        .iter()
        .take(MOST_IDS_NOTED)
        .map(|(id, count)| {
            format!(
                "{count} frame(s) of message id {id}, which is not defined, kept as bytes; \
                 --dialect adds definitions"
            )
        })
        .collect();
    if unknown.len() > MOST_IDS_NOTED {
        notes.push(format!("{} undefined message ids in all", unknown.len()));
    }
    notes
}
