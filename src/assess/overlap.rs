//! Flights that several recordings show, onboard and on the ground for example, count once: the fuller recording
//! leads, the others are kept as evidence. Where none shows the whole flight, the leader is given what the others show more
//! at its ends. Computed whenever flights are read, from the flights alone.
//!
//! Two rows are the same flight when aircraft and system are the same, both logs give the UTC of the boot session,
//! they agree on it, and the times in the air overlap. Where UTC was stepped within a session, what its first or its
//! last stamps give may agree: the recordings began and ended at other times. Without UTC two flights of one aircraft can
//! well begin at the same time after boot; then they are the same where the recordings hold the same messages
//! ([`crate::recording::sketch`]). Of a log that is known to be a copy of another one
//! only flights count that the other one lost.

use crate::archive::cell::Utc;
use crate::archive::row::FlightRow;
use crate::clock::SAME_BOOT_US;
use crate::recording::sketch::{hashes, of_one_session};
use std::collections::{BTreeMap, BTreeSet, HashMap, VecDeque};

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

fn overlapping(mut rows: Vec<FlightRow>) -> (Vec<FlightRow>, Evidence) {
    let mut groups: BTreeMap<(String, i64), Vec<usize>> = BTreeMap::new();
    let known = |row: &FlightRow| row.takeoff_utc.is_some() || !row.boot_sketch.is_empty();
    for (index, row) in rows.iter().enumerate().filter(|(_, row)| known(row)) {
        groups.entry((row.aircraft.clone(), row.system_id)).or_default().push(index);
    }
    let mut led_by: BTreeMap<usize, usize> = BTreeMap::new();
    for mut group in groups.into_values() {
        // Fuller first; the id decides among equals, so that the order of import does not.
        group.sort_by_key(|i| {
            let row = &rows[*i];
            (std::cmp::Reverse(fullness_ms(row)), row.flight_id.clone())
        });
        let mut leaders = Leaders::default();
        let mut followers: BTreeMap<usize, Vec<usize>> = BTreeMap::new();
        for index in &group {
            match leaders.of(&rows, *index).first() {
                Some(lead) => followers.entry(*lead).or_default().push(*index),
                None => leaders.add(&rows, *index),
            }
        }
        // What a leader that is cut gets from others may let it meet another one that is.
        for lead in group {
            let mut queue: VecDeque<usize> = followers.remove(&lead).unwrap_or_default().into();
            while let Some(index) = queue.pop_front() {
                led_by.insert(index, lead);
                let (alone, other) = (rows[lead].clone(), rows[index].clone());
                leaders.remove(&rows, lead);
                unite(&mut rows[lead], &other);
                let met = leaders.of(&rows, lead);
                if met.iter().any(|met| rows[*met].complete) {
                    // Into another flight: the recording between the two lost what is between them.
                    rows[lead] = alone;
                } else {
                    for met in met {
                        leaders.remove(&rows, met);
                        queue.push_back(met);
                        queue.extend(followers.remove(&met).unwrap_or_default());
                    }
                }
                leaders.add(&rows, lead);
            }
        }
    }
    let ids: Vec<String> = rows.iter().map(|row| row.flight_id.clone()).collect();
    let first = |mut index: usize| {
        while let Some(lead) = led_by.get(&index) {
            index = *lead;
        }
        ids[index].clone()
    };
    let (mut counted, mut evidence) = (Vec::new(), Vec::new());
    for (index, row) in rows.into_iter().enumerate() {
        match led_by.get(&index) {
            Some(lead) => evidence.push((row, first(*lead))),
            None => counted.push(row),
        }
    }
    (counted, evidence)
}

/// Flights that lead, by liftoff and by what their sessions are known by, so that a row is compared only with those that
/// can overlap it.
#[derive(Default)]
struct Leaders {
    liftoffs: BTreeSet<(i64, usize)>,
    longest_us: i64,
    by_hash: HashMap<u64, BTreeSet<usize>>,
}

impl Leaders {
    fn add(&mut self, rows: &[FlightRow], index: usize) {
        self.longest_us = self.longest_us.max(length_us(&rows[index]));
        self.liftoffs.extend(liftoffs_us(&rows[index]).map(|from| (from, index)));
        for hash in hashes(&rows[index].boot_sketch) {
            self.by_hash.entry(hash).or_default().insert(index);
        }
    }

    fn remove(&mut self, rows: &[FlightRow], index: usize) {
        for from in liftoffs_us(&rows[index]) {
            self.liftoffs.remove(&(from, index));
        }
        for hash in hashes(&rows[index].boot_sketch) {
            if let Some(of) = self.by_hash.get_mut(&hash) {
                of.remove(&index);
            }
        }
    }

    /// Those that show the same flight.
    fn of(&self, rows: &[FlightRow], index: usize) -> Vec<usize> {
        let row = &rows[index];
        let near = liftoffs_us(row).flat_map(|from| {
            let to = from + length_us(row) + SAME_BOOT_US;
            self.liftoffs.range((from - self.longest_us - SAME_BOOT_US, 0)..=(to, usize::MAX))
        });
        let alike = hashes(&row.boot_sketch).filter_map(|hash| self.by_hash.get(&hash)).flatten();
        let mut found = Vec::new();
        for lead in near.map(|(_, lead)| lead).chain(alike) {
            if !found.contains(lead) && same(&rows[*lead], row) {
                found.push(*lead);
            }
        }
        found
    }
}

/// Gives a flight that its recording shows in part what another recording of it shows more. It stays incomplete: nobody saw
/// the whole. Where the other one was mostly seen here too, so were its landings and starts. A date is taken from where
/// there is one.
fn unite(lead: &mut FlightRow, other: &FlightRow) {
    if let (None, Some(utc)) = (lead.takeoff_utc, other.takeoff_utc) {
        let at = |boot_ms: i64| Some(Utc(utc.0 + (boot_ms - other.takeoff_boot_ms) * 1000));
        (lead.takeoff_utc, lead.touchdown_utc) = (at(lead.takeoff_boot_ms), at(lead.touchdown_boot_ms));
    }
    let earlier_ms = lead.takeoff_boot_ms - other.takeoff_boot_ms;
    let later_ms = other.touchdown_boot_ms - lead.touchdown_boot_ms;
    let beyond_edges = |ms: i64| if ms > EDGES_MS { ms } else { 0 };
    let (before_ms, after_ms) = (beyond_edges(earlier_ms), beyond_edges(later_ms));
    let outside_ms = before_ms + after_ms;
    if lead.complete || outside_ms == 0 {
        return;
    }
    let length_ms = other.touchdown_boot_ms - other.takeoff_boot_ms;
    // Time on the ground, between a touch and a go, is taken from what is added.
    let added_ms = (outside_ms - (length_ms - other.airtime_ms).max(0)).max(0);
    lead.airtime_ms += added_ms;
    lead.airtime_min_ms += (added_ms - (other.airtime_ms - other.airtime_min_ms)).max(0);
    lead.airtime_max_ms += outside_ms.max(added_ms) + (other.airtime_max_ms - other.airtime_ms).max(0);
    lead.takeoff_boot_ms -= before_ms;
    lead.touchdown_boot_ms += after_ms;
    for utc in [&mut lead.takeoff_utc, &mut lead.takeoff_utc_by_first, &mut lead.takeoff_utc_by_last] {
        *utc = utc.map(|utc| Utc(utc.0 - before_ms * 1000));
    }
    lead.touchdown_utc = lead.touchdown_utc.map(|utc| Utc(utc.0 + after_ms * 1000));
    let both = |a: i64, b: i64| if 2 * outside_ms >= length_ms { a + b } else { a.max(b) };
    lead.landings = both(lead.landings, other.landings);
    lead.motor_starts = match (lead.motor_starts, other.motor_starts) {
        (Some(a), Some(b)) => Some(both(a, b)),
        (a, b) => a.or(b),
    };
    if lead.boot_sketch.is_empty() {
        lead.boot_sketch.clone_from(&other.boot_sketch);
    }
    let way_m = |row: &FlightRow, share: f64| row.distance_m.map(|way_m| way_m * share);
    let share = outside_ms as f64 / length_ms.max(1) as f64;
    lead.distance_m = way_m(lead, 1.0).zip(way_m(other, share)).map(|(a, b)| a + b).or(lead.distance_m);
}

/// How much of the flight a row shows for certain, then in all. One that is cut, but longer by more than the edges are
/// known, is fuller.
fn fullness_ms(row: &FlightRow) -> (i64, i64) {
    let whole_ms = if row.complete { EDGES_MS } else { 0 };
    (row.airtime_min_ms + whole_ms, row.airtime_ms + whole_ms)
}

/// UTC of the liftoff, and what it is by the ends of a boot session that was stepped.
fn liftoffs_us(row: &FlightRow) -> impl Iterator<Item = i64> {
    let by_ends = [row.takeoff_utc_by_first, row.takeoff_utc_by_last];
    [row.takeoff_utc].into_iter().chain(by_ends).flatten().map(|utc| utc.0)
}

fn length_us(row: &FlightRow) -> i64 {
    (row.touchdown_boot_ms - row.takeoff_boot_ms) * 1000
}

/// Same boot session, and in the air at the same time of it. Within one log it is that of another number, where blocks lie
/// out of order.
fn same(a: &FlightRow, b: &FlightRow) -> bool {
    if a.log_id == b.log_id && a.boot == b.boot {
        return false;
    }
    let boots_us = |row| liftoffs_us(row).map(|us| us - row.takeoff_boot_ms * 1000);
    let agree = || boots_us(a).any(|a| boots_us(b).any(|b| (a - b).abs() <= SAME_BOOT_US));
    overlap(a, b) && (agree() || of_one_session(&a.boot_sketch, &b.boot_sketch))
}

fn overlap(a: &FlightRow, b: &FlightRow) -> bool {
    a.takeoff_boot_ms < b.touchdown_boot_ms && b.takeoff_boot_ms < a.touchdown_boot_ms
}

#[cfg(test)]
mod tests {
    use super::*;

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
            boot_sketch: String::new(),
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

    #[test]
    fn without_a_date_recordings_of_the_same_messages_count_once() {
        let sketch = |from: u64| (from..from + 32).map(|hash| format!("{hash:016x}")).collect::<String>();
        let undated = |id, boot_ms, complete, from| FlightRow {
            boot_sketch: sketch(from),
            ..flight(id, id, None, boot_ms, complete)
        };
        let all = [
            undated("onboard", (60_000, 260_000), true, 100),
            undated("ground", (62_000, 200_000), false, 120),
            // A flight of another boot at the same time after it, and a later one of the same boot.
            undated("other", (60_500, 259_000), true, 900),
            undated("later", (300_000, 360_000), true, 100),
            flight("nothing", "n", None, (60_000, 260_000), true),
        ];
        for turn in 0..all.len() {
            let mut turned = all.to_vec();
            turned.rotate_left(turn);
            let (counted, evidence) = leading(turned, &BTreeMap::new());
            assert_eq!(counted.len(), 4);
            let led: Vec<_> = evidence.iter().map(|(f, by)| (f.flight_id.as_str(), by.as_str())).collect();
            assert_eq!(led, [("ground", "onboard")]);
        }
        // A date that only the ground's computer gives does not part them, and is that of the flight.
        let liftoff_us = 1_790_000_000_000_000;
        let dated = FlightRow { takeoff_utc: Some(Utc(liftoff_us)), ..all[1].clone() };
        let (counted, _) = leading(vec![all[0].clone(), dated], &BTreeMap::new());
        let utc: Vec<_> = counted.iter().map(|f| (f.takeoff_utc, f.touchdown_utc)).collect();
        assert_eq!(utc, [(Some(Utc(liftoff_us - 2_000_000)), Some(Utc(liftoff_us + 198_000_000)))]);
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
    fn without_utc_or_in_one_boot_session_nothing_is_joined() {
        let day = 1_790_000_000_000_000;
        let mut rows = vec![
            flight("a", "1", None, (60_000, 200_000), true),
            flight("b", "2", None, (60_000, 200_000), true),
            flight("c", "3", Some(day), (60_000, 200_000), true),
            flight("d", "3", Some(day), (60_000, 200_000), true),
        ];
        assert_eq!(leading(rows.clone(), &BTreeMap::new()).0.len(), 4);
        // Blocks out of order made a second session of it.
        rows[3].boot = 1;
        assert_eq!(leading(rows, &BTreeMap::new()).0.len(), 3);
    }

    #[test]
    fn recordings_that_show_a_part_each_show_the_flight() {
        let day = 1_790_000_000_000_000;
        let part = |id: &str, boot_ms: (i64, i64)| {
            let row = flight(id, id, Some(day), boot_ms, false);
            FlightRow {
                airtime_min_ms: row.airtime_ms - 1_000,
                airtime_max_ms: row.airtime_ms + 1_000,
                ..row
            }
        };
        let (first, second, third) =
            (part("a", (60_000, 140_000)), part("b", (130_000, 200_000)), part("c", (199_000, 290_000)));
        for order in [[0, 1, 2], [2, 0, 1], [1, 2, 0]] {
            let all = [first.clone(), FlightRow { landings: 0, ..second.clone() }, third.clone()];
            let (counted, evidence) = leading(order.map(|n| all[n].clone()).to_vec(), &BTreeMap::new());
            let [row] = counted.as_slice() else { panic!("{counted:?}") };
            assert_eq!((row.flight_id.as_str(), evidence.len(), row.complete), ("a", 2, false));
            assert_eq!((row.takeoff_boot_ms, row.touchdown_boot_ms), (60_000, 290_000));
            assert_eq!(row.takeoff_utc, Some(Utc(day + 60_000_000)));
            assert_eq!((row.airtime_ms, row.landings), (230_000, 2));
            assert!((row.airtime_min_ms..=row.airtime_max_ms).contains(&230_000));
        }
        // The next flight, whole in its own recording, is none of it, though one recording lost what is between.
        let (cut, over) = (part("a", (60_000, 160_000)), part("b", (150_000, 240_000)));
        let next = flight("n", "n", Some(day), (220_000, 400_000), true);
        let (counted, _) = leading(vec![cut, over, next], &BTreeMap::new());
        assert_eq!(counted.iter().map(|row| row.airtime_ms).collect::<Vec<_>>(), [100_000, 180_000]);
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
