//! Flights that several recordings show, onboard and on the ground for example, count once: the fuller recording
//! leads, the others are kept as evidence. Computed whenever flights are read, from the flights alone.
//!
//! Two rows are the same flight when aircraft and system are the same, both logs give the UTC of the boot session,
//! they agree on it, and the times in the air overlap. Where UTC was stepped within a session, what its first or its
//! last stamps give may agree: the recordings began and ended at other times. Without UTC nothing is joined: two
//! flights of one aircraft can well begin at the same time after boot. Of a log that is known to be a copy of another one
//! only flights count that the other one lost.

use super::parts::SAME_BOOT_US;
use crate::archive::row::FlightRow;
use std::collections::{BTreeMap, BTreeSet, HashMap};

/// Liftoff and touchdown together are known this well, in milliseconds (the worst that `tests/airtime.rs` allows at
/// each, and some).
const EDGES_MS: i64 = 5_000;

/// Flights that another recording shows more fully, each with the id of that one's.
pub type Evidence = Vec<(FlightRow, String)>;

/// The flights that count, in their order, and the evidence. `copies` are logs that are copies of another one, with
/// the recording that it is part of. It takes the rows of all aircraft: two folders may claim the two.
pub fn leading(rows: Vec<FlightRow>, copies: &BTreeMap<String, String>) -> (Vec<FlightRow>, Evidence) {
    let (copied, mut rows): (Vec<_>, Vec<_>) =
        rows.into_iter().partition(|row| copies.contains_key(&row.log_id));
    let mut of_recording: HashMap<&str, Vec<&FlightRow>> = HashMap::new();
    for row in &rows {
        of_recording.entry(row.log_id.as_str()).or_default().push(row);
    }
    let shown = |copy: &FlightRow| {
        let of_whole = of_recording.get(copies.get(&copy.log_id)?.as_str())?;
        of_whole.iter().find(|row| same_in_copy(row, copy)).map(|row| row.flight_id.clone())
    };
    let mut of_copies = Vec::new();
    let mut only_there = Vec::new();
    for row in copied {
        match shown(&row) {
            Some(lead) => of_copies.push((row, lead)),
            // Where the fuller log lost it.
            None => only_there.push(row),
        }
    }
    rows.extend(only_there);
    let (counted, mut evidence) = overlapping(rows);
    let led: HashMap<String, String> =
        evidence.iter().map(|(row, lead)| (row.flight_id.clone(), lead.clone())).collect();
    evidence.extend(of_copies.into_iter().map(|(row, lead)| (row, led.get(&lead).cloned().unwrap_or(lead))));
    (counted, evidence)
}

/// Whether a flight of a whole log is that of its copy: boot sessions are told apart by UTC, else by their numbers or by
/// the liftoff.
fn same_in_copy(whole: &FlightRow, copy: &FlightRow) -> bool {
    let both_dated = whole.takeoff_utc.is_some() && copy.takeoff_utc.is_some();
    let near = whole.takeoff_boot_ms.abs_diff(copy.takeoff_boot_ms) <= EDGES_MS.unsigned_abs();
    whole.system_id == copy.system_id
        && overlap(whole, copy)
        && (if both_dated { same(whole, copy) } else { whole.boot == copy.boot || near })
}

fn overlapping(rows: Vec<FlightRow>) -> (Vec<FlightRow>, Evidence) {
    let mut groups: BTreeMap<(&str, i64), Vec<usize>> = BTreeMap::new();
    for (index, row) in rows.iter().enumerate().filter(|(_, row)| row.takeoff_utc.is_some()) {
        groups.entry((&row.aircraft, row.system_id)).or_default().push(index);
    }
    let mut led_by: BTreeMap<usize, String> = BTreeMap::new();
    for mut group in groups.into_values() {
        // Fuller first; the id decides among equals, so that the order of import does not.
        group.sort_by_key(|i| {
            let row = &rows[*i];
            (std::cmp::Reverse(fullness_ms(row)), row.flight_id.clone())
        });
        // By liftoff, so that a row is compared only with those that can overlap it.
        let mut leaders: BTreeSet<(i64, usize)> = BTreeSet::new();
        let longest_us = group.iter().map(|i| length_us(&rows[*i])).max().unwrap_or(0) + SAME_BOOT_US;
        for index in group {
            let row = &rows[index];
            let lead = liftoffs_us(row).find_map(|from| {
                let to = from + length_us(row) + SAME_BOOT_US;
                let near = leaders.range((from - longest_us, 0)..=(to, usize::MAX));
                let mut near = near.map(|(_, lead)| *lead);
                near.find(|lead| rows[*lead].log_id != row.log_id && same(&rows[*lead], row))
            });
            match lead {
                Some(lead) => {
                    led_by.insert(index, rows[lead].flight_id.clone());
                }
                None => leaders.extend(liftoffs_us(row).map(|from| (from, index))),
            }
        }
    }
    let (mut counted, mut evidence) = (Vec::new(), Vec::new());
    for (index, row) in rows.into_iter().enumerate() {
        match led_by.remove(&index) {
            Some(lead) => evidence.push((row, lead)),
            None => counted.push(row),
        }
    }
    (counted, evidence)
}

/// How much of the flight a row shows. One that is cut, but longer by more than the edges are known, is fuller.
fn fullness_ms(row: &FlightRow) -> i64 {
    row.airtime_ms + if row.complete { EDGES_MS } else { 0 }
}

/// UTC of the liftoff, and what it is by the ends of a boot session that was stepped.
fn liftoffs_us(row: &FlightRow) -> impl Iterator<Item = i64> {
    let by_ends = [row.takeoff_utc_by_first, row.takeoff_utc_by_last];
    [row.takeoff_utc].into_iter().chain(by_ends).flatten().map(|utc| utc.0)
}

fn length_us(row: &FlightRow) -> i64 {
    (row.touchdown_boot_ms - row.takeoff_boot_ms) * 1000
}

/// Same boot session, and in the air at the same time of it.
fn same(a: &FlightRow, b: &FlightRow) -> bool {
    let boots_us = |row| liftoffs_us(row).map(|us| us - row.takeoff_boot_ms * 1000);
    let agree = boots_us(a).any(|a| boots_us(b).any(|b| (a - b).abs() <= SAME_BOOT_US));
    agree && overlap(a, b)
}

fn overlap(a: &FlightRow, b: &FlightRow) -> bool {
    a.takeoff_boot_ms < b.touchdown_boot_ms && b.takeoff_boot_ms < a.touchdown_boot_ms
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::archive::cell::Utc;

    fn flight(id: &str, log: &str, boot_us: Option<i64>, boot_ms: (i64, i64), complete: bool) -> FlightRow {
        FlightRow {
            flight_id: id.to_owned(),
            log_id: log.to_owned(),
            aircraft: "heron".to_owned(),
            system_id: 1,
            ordinal: 0,
            boot: 0,
            takeoff_utc: boot_us.map(|us| Utc(us + boot_ms.0 * 1000)),
            touchdown_utc: boot_us.map(|us| Utc(us + boot_ms.1 * 1000)),
            takeoff_utc_by_first: None,
            takeoff_utc_by_last: None,
            takeoff_boot_ms: boot_ms.0,
            touchdown_boot_ms: boot_ms.1,
            airtime_ms: boot_ms.1 - boot_ms.0,
            airtime_min_ms: 0,
            airtime_max_ms: boot_ms.1 - boot_ms.0,
            evidence: "inferred".to_owned(),
            complete,
            landings: 1,
            motor_starts: Some(1),
            distance_m: None,
        }
    }

    #[test]
    fn a_flight_recorded_twice_counts_once_and_the_fuller_row_leads() {
        let day = 1_790_000_000_000_000;
        let rows = vec![
            flight("ground", "g", Some(day + 900_000), (60_000, 200_000), false),
            flight("onboard", "o", Some(day), (61_000, 260_000), true),
            flight("second", "o", Some(day), (300_000, 360_000), true),
            flight("ground-2", "g", Some(day + 900_000), (299_000, 361_000), true),
            flight("next-day", "n", Some(day + 86_400_000_000), (61_000, 260_000), true),
        ];
        for turn in 0..rows.len() {
            let mut turned = rows.clone();
            turned.rotate_left(turn);
            let (counted, evidence) = leading(turned, &BTreeMap::new());
            let mut ids: Vec<_> = counted.iter().map(|f| f.flight_id.as_str()).collect();
            ids.sort_unstable();
            assert_eq!(ids, ["ground-2", "next-day", "onboard"]);
            let mut led: Vec<_> =
                evidence.iter().map(|(f, by)| (f.flight_id.as_str(), by.as_str())).collect();
            led.sort_unstable();
            assert_eq!(led, [("ground", "onboard"), ("second", "ground-2")]);
        }
    }

    /// The sky's time was set right by an hour in mid-session; one recording saw more of the time before.
    #[test]
    fn a_step_of_utc_between_the_medians_of_two_recordings_hides_nothing() {
        let (day, hour) = (1_790_000_000_000_000, 3_600_000_000);
        let mut whole = flight("whole", "w", Some(day), (100_000, 500_000), true);
        whole.takeoff_utc_by_last = Some(Utc(day + hour + 100_000_000));
        let second = flight("second", "s", Some(day + hour), (120_000, 480_000), false);
        let other = flight("other", "x", Some(day + 2 * hour), (120_000, 480_000), true);
        for rows in [[0, 1, 2], [2, 1, 0], [1, 0, 2]] {
            let all = [whole.clone(), second.clone(), other.clone()];
            let (counted, evidence) = leading(rows.map(|n| all[n].clone()).to_vec(), &BTreeMap::new());
            assert_eq!(counted.len(), 2);
            assert_eq!((evidence[0].0.flight_id.as_str(), evidence[0].1.as_str()), ("second", "whole"));
        }
    }

    #[test]
    fn without_utc_or_in_one_log_nothing_is_joined() {
        let day = 1_790_000_000_000_000;
        let rows = vec![
            flight("a", "1", None, (60_000, 200_000), true),
            flight("b", "2", None, (60_000, 200_000), true),
            flight("c", "3", Some(day), (60_000, 200_000), true),
            flight("d", "3", Some(day), (60_000, 200_000), true),
        ];
        assert_eq!(leading(rows, &BTreeMap::new()).0.len(), 4);
    }

    #[test]
    fn of_a_copy_only_what_the_whole_lost_counts() {
        let day = 1_790_000_000_000_000;
        let rows = vec![
            flight("cut", "copy", None, (60_000, 100_000), false),
            flight("seen only there", "copy", None, (1_000, 9_000), true),
            flight("whole", "whole", None, (60_000, 200_000), true),
            flight("dated, cut", "dated copy", Some(day), (60_000, 100_000), false),
            flight("dated", "dated", Some(day), (60_000, 150_000), false),
            flight("fuller", "ground", Some(day), (60_000, 200_000), true),
        ];
        let copies = [("copy", "whole"), ("dated copy", "dated")].map(|(a, b)| (a.to_owned(), b.to_owned()));
        let (counted, evidence) = leading(rows, &copies.into());
        let ids: Vec<_> = counted.iter().map(|f| f.flight_id.as_str()).collect();
        assert_eq!(ids, ["whole", "fuller", "seen only there"]);
        let led: Vec<_> = evidence.iter().map(|(f, by)| (f.flight_id.as_str(), by.as_str())).collect();
        assert_eq!(led, [("dated", "fuller"), ("cut", "whole"), ("dated, cut", "fuller")]);
    }
}
