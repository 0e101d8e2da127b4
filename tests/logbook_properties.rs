//! Any random history of fits, removals and flights: sums are conserved at every instant, and a correction
//! equals having entered it right at first. The expected sums are counted here flight by flight and interval
//! by interval, without the running sums under test.
#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    reason = "a test stops at the first surprise"
)]

use fettle::usage::entry::{Action, ComponentId, Fit, NewComponent, Off, Place, Remove, Void};
use fettle::usage::{Accounts, Amount, Entry, Flown, Ledger};
use proptest::prelude::*;

const AIRCRAFT: [&str; 2] = ["heron", "egret"];
const POSITIONS: [&str; 2] = ["front", "rear"];
const PARTS: usize = 5;
/// Fine-grained on purpose: instants fall into flights, on their ends and between.
const END_US: i64 = 20_000;

fn id(part: usize) -> ComponentId {
    ComponentId { kind: "propeller".to_owned(), serial: format!("P{part}") }
}

/// A time, an aircraft, a position, a part.
type Step = (i64, usize, usize, usize);

/// A position held by a part from one instant to another.
type Held = (usize, usize, usize, i64, i64);

/// Turns random steps into a history that can be true: a taken position is emptied, a free part fitted.
/// Returns the journal and, counted independently, who held what when.
fn history(mut steps: Vec<Step>) -> (Vec<Entry>, Vec<Held>) {
    steps.sort_unstable();
    let mut entries: Vec<Entry> = (0..PARTS)
        .map(|part| {
            let ComponentId { kind, serial } = id(part);
            let opening = Amount { airtime_ms: 1000 * part as i64, ..Amount::default() };
            let new = NewComponent { kind, serial, opening, ..NewComponent::default() };
            entry(part as i64 + 1, 0, Action::Component(new), None)
        })
        .collect();
    let mut holder: [[Option<(usize, i64)>; 2]; 2] = [[None; 2]; 2];
    let mut held = Vec::new();
    for (at, aircraft, position, part) in steps {
        let seq = entries.len() as i64 + 1;
        if let Some((there, since)) = holder[aircraft][position] {
            let components = vec![id(there)];
            let remove = Remove { components, to: Off::InStock, ..Remove::default() };
            entries.push(entry(seq, at, Action::Remove(remove), None));
            held.push((aircraft, position, there, since, at));
            holder[aircraft][position] = None;
        } else if holder.iter().flatten().flatten().all(|(p, _)| *p != part) {
            let ComponentId { kind, serial } = id(part);
            let places = vec![Place { kind, serial, position: POSITIONS[position].to_owned() }];
            let fit = Fit { aircraft: AIRCRAFT[aircraft].to_owned(), places, ..Fit::default() };
            entries.push(entry(seq, at, Action::Fit(fit), None));
            holder[aircraft][position] = Some((part, at));
        }
    }
    for (aircraft, positions) in holder.iter().enumerate() {
        for (position, there) in positions.iter().enumerate() {
            if let Some((part, since)) = there {
                held.push((aircraft, position, *part, *since, i64::MAX));
            }
        }
    }
    (entries, held)
}

fn entry(seq: i64, at_us: i64, action: Action, corrects: Option<i64>) -> Entry {
    Entry { seq, at_us, entered_us: 0, action, corrects }
}

fn flights() -> impl Strategy<Value = Vec<Flown>> {
    let one = (0..2usize, 0..END_US, 0..3000i64, 0..5000i64, 1..4i64, prop::option::of(0..3i64));
    prop::collection::vec(one, 0..25).prop_map(|all| {
        let mut flights = Vec::new();
        for (n, (aircraft, from, length, airtime_ms, landings, motor_starts)) in all.into_iter().enumerate() {
            flights.push(Flown {
                flight_id: format!("f{n}"),
                also: vec![],
                aircraft: AIRCRAFT[aircraft].to_owned(),
                airborne_us: Some((from, from + length)),
                airtime_ms,
                landings,
                motor_starts,
                packs: vec![],
            });
        }
        flights
    })
}

/// What a flight uses in `[from, to)`, from the definition: whole-number share of the airtime, the flight at
/// liftoff, landings at touchdown.
fn part(flight: &Flown, from: i64, to: i64) -> Amount {
    if to <= from {
        return Amount::default();
    }
    let (start, end) = flight.airborne_us.unwrap();
    let end = end.max(start + 1);
    let until = |at: i64| {
        let at = at.clamp(start, end);
        i64::try_from(i128::from(flight.airtime_ms) * i128::from(at - start) / i128::from(end - start))
            .unwrap()
    };
    let begun = i64::from(from <= start && start < to);
    Amount {
        airtime_ms: until(to) - until(from),
        flights: begun,
        landings: flight.landings * i64::from(from < end && end <= to),
        motor_starts: flight.motor_starts.unwrap_or(0) * begun,
        starts_unknown: i64::from(flight.motor_starts.is_none()) * begun,
        charge_mah: 0,
        charge_unknown: 0,
    }
}

fn steps() -> impl Strategy<Value = Vec<Step>> {
    prop::collection::vec((0..END_US, 0..2usize, 0..2usize, 0..PARTS), 0..30)
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(600))]

    #[test]
    fn components_at_a_position_sum_to_what_flew_while_something_was_fitted(
        steps in steps(), flights in flights(), at in 0..END_US + 5000,
    ) {
        let (entries, held) = history(steps);
        let ledger = Ledger::project(&entries).unwrap();
        let accounts = Accounts::new(&ledger, &flights);
        let expected = |aircraft: usize, position: usize, part_no: Option<usize>| -> Amount {
            let own = held.iter().filter(|h| (h.0, h.1) == (aircraft, position));
            let own = own.filter(|h| part_no.is_none_or(|p| h.2 == p));
            own.map(|h| {
                let flown = flights.iter().filter(|f| f.aircraft == AIRCRAFT[aircraft]);
                flown.map(|f| part(f, h.3, h.4.min(at))).sum::<Amount>()
            }).sum()
        };
        for (aircraft, name) in AIRCRAFT.into_iter().enumerate() {
            let all: Amount =
                flights.iter().filter(|f| f.aircraft == name).map(|f| part(f, i64::MIN / 2, at)).sum();
            prop_assert_eq!(accounts.aircraft(name, at), all, "the aircraft's own sum");
            for (position, place) in POSITIONS.into_iter().enumerate() {
                let shares: Amount = (0..PARTS)
                    .flat_map(|p| accounts.shares(&id(p), at))
                    .filter(|s| s.flight.aircraft == name && s.position == Some(place))
                    .map(|s| s.amount)
                    .sum();
                prop_assert_eq!(shares, expected(aircraft, position, None), "{} {}", aircraft, position);
            }
        }
        for p in 0..PARTS {
            let fitted: Amount =
                (0..4).map(|n| expected(n / 2, n % 2, Some(p))).sum();
            let opening = Amount { airtime_ms: 1000 * p as i64, ..Amount::default() };
            prop_assert_eq!(accounts.component(&id(p), at), opening + fitted, "P{}", p);
            let shares: Amount = accounts.shares(&id(p), at).iter().map(|s| s.amount).sum();
            prop_assert_eq!(opening + shares, accounts.component(&id(p), at), "the flights behind P{}", p);
        }
    }

    #[test]
    fn a_correction_equals_having_entered_it_right_at_first(
        steps in steps(), which in any::<prop::sample::Index>(), wrong_at in 0..END_US, twice in any::<bool>(),
    ) {
        let (right, _) = history(steps);
        let index = which.index(right.len());
        let seq = right[index].seq;
        let mut corrected = right.clone();
        corrected[index].at_us = wrong_at;
        let next = right.len() as i64 + 1;
        if twice {
            // Corrected wrongly first, then right, the second one referring to the first.
            corrected.push(entry(next, wrong_at / 2, right[index].action.clone(), Some(seq)));
            corrected.push(entry(next + 1, right[index].at_us, right[index].action.clone(), Some(next)));
        } else {
            corrected.push(entry(next, right[index].at_us, right[index].action.clone(), Some(seq)));
        }
        prop_assert_eq!(Ledger::project(&corrected), Ledger::project(&right));
    }

    #[test]
    fn a_voided_entry_equals_none(steps in steps(), at in 0..END_US, part_no in 0..PARTS) {
        let (right, _) = history(steps);
        let next = right.len() as i64 + 1;
        let mut voided = right.clone();
        let components = vec![id(part_no)];
        voided.push(entry(next, at, Action::Remove(Remove { components, ..Remove::default() }), None));
        voided.push(entry(next + 1, at, Action::Void(Void { reason: "wrong part".into() }), Some(next)));
        prop_assert_eq!(Ledger::project(&voided), Ledger::project(&right));
    }
}
