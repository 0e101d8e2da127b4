//! The feed's events: ids that never change, revisions that only grow, and the schema that promises them.
#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    reason = "a test stops at the first surprise"
)]

mod feed_support;

use feed_support::{NOW_US, all, finding, inspection, many, memory, open, tell, usage};
use fettle::feed::event::{Current, Event};
use fettle::feed::id::{EventId, EventType};
use fettle::feed::outbox::{self, Changed, OutboxError, Retractions, Scope};
use proptest::prelude::*;
use serde_json::{Value, json};
use std::collections::BTreeMap;

fn changed(new: usize, corrected: usize, retracted: usize, unchanged: usize) -> Changed {
    Changed { new, corrected, retracted, unchanged }
}

/// What a receiver that follows the rule holds.
fn received(events: &[Event]) -> BTreeMap<EventId, Event> {
    let mut held: BTreeMap<EventId, Event> = BTreeMap::new();
    for event in events {
        if held.get(&event.event_id).is_none_or(|h| h.revision < event.revision) {
            held.insert(event.event_id, event.clone());
        }
    }
    held
}

#[test]
fn ids_follow_from_what_the_event_is_about() {
    // Computed with the reference implementation of BLAKE3 through its Python binding.
    for (kind, key, want) in [
        (EventType::Usage, &["811bcd9e4638", "P-0007"][..], "275d485ebce7a44a67cb17a36ec73911"),
        (EventType::Finding, &["2963578d2cb7"], "05f0fda499778a54ed27013c18437d40"),
        (EventType::Inspection, &["entry-1"], "d0556149bb7cf1ce30f7026db71bb04d"),
    ] {
        let id = EventId::of(kind, key);
        assert_eq!(id.to_string(), want);
        assert_eq!(EventId::from_hex(want), Some(id));
    }
    assert_ne!(EventId::of(EventType::Usage, &["ab", "c"]), EventId::of(EventType::Usage, &["a", "bc"]));
    for wrong in ["", "275d", "275d485ebce7a44a67cb17a36ec7391g", "275d485ebce7a44a67cb17a36ec7391100"] {
        assert_eq!(EventId::from_hex(wrong), None, "{wrong}");
    }
    let moved = feed_support::usage("f", "P", 5);
    let corrected =
        fettle::feed::event::Usage { position: Some("rear-left".into()), airtime_ms: 6, ..moved.clone() };
    assert_eq!(
        Current::from(&moved).event_id,
        Current::from(&corrected).event_id,
        "a correction keeps its id"
    );
}

#[test]
fn corrections_come_as_revisions() {
    let db = memory();
    let first =
        || vec![Current::from(&usage("f1", "P-1", 60_000)), Current::from(&usage("f1", "P-2", 60_000))];
    assert_eq!(tell(&db, first()), changed(2, 0, 0, 0));
    assert_eq!(tell(&db, first()), changed(0, 0, 0, 2), "nothing new to tell");
    assert_eq!(all(&db).len(), 2, "no new rows");

    // Backdated: P-2 was fitted later than first said, P-1 was not fitted at all.
    let second = vec![Current::from(&usage("f1", "P-2", 59_000))];
    assert_eq!(tell(&db, second.clone()), changed(0, 1, 1, 0));
    assert_eq!(tell(&db, second), changed(0, 0, 0, 1));
    assert_eq!(tell(&db, first()), changed(0, 2, 0, 0), "P-1 holds again");

    let story: Vec<(i64, i64, bool)> = all(&db).iter().map(|e| (e.cursor, e.revision, e.retracted)).collect();
    let want = [(1, 1, false), (2, 1, false), (3, 2, false), (4, 2, true), (5, 3, false), (6, 3, false)];
    assert_eq!(story, want);
    let bodies: Vec<Value> = all(&db).iter().map(|e| serde_json::from_str(&e.body).unwrap()).collect();
    assert_eq!(bodies[3]["component_id"], "P-1", "a retraction says what it takes back");
    assert_eq!(bodies[2]["airtime_ms"], 59_000);
    assert_eq!(bodies[0]["takeoff_utc"], "2026-09-14T08:30:00.000Z");

    let latest = outbox::since(&db, 0, 99, Scope::Latest).unwrap();
    assert_eq!(latest.iter().map(|e| e.cursor).collect::<Vec<_>>(), [5, 6]);
    assert_eq!(received(&all(&db)), received(&latest));
}

#[test]
fn a_cursor_resumes() {
    let db = memory();
    tell(&db, many(10));
    let mut seen = Vec::new();
    let mut cursor = 0;
    loop {
        let page = outbox::since(&db, cursor, 3, Scope::History).unwrap();
        let Some(last) = page.last() else { break };
        cursor = last.cursor;
        seen.extend(page);
    }
    assert_eq!(seen, all(&db));
    assert_eq!(outbox::reached(&db).unwrap(), 10);
    let error = outbox::since(&db, 11, 3, Scope::History).unwrap_err();
    assert!(matches!(error, OutboxError::NeverGiven { asked: 11, reached: 10 }), "{error}");
    assert!(error.to_string().contains("resume from 0"), "{error}");
}

#[test]
fn a_refused_refresh_leaves_nothing_behind() {
    let db = memory();
    tell(&db, many(30));
    let mut twice = many(31);
    twice.extend(many(1));
    let error = outbox::refresh(&db, twice, NOW_US, Retractions::Allowed).unwrap_err();
    assert!(matches!(error, OutboxError::Twice { .. }), "{error}");
    assert_eq!(all(&db).len(), 30, "the 31st was rolled back");

    // A missing archive must not tell the tracker that nothing ever flew.
    let error = outbox::refresh(&db, many(10), NOW_US, Retractions::Guarded).unwrap_err();
    assert!(matches!(error, OutboxError::MostRetracted { retracted: 20, standing: 30 }), "{error}");
    assert_eq!(all(&db).len(), 30);
    let few = outbox::refresh(&db, many(11), NOW_US, Retractions::Guarded).unwrap();
    assert_eq!(few, changed(0, 0, 19, 11), "19 are taken back unasked");
    assert_eq!(tell(&db, Vec::new()), changed(0, 0, 11, 0));
}

#[test]
fn history_is_append_only_and_migrating_twice_is_harmless() {
    let db = memory();
    tell(&db, many(2));
    outbox::migrate(&db).unwrap();
    for sql in ["UPDATE feed_event SET revision = 9", "DELETE FROM feed_event"] {
        let error = db.execute(sql, []).unwrap_err().to_string();
        assert!(error.contains("what was told is never"), "{error}");
    }
    assert_eq!(all(&db).len(), 2);
}

#[test]
fn a_restored_history_goes_on_where_it_was() {
    let (old, new) = (memory(), memory());
    tell(&old, many(3));
    tell(&old, many(2));
    for event in all(&old) {
        outbox::restore(&new, &event).unwrap();
        outbox::restore(&new, &event).unwrap();
    }
    assert_eq!(all(&new), all(&old));
    assert_eq!(tell(&new, many(2)), changed(0, 0, 0, 2), "hashes were restored as well");
    assert_eq!(tell(&new, many(3)), changed(0, 1, 0, 2));
    let last = all(&new).pop().unwrap();
    assert_eq!((last.cursor, last.revision), (5, 3));
    let other = Event { body: "{}".into(), ..last };
    assert!(outbox::restore(&new, &other).is_err(), "the cursor is taken");
}

#[test]
fn a_second_process_sees_whole_refreshes_only() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("logbook.db");
    let writer = open(&path);
    let reader = open(&path);
    let seen = std::cell::Cell::new(usize::MAX);
    let current = many(5).into_iter().inspect(|_| seen.set(all(&reader).len()));
    outbox::refresh(&writer, current, NOW_US, Retractions::Guarded).unwrap();
    assert_eq!(seen.get(), 0, "nothing is seen before the commit");
    assert_eq!(all(&reader).len(), 5);
}

fn schema() -> jsonschema::Validator {
    let file = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("schemas/feed.schema.json");
    let schema: Value = serde_json::from_str(&std::fs::read_to_string(file).unwrap()).unwrap();
    jsonschema::draft202012::meta::validate(&schema).unwrap();
    jsonschema::validator_for(&schema).unwrap()
}

#[test]
fn every_type_of_event_follows_the_schema_and_wrong_ones_do_not() {
    let db = memory();
    let everything = || {
        vec![
            Current::from(&usage("f1", "P-1", 60_000)),
            Current::from(&inspection("e1")),
            Current::from(&finding("2963578d2cb7")),
        ]
    };
    tell(&db, everything());
    tell(&db, Vec::new());
    let mut bare = usage("f2", "P-1", 0);
    (bare.serial, bare.takeoff_utc_us, bare.touchdown_utc_us) = (None, None, None);
    (bare.position, bare.motor_starts, bare.charge_mah) = (None, None, Some(4200));
    let mut short = inspection("e2");
    (short.aircraft, short.text, short.readings, short.parts_changed) = (None, None, vec![], vec![]);
    let mut unlimited = finding("0");
    unlimited.limit = None;
    tell(&db, vec![Current::from(&bare), Current::from(&short), Current::from(&unlimited)]);

    let schema = schema();
    let lines: Vec<Value> = all(&db).iter().map(|e| serde_json::from_str(&e.line()).unwrap()).collect();
    assert_eq!(lines.len(), 9);
    for line in &lines {
        let wrong: Vec<String> = schema.iter_errors(line).map(|e| e.to_string()).collect();
        assert!(wrong.is_empty(), "{line}\n{wrong:?}");
    }
    assert_eq!(lines[2]["body"]["value"], json!(-0.202));
    assert!(schema.is_valid(&json!({"type": "summary", "events": 0, "cursor": 12})));

    let spoil = |index: usize, pointer: &str, value: Value| {
        let mut line = lines[index].clone();
        *line.pointer_mut(pointer).unwrap() = value;
        line
    };
    let without = |index: usize, field: &str| {
        let mut line = lines[index].clone();
        line.as_object_mut().unwrap().remove(field).unwrap();
        line
    };
    let mut stranger = lines[0].clone();
    stranger.as_object_mut().unwrap().insert("token".into(), "x".into());
    for (case, line) in [
        ("unknown type", spoil(0, "/type", json!("flight"))),
        ("body of another type", spoil(0, "/type", json!("finding"))),
        ("short id", spoil(0, "/event_id", json!("275d"))),
        ("revision 0", spoil(0, "/revision", json!(0))),
        ("cursor as text", spoil(0, "/cursor", json!("1"))),
        ("retracted as number", spoil(0, "/retracted", json!(0))),
        ("local time", spoil(0, "/recorded_utc", json!("2026-09-14T08:30:00+02:00"))),
        ("fractions of a millisecond", spoil(0, "/body/airtime_ms", json!(60_000.5))),
        ("negative airtime", spoil(0, "/body/airtime_ms", json!(-1))),
        ("result of our own", spoil(1, "/body/result", json!("fine"))),
        ("reading as number", spoil(1, "/body/readings/0/value", json!(4.5))),
        ("unknown severity", spoil(2, "/body/severity", json!("info"))),
        ("value as text", spoil(2, "/body/value", json!("-0.2"))),
        ("no revision", without(0, "revision")),
        ("no body", without(2, "body")),
        ("stranger in the envelope", stranger),
        ("summary without cursor", json!({"type": "summary", "events": 1})),
    ] {
        assert!(!schema.is_valid(&line), "{case}: {line}");
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(64))]

    /// Whatever happens to the shares, a receiver that is told in pieces, some of them twice, ends with what
    /// holds now.
    #[test]
    fn a_receiver_ends_with_what_holds(
        states in prop::collection::vec(prop::collection::btree_map(0u8..6, 0i64..3, 0..6), 1..8),
        again in any::<u64>(),
    ) {
        let db = memory();
        let mut stream = Vec::new();
        let mut cursor = 0;
        for (round, state) in states.iter().enumerate() {
            let current = state.iter().map(|(c, ms)| Current::from(&usage("f", &format!("P-{c}"), *ms)));
            let told = tell(&db, current.collect());
            prop_assert_eq!(told.new + told.corrected + told.unchanged, state.len());
            if again >> round & 1 == 0 {
                stream.extend(outbox::since(&db, cursor / 2, 99, Scope::History).unwrap());
                cursor = outbox::reached(&db).unwrap();
            }
        }
        stream.extend(outbox::since(&db, cursor, 99, Scope::History).unwrap());
        let held: BTreeMap<String, i64> = received(&stream)
            .into_values()
            .filter(|e| !e.retracted)
            .map(|e| serde_json::from_str::<Value>(&e.body).unwrap())
            .map(|b| (b["component_id"].as_str().unwrap().to_owned(), b["airtime_ms"].as_i64().unwrap()))
            .collect();
        let want: BTreeMap<String, i64> =
            states.last().unwrap().iter().map(|(c, ms)| (format!("P-{c}"), *ms)).collect();
        prop_assert_eq!(held, want);
    }
}
