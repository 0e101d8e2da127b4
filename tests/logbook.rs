//! The logbook's sums: an example worked by hand, and properties of any history.
#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    reason = "a test stops at the first surprise"
)]

use fettle::finding::Severity;
use fettle::fleet::{Interval, Task};
use fettle::usage::due::{OpenFinding, Status, due};
use fettle::usage::entry::{
    Action, Assign, AssignedPack, ComponentId, Exclude, Fit, Life, NewComponent, Off, Place, Remove, Sign,
    SignedTarget,
};
use fettle::usage::events::usage_events;
use fettle::usage::target::{Craft, nowhere, targets};
use fettle::usage::{Accounts, Amount, Entry, Flown, Ledger, Pack};

const MIN_US: i64 = 60_000_000;
const MIN_MS: i64 = 60_000;

fn id(serial: &str) -> ComponentId {
    let kind = if serial.starts_with('B') { "battery-pack" } else { "propeller" };
    ComponentId { kind: kind.to_owned(), serial: serial.to_owned() }
}

/// A flight from minute to minute; `lost_ms` of it on the ground in a touch-and-go.
fn flown(aircraft: &str, from_min: i64, to_min: i64, lost_ms: i64) -> Flown {
    Flown {
        flight_id: format!("{aircraft}-{from_min}"),
        aircraft: aircraft.to_owned(),
        airborne_us: Some((from_min * MIN_US, to_min * MIN_US)),
        airtime_ms: (to_min - from_min) * MIN_MS - lost_ms,
        landings: if lost_ms > 0 { 2 } else { 1 },
        ..Flown::default()
    }
}

/// A journal in the making: times in minutes.
#[derive(Default, Clone)]
struct Book(Vec<Entry>);

impl Book {
    fn enter(&mut self, at_min: i64, action: Action, corrects: Option<i64>) -> i64 {
        let seq = self.0.len() as i64 + 1;
        self.0.push(Entry { seq, at_us: at_min * MIN_US, entered_us: 0, action, corrects });
        seq
    }

    fn part(&mut self, serial: &str, opening: Amount) -> i64 {
        let ComponentId { kind, serial } = id(serial);
        self.enter(0, Action::Component(NewComponent { kind, serial, opening, ..Default::default() }), None)
    }

    fn fit(&mut self, at_min: i64, aircraft: &str, position: &str, serial: &str) -> i64 {
        self.enter(at_min, fit(aircraft, position, serial), None)
    }

    fn remove(&mut self, at_min: i64, serial: &str) -> i64 {
        self.enter(at_min, remove(serial), None)
    }

    fn ledger(&self) -> Ledger {
        Ledger::project(&self.0).unwrap_or_else(|e| panic!("entry {}: {e}", e.entry))
    }

    fn refusal(&self) -> String {
        Ledger::project(&self.0).unwrap_err().to_string()
    }
}

fn fit(aircraft: &str, position: &str, serial: &str) -> Action {
    let ComponentId { kind, serial } = id(serial);
    let places = vec![Place { kind, serial, position: position.to_owned() }];
    Action::Fit(Fit { aircraft: aircraft.to_owned(), places, ..Default::default() })
}

fn remove(serial: &str) -> Action {
    Action::Remove(Remove { components: vec![id(serial)], to: Off::InStock, ..Default::default() })
}

/// Minutes of airtime, flights, landings.
fn used(accounts: &Accounts<'_>, serial: &str, at_min: i64) -> (f64, i64, i64) {
    let amount = accounts.component(&id(serial), at_min * MIN_US);
    (amount.airtime_ms as f64 / MIN_MS as f64, amount.flights, amount.landings)
}

/// Three aircraft, one position each. On paper, minutes from the start of the day:
///
/// | aircraft | flights (takeoff–touchdown)                         | airtime        |
/// |----------|-----------------------------------------------------|----------------|
/// | heron    | 10–30, 40–55 (30 s of it touch-and-go), 100–120     | 20, 14.5, 20   |
/// | egret    | 20–30, 60–90                                        | 10, 30         |
/// | plover   | 200–210; 220–245 on a card forgotten until the end  | 10; 25         |
///
/// P1 begins with 2 h (120 min), 8 flights, 9 landings from before. It flies on heron from 5, comes off at 35
/// and goes to egret at 50; P2 takes its place on heron at 36. P3 flies on egret from 5 to 45. P4 is on
/// plover from 195 on. P2's fitting was first entered as 60 and corrected.
fn example(forgotten: bool, corrected: bool) -> (Book, Vec<Flown>) {
    let mut book = Book::default();
    let before = Amount { airtime_ms: 120 * MIN_MS, flights: 8, landings: 9, ..Amount::default() };
    book.part("P1", before);
    for serial in ["P2", "P3", "P4"] {
        book.part(serial, Amount::default());
    }
    book.fit(5, "heron", "front", "P1");
    book.fit(5, "egret", "front", "P3");
    book.remove(35, "P1");
    let wrong = book.fit(60, "heron", "front", "P2");
    book.remove(45, "P3");
    book.fit(50, "egret", "front", "P1");
    book.fit(195, "plover", "front", "P4");
    if corrected {
        book.enter(36, fit("heron", "front", "P2"), Some(wrong));
    }
    let mut flights = vec![
        flown("heron", 10, 30, 0),
        flown("heron", 40, 55, 30_000),
        flown("heron", 100, 120, 0),
        flown("egret", 20, 30, 0),
        flown("egret", 60, 90, 0),
        flown("plover", 200, 210, 0),
    ];
    if forgotten {
        flights.push(flown("plover", 220, 245, 0));
    }
    (book, flights)
}

#[test]
fn the_example_worked_by_hand() {
    // Before the correction P2 was fitted at 60 and missed heron's second flight: 20 min, 1 flight.
    let (book, flights) = example(false, false);
    let ledger = book.ledger();
    let accounts = Accounts::new(&ledger, &flights);
    assert_eq!(used(&accounts, "P2", 1000), (20.0, 1, 1));
    // After it: 14.5 + 20 = 34.5 min, 2 flights, 2 + 1 landings.
    let (book, flights) = example(false, true);
    let ledger = book.ledger();
    let accounts = Accounts::new(&ledger, &flights);
    assert_eq!(used(&accounts, "P2", 1000), (34.5, 2, 3));
    // P1: 120 + heron's first 20 + egret's second 30 = 170 min; 8 + 2 flights, 9 + 2 landings.
    assert_eq!(used(&accounts, "P1", 1000), (170.0, 10, 11));
    // P3: egret's first flight.
    assert_eq!(used(&accounts, "P3", 1000), (10.0, 1, 1));
    assert_eq!(used(&accounts, "P4", 1000), (10.0, 1, 1));
    // At past instants. At 57, P1 has heron's first flight only: 140 min; P2 heron's second whole: 14.5.
    assert_eq!(used(&accounts, "P1", 57), (140.0, 9, 10));
    assert_eq!(used(&accounts, "P2", 57), (14.5, 1, 2));
    // At 75, in the middle of egret's second flight: 15 of its 30 min, begun, not landed.
    assert_eq!(used(&accounts, "P1", 75), (155.0, 10, 10));
    // At 0 the opening balance alone.
    assert_eq!(used(&accounts, "P1", 0), (120.0, 8, 9));
    // Aircraft: heron 20 + 14.5 + 20 = 54.5; egret 40; plover 10.
    for (name, want) in [("heron", 54.5), ("egret", 40.0), ("plover", 10.0)] {
        assert_eq!(accounts.aircraft(name, i64::MAX).airtime_ms as f64 / MIN_MS as f64, want, "{name}");
    }
    assert!(accounts.straddles().is_empty());
    // The forgotten card gives P4 25 min more and nobody else anything.
    let (book, flights) = example(true, true);
    let ledger = book.ledger();
    let accounts = Accounts::new(&ledger, &flights);
    assert_eq!(used(&accounts, "P4", 1000), (35.0, 2, 2));
    assert_eq!(used(&accounts, "P1", 1000), (170.0, 10, 11));
    // The flights behind P1's figure: heron's first, egret's second.
    let shares = accounts.shares(&id("P1"), i64::MAX);
    let behind: Vec<&str> = shares.iter().map(|s| s.flight.flight_id.as_str()).collect();
    assert_eq!(behind, ["heron-10", "egret-60"]);
    // Usage events: every flight has exactly one propeller, so 7 of them.
    assert_eq!(usage_events(&accounts, i64::MAX).len(), 7);
}

#[test]
fn a_late_card_across_a_change_is_split_exactly_and_reported() {
    // P1 comes off at 35 and P2 goes on at 35; then a flight 30–40 turns up: 600 000 ms less 1 ms lost, so
    // 599 999. Half of the interval: 299 999.5, rounded down for the first, the rest for the second.
    let mut book = Book::default();
    book.part("P1", Amount::default());
    book.part("P2", Amount::default());
    book.fit(5, "heron", "front", "P1");
    let removal = book.remove(35, "P1");
    let fitting = book.fit(35, "heron", "front", "P2");
    let flights = [flown("heron", 30, 40, 1)];
    let ledger = book.ledger();
    let accounts = Accounts::new(&ledger, &flights);
    let of = |serial| accounts.component(&id(serial), i64::MAX);
    assert_eq!((of("P1").airtime_ms, of("P2").airtime_ms), (299_999, 300_000));
    assert_eq!((of("P1").flights, of("P2").flights), (1, 0), "the flight counts where it began");
    assert_eq!((of("P1").landings, of("P2").landings), (0, 2), "landings where it ended");
    let found: Vec<(i64, i64)> = accounts.straddles().iter().map(|s| (s.entry, s.at_us / MIN_US)).collect();
    assert_eq!(found, [(removal, 35), (fitting, 35)]);
}

#[test]
fn impossible_histories_are_refused_in_words() {
    let mut book = Book::default();
    book.part("P1", Amount::default());
    book.part("P2", Amount::default());
    book.fit(5, "heron", "front", "P1");
    for (case, at, action, words) in [
        ("two places", 9, fit("egret", "front", "P1"), "already on heron at front"),
        ("taken", 9, fit("heron", "front", "P2"), "already holds propeller P1"),
        // Backdated before the other: the later entry is the one that cannot be.
        ("backdated", 2, fit("heron", "front", "P2"), "already holds propeller P2"),
        ("unknown", 9, fit("heron", "rear", "P11"), "not in the logbook (did you mean propeller P1?)"),
        ("not fitted", 9, remove("P2"), "not fitted to anything"),
        ("not fitted yet", 4, remove("P1"), "not fitted to anything"),
    ] {
        let mut book = book.clone();
        book.enter(at, action, None);
        let refusal = book.refusal();
        assert!(refusal.contains(words), "{case}: {refusal}");
    }
    let mut twice = book.clone();
    twice.part("P1", Amount::default());
    assert!(twice.refusal().contains("in the logbook already (entry 1)"), "{}", twice.refusal());
    let mut other = book.clone();
    other.enter(9, remove("P1"), Some(3));
    assert!(other.refusal().contains("entry 3 is of kind fit"), "{}", other.refusal());
    let mut retired = book;
    let components = vec![id("P1")];
    retired.enter(7, Action::Remove(Remove { components, to: Off::Retired, ..Default::default() }), None);
    retired.fit(9, "heron", "front", "P1");
    assert!(retired.refusal().contains("was retired"), "{}", retired.refusal());
}

#[test]
fn packs_count_by_the_serial_in_the_log_before_the_fitting() {
    let mut book = Book::default();
    for serial in ["B1", "B2"] {
        let ComponentId { kind, serial } = id(serial);
        let new = NewComponent {
            kind,
            serial,
            capacity_mah: Some(16_000),
            opening_millicycles: 2500,
            ..Default::default()
        };
        book.enter(0, Action::Component(new), None);
    }
    book.fit(0, "heron", "bay", "B1");
    let mut flights = vec![flown("heron", 10, 20, 0), flown("heron", 30, 60, 0), flown("heron", 70, 80, 0)];
    // The second flight's log names b2 (letters' case aside) and 8000 mAh; the third names one nobody knows.
    flights[1].packs = vec![Pack { serial: "b2".into(), charge_mah: Some(8000) }];
    flights[2].packs = vec![Pack { serial: "X9".into(), charge_mah: None }];
    let ledger = book.ledger();
    let accounts = Accounts::new(&ledger, &flights);
    assert_eq!(used(&accounts, "B1", 1000), (10.0, 1, 1), "fitted, and no log says otherwise");
    assert_eq!(used(&accounts, "B2", 1000), (30.0, 1, 1));
    // 8000 of 16 000 mAh is half a cycle, on top of 2.5.
    assert_eq!(fettle::usage::due::millicycles(&accounts, &id("B2"), i64::MAX), Some(3000));
    assert_eq!(accounts.unknown_packs.get("X9"), Some(&1));
    assert_eq!(accounts.aircraft("heron", i64::MAX).airtime_ms, 50 * MIN_MS);
}

#[test]
fn what_was_said_of_a_flight_holds_when_another_recording_leads() {
    let mut book = Book::default();
    book.part("B1", Amount::default());
    let packs = vec![AssignedPack { serial: "B1".into(), charge_mah: None }];
    let assign = |flight: &str| Assign { flight_id: flight.into(), packs: packs.clone() };
    let exclude = |flight: &str| Exclude { flight_id: flight.into(), reason: "a bench test".into() };
    book.enter(50, Action::Assign(assign("ground-10")), None);
    let excluded = book.enter(50, Action::Exclude(exclude("ground-30")), None);
    let mut flights = vec![flown("heron", 10, 20, 0), flown("heron", 30, 60, 0), flown("heron", 70, 90, 0)];
    let ledger = book.ledger();
    let alone = Accounts::new(&ledger, &flights);
    let said: Vec<_> = alone.missing.iter().map(|m| (m.entry, m.flight_id, m.excludes)).collect();
    assert_eq!(said, [(2, "ground-10", false), (3, "ground-30", true)], "told, as neither is there");
    // The same flights recorded onboard come in with a late card and lead.
    flights[0].also = vec!["ground-10".into()];
    flights[1].also = vec!["other".into(), "ground-30".into()];
    let accounts = Accounts::new(&ledger, &flights);
    assert!(accounts.missing.is_empty());
    assert_eq!(used(&accounts, "B1", 1000), (10.0, 1, 1));
    assert_eq!(accounts.aircraft("heron", i64::MAX).airtime_ms, 30 * MIN_MS, "10 and 20; 30 are excluded");
    let carried: Vec<_> = accounts.excluded_as.iter().map(|(f, e)| (f.flight_id.as_str(), e.entry)).collect();
    assert_eq!(carried, [("heron-30", excluded)]);
    // What is said of the leading recording itself goes before.
    let other = Assign { flight_id: "heron-10".into(), packs: vec![] };
    book.enter(40, Action::Assign(other), None);
    let ledger = book.ledger();
    assert_eq!(used(&Accounts::new(&ledger, &flights), "B1", 1000), (0.0, 0, 0));
}

#[test]
fn a_flight_without_utc_is_listed_not_dropped() {
    let flights = [Flown { airborne_us: None, ..flown("heron", 10, 20, 0) }];
    let ledger = Ledger::default();
    let accounts = Accounts::new(&ledger, &flights);
    assert_eq!(accounts.unattributed.len(), 1);
    assert_eq!(accounts.aircraft("heron", i64::MAX), Amount::default());
}

fn task(every_flights: i64, tolerance: i64) -> Task {
    Task {
        name: "look".into(),
        applies_to: "propeller".into(),
        aircraft: vec![],
        positions: vec![],
        every: Interval { flights: Some(every_flights), ..Interval::default() },
        tolerance: Interval { flights: Some(tolerance), ..Interval::default() },
        grid: false,
        once: false,
        after: None,
        look_for: None,
    }
}

fn sign(serial: &str) -> Action {
    let ComponentId { kind, serial } = id(serial);
    let target = SignedTarget { kind: Some(kind), serial: Some(serial), ..Default::default() };
    Action::Sign(Sign {
        task: "look".into(),
        targets: vec![target],
        by: "A. Person".into(),
        ..Default::default()
    })
}

/// Status and flights left of the one target.
fn state(book: &Book, flights: &[Flown], task: &Task, at_min: i64) -> Option<(Status, Option<i64>)> {
    let ledger = book.ledger();
    let accounts = Accounts::new(&ledger, flights);
    let items = due(&accounts, std::slice::from_ref(task), &["heron".into()], &[], at_min * MIN_US);
    assert!(items.len() <= 1, "{items:?}");
    items.first().map(|i| (i.status, i.remaining.flights))
}

#[test]
fn what_is_due_follows_the_signatures() {
    // Ten flights of ten minutes, at 10, 30, 50 … 190. P1 is on from 0. Every 4 flights, one may be late.
    let flights: Vec<Flown> = (0..10).map(|i| flown("heron", 10 + 20 * i, 20 + 20 * i, 0)).collect();
    let mut book = Book::default();
    book.part("P1", Amount::default());
    book.fit(0, "heron", "front", "P1");
    // All flights lie within one day, so there is no rate and no date: the status is by flights alone.
    let t = task(4, 1);
    for (at, want) in [
        (5, (Status::Later, 4)),
        (55, (Status::Later, 1)), // three begun; a fifth of 4 is 0.8
        (75, (Status::Due, 0)),
        (95, (Status::Due, -1)), // within the tolerance
        (115, (Status::Overdue, -2)),
    ] {
        assert_eq!(state(&book, &flights, &t, at), Some((want.0, Some(want.1))), "at {at}");
    }
    let mut signed = book.clone();
    signed.enter(85, sign("P1"), None); // after 4 flights
    assert_eq!(state(&signed, &flights, &t, 115), Some((Status::Later, Some(2))));
    // On the grid: signed at 3 flights with a tolerance of 1 satisfies the 4th; next is the 8th, 6 flown.
    let grid = Task { grid: true, ..task(4, 1) };
    let mut early = book.clone();
    early.enter(65, sign("P1"), None);
    assert_eq!(state(&early, &flights, &grid, 115), Some((Status::Later, Some(2))));
    // Signed at 2 flights is too early for it: the 4th still stands.
    let mut earlier = book.clone();
    earlier.enter(45, sign("P1"), None);
    assert_eq!(state(&earlier, &flights, &grid, 65), Some((Status::Later, Some(1))));
    // Once: gone after the signature. After a change: counts from the fitting.
    let once = Task { once: true, ..task(4, 0) };
    assert_eq!(state(&signed, &flights, &once, 115), None);
    let mut changed = book.clone();
    changed.remove(62, "P1");
    changed.fit(63, "heron", "front", "P1");
    let after = Task { after: Some(fettle::fleet::After::Change("propeller".into())), ..task(4, 0) };
    // 3 flights before the change do not count; one (at 70) since.
    assert_eq!(state(&changed, &flights, &after, 85), Some((Status::Later, Some(3))));
    changed.enter(86, sign("P1"), None);
    assert_eq!(state(&changed, &flights, &after, 90), None, "signed, so no longer called for");
    // Deferred for two more flights at 75 (4 flown): at 95 five are flown, one is left.
    let mut put_off = book;
    let Action::Sign(mut deferral) = sign("P1") else { panic!("a signature") };
    deferral.result = fettle::usage::entry::SignResult::Deferred;
    deferral.deferred_until.flights = Some(2);
    put_off.enter(75, Action::Sign(deferral), None);
    assert_eq!(state(&put_off, &flights, &t, 95).unwrap().1, Some(1));
    assert_eq!(state(&put_off, &flights, &t, 135).unwrap().0, Status::Overdue);
}

#[test]
fn an_event_calls_for_its_task_once() {
    let flights = [flown("heron", 10, 20, 0)];
    let event = Task {
        applies_to: "aircraft".into(),
        every: Interval::default(),
        after: Some(fettle::fleet::After::Event("hard landing".into())),
        ..task(1, 0)
    };
    let mut book = Book::default();
    assert_eq!(state(&book, &flights, &event, 30), None);
    let happened =
        fettle::usage::entry::Event { aircraft: "heron".into(), event: "hard landing".into(), note: None };
    book.enter(20, Action::Event(happened), None);
    assert_eq!(state(&book, &flights, &event, 30), Some((Status::Due, Some(0))));
    let target = SignedTarget { aircraft: Some("heron".into()), ..Default::default() };
    let signed = Sign { task: "look".into(), targets: vec![target], by: "x".into(), ..Default::default() };
    book.enter(25, Action::Sign(signed), None);
    assert_eq!(state(&book, &flights, &event, 30), None);
    assert_eq!(state(&book, &flights, &event, 22), Some((Status::Due, Some(0))), "as it stood then");
}

fn finding(kind: &str, at_min: Option<i64>) -> OpenFinding {
    OpenFinding {
        finding_id: "f".into(),
        aircraft: "heron".into(),
        kind: kind.into(),
        subject: "x".into(),
        severity: Severity::Caution,
        at_us: at_min.map(|at| at * MIN_US),
        summary: String::new(),
        answered: false,
    }
}

#[test]
fn a_finding_of_unknown_time_is_settled_by_an_answer_alone() {
    // P1 is on from 0 and signed at 50; the finding is of a flight at 40, at 60, or of one whose log tells
    // no UTC, which may be later than the signature.
    let flights = [flown("heron", 30, 40, 0), flown("heron", 55, 60, 0)];
    let mut book = Book::default();
    book.part("P1", Amount::default());
    book.fit(0, "heron", "front", "P1");
    book.enter(50, sign("P1"), None);
    let ledger = book.ledger();
    let accounts = Accounts::new(&ledger, &flights);
    let statuses = |task: &Task, found: &OpenFinding| -> Vec<(Status, usize)> {
        let found = std::slice::from_ref(found);
        let items = due(&accounts, std::slice::from_ref(task), &["heron".into()], found, 100 * MIN_US);
        items.iter().map(|i| (i.status, i.findings.len())).collect()
    };
    for (at, want) in [(Some(40), (Status::Later, 0)), (Some(60), (Status::Due, 1)), (None, (Status::Due, 1))]
    {
        assert_eq!(statuses(&task(40, 0), &finding("vibration_rise", at)), [want], "{at:?}");
    }
    let answered = OpenFinding { answered: true, ..finding("vibration_rise", None) };
    assert_eq!(statuses(&task(40, 0), &answered), [(Status::Later, 0)]);
    // As an event that calls for a task.
    let event = |days| Task {
        every: Interval { days, ..Interval::default() },
        after: Some(fettle::fleet::After::Event("hard landing".into())),
        ..task(1, 0)
    };
    for (at, want) in [(Some(40), None), (Some(60), Some(Status::Due)), (None, Some(Status::Due))] {
        let found = statuses(&event(None), &finding("hard_landing", at));
        assert_eq!(found.first().map(|f| f.0), want, "{at:?}");
    }
    // So many days that no clock counts to them; from an unknown time on nothing can be counted.
    assert_eq!(statuses(&event(Some(i64::MAX)), &finding("hard_landing", Some(60))), [(Status::Later, 0)]);
    assert_eq!(statuses(&event(Some(i64::MAX)), &finding("hard_landing", None)), [(Status::Due, 0)]);
    let answered = OpenFinding { answered: true, ..finding("hard_landing", None) };
    assert!(statuses(&event(None), &answered).is_empty());
}

#[test]
fn days_of_a_pack_that_is_never_fitted_count_from_its_first_flight() {
    const DAY: i64 = 1440;
    let pack = |serial: &str| vec![Pack { serial: serial.into(), charge_mah: None }];
    let mut flights =
        vec![flown("heron", 10 * DAY, 10 * DAY + 10, 0), flown("heron", 20 * DAY, 20 * DAY + 10, 0)];
    flights[0].packs = pack("B1");
    flights[1].packs = pack("B2");
    let mut book = Book::default();
    for serial in ["B1", "B2", "B3"] {
        let ComponentId { kind, serial } = id(serial);
        let life = Life { days: Some(100), ..Life::default() };
        book.enter(0, Action::Component(NewComponent { kind, serial, life, ..Default::default() }), None);
    }
    book.fit(15 * DAY, "heron", "bay", "B2");
    let battery = Task {
        applies_to: "battery-pack".into(),
        every: Interval { days: Some(30), ..Interval::default() },
        ..task(1, 0)
    };
    let ledger = book.ledger();
    let accounts = Accounts::new(&ledger, &flights);
    let items = due(&accounts, &[battery], &["heron".into()], &[], 50 * DAY * MIN_US);
    let left = |task: &str, serial: &str| {
        let item =
            items.iter().find(|i| i.task == task && i.target.serial.as_deref() == Some(serial)).unwrap();
        item.remaining.calendar_us.map(|us| us / fettle::usage::DAY_US)
    };
    // At day 50: B1 began to fly on day 10, B2 was fitted on day 15, B3 never flew and has no days yet.
    assert_eq!(["B1", "B2", "B3"].map(|b| left("look", b)), [Some(-10), Some(-5), None]);
    assert_eq!(["B1", "B2", "B3"].map(|b| left("life limit", b)), [Some(60), Some(65), None]);
}

#[test]
fn what_is_not_entered_stays_a_target() {
    let flights = [flown("heron", 10, 20, 0)];
    let positions = ["left", "right"].map(str::to_owned).to_vec();
    let heron = [Craft { name: "heron".into(), positions }];
    let mut book = Book::default();
    for serial in ["P1", "P2", "P3"] {
        book.part(serial, Amount::default());
    }
    let words = |book: &Book, task: &Task| -> Vec<String> {
        let ledger = book.ledger();
        let accounts = Accounts::new(&ledger, &flights);
        let mut words: Vec<String> =
            targets(task, &accounts, &heron, 50 * MIN_US).iter().map(|t| t.words()).collect();
        words.sort();
        words
    };
    let look = task(4, 0);
    let right = Task { positions: vec!["right".into()], ..task(4, 0) };
    let changed = Task { after: Some(fettle::fleet::After::Change("propeller".into())), ..task(4, 0) };
    assert_eq!(words(&book, &look), ["propeller, none entered singly"]);
    book.fit(0, "heron", "left", "P1");
    assert_eq!(words(&book, &look), ["left propeller P1", "propeller, the rest not entered singly"]);
    assert_eq!(words(&book, &right), ["propeller, the rest not entered singly"]);
    assert_eq!(words(&book, &changed), ["left propeller P1"], "nobody said that the rest was changed");
    // A motor's finding at the place of one that is entered does not mean the rest.
    let ledger = book.ledger();
    let accounts = Accounts::new(&ledger, &flights);
    for (subject, want) in
        [("left", ["left propeller P1"]), ("right", ["propeller, the rest not entered singly"])]
    {
        let found = OpenFinding { subject: subject.into(), ..finding("motor_thrust_loss", None) };
        let items = due(&accounts, std::slice::from_ref(&look), &heron, &[found], 50 * MIN_US);
        let brought = items.iter().filter(|i| !i.findings.is_empty());
        assert_eq!(brought.map(|i| i.target.words()).collect::<Vec<_>>(), want, "{subject}");
    }
    // Two on one arm are not one on each.
    book.fit(0, "heron", "left/upper", "P2");
    assert_eq!(words(&book, &look).len(), 3);
    book.fit(0, "heron", "right/upper", "P3");
    assert_eq!(
        words(&book, &look),
        ["left propeller P1", "left/upper propeller P2", "right/upper propeller P3"]
    );
    // An arm is all that is on it; a position that there is not is told.
    let at = |positions: &[&str]| Task {
        positions: positions.iter().map(|p| (*p).to_owned()).collect(),
        ..task(4, 0)
    };
    assert_eq!(words(&book, &at(&["left"])), ["left propeller P1", "left/upper propeller P2"]);
    let ledger = book.ledger();
    let accounts = Accounts::new(&ledger, &flights);
    assert_eq!(nowhere(&at(&["left", "rigth", "right/upper"]), &accounts, &heron), ["rigth"]);
    let isolator = Task { applies_to: "isolator".into(), ..at(&["tray"]) };
    assert!(nowhere(&isolator, &accounts, &heron).is_empty(), "nobody said where isolators are");
}

#[test]
fn a_pack_belongs_to_the_aircraft_whose_logs_name_it() {
    let mut flights = vec![flown("heron", 10, 20, 0), flown("egret", 30, 40, 0)];
    flights[0].packs = vec![Pack { serial: "B1".into(), charge_mah: None }];
    let mut book = Book::default();
    book.part("B1", Amount::default());
    let ledger = book.ledger();
    let crafts: [Craft; 2] = ["heron".into(), "egret".into()];
    let accounts = Accounts::new(&ledger, &flights);
    let found = |only: &[&str], at_min: i64| -> Vec<String> {
        let aircraft = only.iter().map(|a| (*a).to_owned()).collect();
        let battery = Task { applies_to: "battery-pack".into(), aircraft, ..task(4, 0) };
        let all = targets(&battery, &accounts, &crafts, at_min * MIN_US);
        all.iter().map(|t| format!("{} {}", t.aircraft.as_deref().unwrap_or("off"), t.words())).collect()
    };
    let (b1, egret) = ("off battery-pack B1", "egret battery-pack, none entered singly");
    assert_eq!(found(&[], 50), [b1, egret]);
    assert_eq!(found(&["heron"], 50), [b1]);
    assert_eq!(found(&["egret"], 50), [egret]);
    assert_eq!(found(&["heron"], 5), ["heron battery-pack, none entered singly"], "before it first flew");
}

#[test]
fn what_a_caution_makes_due_is_due_today() {
    // Every 400 flights: later, and without a date, as one day of flying gives no rate.
    let flights = [flown("heron", 10, 20, 0), flown("heron", 30, 40, 0)];
    let mut book = Book::default();
    book.part("P1", Amount::default());
    book.fit(0, "heron", "front", "P1");
    let now_us = 100 * MIN_US;
    let item = |book: &Book, task: &Task, severity: Severity| {
        let (ledger, found) =
            (book.ledger(), OpenFinding { severity, ..finding("vibration_rise", Some(20)) });
        let accounts = Accounts::new(&ledger, &flights);
        let items = due(&accounts, std::slice::from_ref(task), &["heron".into()], &[found], now_us);
        items.first().map(|i| (i.status, i.forecast.map(|f| f.date_us), i.findings.len()))
    };
    let look = task(400, 0);
    assert_eq!(item(&book, &look, Severity::Advisory), Some((Status::Later, None, 1)));
    assert_eq!(item(&book, &look, Severity::Caution), Some((Status::Due, Some(now_us), 1)));
    // Signed at 25, which settles the finding, a task that is done once and one that a fitting called for;
    // deferred at 45, which undoes none of it.
    book.enter(25, sign("P1"), None);
    let Action::Sign(mut deferral) = sign("P1") else { panic!("a signature") };
    deferral.result = fettle::usage::entry::SignResult::Deferred;
    deferral.deferred_until.flights = Some(100);
    book.enter(45, Action::Sign(deferral), None);
    assert_eq!(item(&book, &look, Severity::Caution), Some((Status::Later, None, 0)));
    assert_eq!(item(&book, &Task { once: true, ..task(400, 0) }, Severity::Caution), None);
    let after = Some(fettle::fleet::After::Change(id("P1").kind));
    assert_eq!(item(&book, &Task { after, ..task(400, 0) }, Severity::Caution), None);
}

#[test]
fn flights_of_unknown_charge_wear_a_pack_down_too() {
    // Five flights that name B1, 8000 mAh of 16 000 in the first and unknown in the others: 0.5 + 4 cycles; one
    // that names nobody, with B2 fitted: 1 cycle.
    let mut flights: Vec<Flown> = (0..6).map(|i| flown("heron", 10 + 20 * i, 20 + 20 * i, 0)).collect();
    for (index, flight) in flights.iter_mut().take(5).enumerate() {
        flight.packs = vec![Pack { serial: "B1".into(), charge_mah: (index == 0).then_some(8000) }];
    }
    let mut book = Book::default();
    for serial in ["B1", "B2"] {
        let ComponentId { kind, serial } = id(serial);
        let life = Life { cycles: Some(5), ..Life::default() };
        let capacity_mah = Some(16_000);
        let new = NewComponent { kind, serial, life, capacity_mah, ..Default::default() };
        book.enter(0, Action::Component(new), None);
    }
    book.fit(0, "heron", "bay", "B2");
    let ledger = book.ledger();
    let accounts = Accounts::new(&ledger, &flights);
    let left = |serial: &str, at_min: i64| {
        let items = due(&accounts, &[], &["heron".into()], &[], at_min * MIN_US);
        let item = items.iter().find(|i| i.target.serial.as_deref() == Some(serial)).unwrap();
        (item.status, item.remaining.millicycles.unwrap(), item.remaining.cycles_at_least)
    };
    assert_eq!(left("B1", 25), (Status::Later, 4500, false));
    assert_eq!(left("B1", 45), (Status::Later, 3500, true));
    // The last fifth of 5.
    assert_eq!(left("B1", 105), (Status::Soon, 500, true));
    assert_eq!(left("B2", 105), (Status::Later, 5000, false));
    assert_eq!(left("B2", 125), (Status::Later, 4000, true));
    for serial in ["B1", "B2"] {
        let shares: Amount = accounts.shares(&id(serial), i64::MAX).iter().map(|s| s.amount).sum();
        assert_eq!(shares, accounts.component(&id(serial), i64::MAX));
    }
    assert_eq!(
        accounts.aircraft("heron", i64::MAX).charge_unknown,
        0,
        "an aircraft draws from no pack of its own"
    );
}
