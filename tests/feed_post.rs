//! Events posted to a real HTTP server on this machine that drops, refuses, delays and repeats.
#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    reason = "a test stops at the first surprise"
)]

mod feed_support;

use feed_support::server::{Act, Server};
use feed_support::{all, finding, inspection, many, open, tell, usage};
use fettle::feed::backoff::Policy;
use fettle::feed::delivery::acknowledged;
use fettle::feed::event::Current;
use fettle::feed::post::{Delivered, PostError, Sender, envelope};
use fettle::feed::target::{Target, Token};
use proptest::prelude::*;
use rusqlite::Connection;
use serde_json::Value;
use std::collections::BTreeMap;
use std::path::PathBuf;
use std::sync::Arc;
use std::time::{Duration, Instant};

const TOKEN: &str = "s3cret/Token+1==";

const fn ms(ms: u64) -> Duration {
    Duration::from_millis(ms)
}

/// Fast enough for a test; the shape is that of the default.
const QUICK: Policy =
    Policy { attempts: 30, base: ms(1), cap: ms(4), total: ms(60_000), request: ms(20_000) };

/// A logbook on disk and a receiver that can look into it.
struct Bench {
    _folder: tempfile::TempDir,
    db: Connection,
    path: PathBuf,
}

impl Bench {
    fn new(current: Vec<Current>) -> Bench {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("logbook.db");
        let db = open(&path);
        tell(&db, current);
        Bench { _folder: folder, db, path }
    }

    /// A server that notes, with each request, the cursor written as acknowledged at that moment.
    fn serve(&self, script: impl Fn(usize) -> Act + Send + Sync + 'static) -> Server {
        let path = self.path.clone();
        Server::start(script, move || {
            let sql = "SELECT coalesce(max(acknowledged), 0) FROM feed_delivery";
            Connection::open(&path).unwrap().query_row(sql, [], |row| row.get(0)).unwrap()
        })
    }

    fn send(&self, server: &Server, policy: Policy, batch: usize) -> Result<Delivered, PostError> {
        let mut sender = Sender::new(target(&server.url()), policy, None).unwrap();
        sender.deliver(&self.db, None, batch, &mut |_| {})
    }
}

fn target(url: &str) -> Target {
    Target::new(url, Some(Token::new(TOKEN, "a test").unwrap())).unwrap()
}

fn number(event: &Value, field: &str) -> i64 {
    event[field].as_i64().unwrap()
}

/// The promises that hold however the receiver behaves.
fn check(bench: &Bench, server: &Server) {
    let told = all(&bench.db);
    // Every event arrives, word for word, and duplicates are equal in everything.
    let mut arrived: BTreeMap<i64, String> = BTreeMap::new();
    let mut highest: BTreeMap<String, i64> = BTreeMap::new();
    for event in server.taken().into_iter().flatten() {
        let (cursor, revision) = (number(&event, "cursor"), number(&event, "revision"));
        let id = event["event_id"].as_str().unwrap().to_owned();
        let text = event.to_string();
        let twin = arrived.insert(cursor, text.clone());
        assert!(twin.is_none_or(|t| t == text), "a duplicate differs");
        // No revision overtakes an earlier one of its event.
        let held = highest.entry(id).or_insert(0);
        assert!(revision <= *held + 1, "revision {revision} came before {}", *held + 1);
        *held = revision.max(*held);
    }
    let line = |text: &str| serde_json::from_str::<Value>(text).unwrap().to_string();
    let want: BTreeMap<i64, String> = told.iter().map(|e| (e.cursor, line(&e.line()))).collect();
    assert_eq!(arrived, want);
    // Nothing is written as acknowledged before a whole 2xx answer: at each request the mark stands exactly
    // at the end of the last batch that was answered so.
    let mut answered = 0;
    let mut keys: BTreeMap<String, Vec<Value>> = BTreeMap::new();
    for request in server.requests() {
        assert_eq!(request.watched, answered, "{:?}", request.act);
        let ends = |events: &[Value]| events.last().map_or(answered, |e| number(e, "cursor"));
        if request.act == Act::Take {
            answered = ends(&request.events);
        }
        assert_eq!(request.header("authorization"), Some(format!("Bearer {TOKEN}").as_str()));
        assert_eq!(request.header("content-type"), Some("application/x-ndjson"));
        let key = request.header("idempotency-key").unwrap().to_owned();
        if !request.events.is_empty() {
            let (first, last) = (&request.events[0], request.events.last().unwrap());
            let want = format!("{}-{}-", number(first, "cursor"), number(last, "cursor"));
            assert!(key.starts_with(&want), "{key}");
            let twin = keys.insert(key, request.events.clone());
            assert!(twin.is_none_or(|t| t == request.events), "one key, two batches");
        }
    }
    let target = target(&server.url());
    assert_eq!(acknowledged(&bench.db, target.id()).unwrap(), told.last().map_or(0, |e| e.cursor));
}

fn story() -> Vec<Current> {
    let mut current = many(20);
    current.extend([Current::from(&inspection("e1")), Current::from(&finding("2963578d2cb7"))]);
    current
}

#[test]
fn batches_arrive_in_order_and_are_marked_one_by_one() {
    let bench = Bench::new(many(12));
    let server = bench.serve(|_| Act::Take);
    let done = bench.send(&server, QUICK, 5).unwrap();
    assert_eq!(done, Delivered { events: 12, batches: 3, repeated: 0, acknowledged: 12, from: 0, to: 12 });
    check(&bench, &server);
    assert_eq!(server.taken().iter().map(Vec::len).collect::<Vec<_>>(), [5, 5, 2]);

    let again = bench.send(&server, QUICK, 5).unwrap();
    assert_eq!(
        (again.events, again.acknowledged, server.requests().len()),
        (0, 12, 3),
        "nothing new, no request"
    );
    tell(&bench.db, many(11));
    assert_eq!(bench.send(&server, QUICK, 5).unwrap().events, 1, "the correction alone");
    check(&bench, &server);

    // From a cursor on purpose: sent again, and the mark does not go back.
    let mut sender = Sender::new(target(&server.url()), QUICK, None).unwrap();
    let resent = sender.deliver(&bench.db, Some(3), 500, &mut |_| {}).unwrap();
    assert_eq!((resent.events, resent.acknowledged), (10, 13));
    // Another receiver starts from the beginning.
    let other = bench.serve(|_| Act::Take);
    assert_eq!(bench.send(&other, QUICK, 500).unwrap().events, 13);
}

#[test]
fn events_that_were_left_out_are_not_taken_for_acknowledged() {
    let bench = Bench::new(many(12));
    let server = bench.serve(|_| Act::Take);
    let from = |cursor, batch| {
        let mut sender = Sender::new(target(&server.url()), QUICK, None).unwrap();
        sender.deliver(&bench.db, cursor, batch, &mut |_| {}).unwrap()
    };
    let part = from(Some(9), 2);
    let want = Delivered { events: 3, batches: 2, repeated: 0, acknowledged: 0, from: 9, to: 12 };
    assert_eq!(part, want);
    assert!(part.left_out());
    let none = from(Some(12), 2);
    assert_eq!((none.events, none.acknowledged, none.left_out()), (0, 0, true));
    assert_eq!(acknowledged(&bench.db, target(&server.url()).id()).unwrap(), 0);
    // The next delivery brings all of it.
    let all_of_it = from(None, 500);
    assert_eq!((all_of_it.events, all_of_it.acknowledged, all_of_it.left_out()), (12, 12, false));
    let again = from(Some(3), 4);
    assert_eq!((again.events, again.acknowledged, again.left_out()), (9, 12, false));
}

#[test]
fn every_kind_of_trouble_is_outlasted() {
    let trouble = [
        Act::DropMidRequest,
        Act::status(429, "Retry-After: 0\r\n", "slow down"),
        Act::DropBeforeAnswer,
        Act::status(500, "", "oops"),
        Act::DropMidHead,
        Act::Take,
        Act::DropMidAnswer,
        Act::Answer { status: 500, headers: String::new(), body: "took it, then fell".into(), takes: true },
        Act::status(503, "Retry-After: Sun, 06 Nov 1994 08:49:37 GMT\r\n", ""),
        Act::Late(ms(4_000)),
        Act::Take,
        Act::status(502, "Retry-After: whenever\r\n", ""),
        Act::status(408, "", ""),
    ];
    let bench = Bench::new(story());
    tell(&bench.db, many(15));
    tell(&bench.db, story());
    let server = bench.serve(move |n| trouble.get(n).cloned().unwrap_or(Act::Take));
    let done = bench.send(&server, Policy { request: ms(1_500), ..QUICK }, 7).unwrap();
    assert_eq!((done.events, done.batches, done.repeated), (36, 6, 11));
    check(&bench, &server);
    let taken: usize = server.taken().iter().map(Vec::len).sum();
    assert_eq!(taken, 36 + 5 * 7, "five batches were taken though no whole answer came");
}

#[test]
fn the_server_is_not_asked_before_it_said() {
    let in_seconds = |s| jiff::Timestamp::now() + jiff::SignedDuration::from_secs(s);
    let date = |t: jiff::Timestamp| t.strftime("%a, %d %b %Y %H:%M:%S GMT").to_string();
    let wait_for = |headers: String| {
        let bench = Bench::new(many(1));
        let server = bench.serve(move |n| if n == 0 { Act::status(429, &headers, "") } else { Act::Take });
        let started = Instant::now();
        bench.send(&server, QUICK, 500).unwrap();
        check(&bench, &server);
        started.elapsed()
    };
    let waited = wait_for("Retry-After: 1\r\n".to_owned());
    assert!(waited >= ms(1000) && waited < ms(5000), "{waited:?}");

    let soon = in_seconds(3);
    let waited = wait_for(format!("Retry-After: {}\r\n", date(soon)));
    // An HTTP-date has whole seconds.
    assert!(jiff::Timestamp::now().as_second() >= soon.as_second(), "back before {soon}");
    assert!(waited < ms(8000), "{waited:?}");

    // The server's clock is a day ahead of ours: with this date it means "now".
    let ahead = date(in_seconds(86_400));
    let waited = wait_for(format!("Retry-After: {ahead}\r\nDate: {ahead}\r\n"));
    assert!(waited < ms(5000), "{waited:?}");

    // Longer than there is time for: no second request at all.
    let bench = Bench::new(many(1));
    let server = bench.serve(|_| Act::status(503, "Retry-After: 86400\r\n", "closed for today"));
    let error = bench.send(&server, QUICK, 500).unwrap_err().to_string();
    assert!(error.contains("503: closed for today; it asks to wait 86400 s"), "{error}");
    assert_eq!(server.requests().len(), 1);
}

#[test]
fn attempts_and_time_are_bounded() {
    let bench = Bench::new(many(3));
    let server = bench.serve(|n| if n == 0 { Act::Take } else { Act::DropBeforeAnswer });
    let error = bench.send(&server, Policy { attempts: 4, ..QUICK }, 1).unwrap_err();
    assert!(matches!(error, PostError::GaveUp { attempts: 4, acknowledged: 1, .. }), "{error}");
    assert_eq!(server.requests().len(), 5);

    let slow = Policy { base: ms(50), cap: ms(50), total: ms(200), attempts: 1000, ..QUICK };
    let mut sender = Sender::new(target(&server.url()), slow, None).unwrap().with_random(|| 1.0);
    let started = Instant::now();
    let error = sender.deliver(&bench.db, None, 1, &mut |_| {}).unwrap_err();
    assert!(matches!(error, PostError::GaveUp { attempts: 1..=4, .. }), "{error}");
    assert!(started.elapsed() < ms(5000));

    // Nobody listens.
    let port = std::net::TcpListener::bind("127.0.0.1:0").unwrap().local_addr().unwrap().port();
    let mut sender = Sender::new(target(&format!("http://127.0.0.1:{port}/")), slow, None).unwrap();
    let error = sender.deliver(&bench.db, None, 1, &mut |_| {}).unwrap_err();
    assert!(matches!(error, PostError::GaveUp { .. }), "{error}");
}

#[test]
fn a_refusal_is_final_and_quoted_without_the_token() {
    let echo = format!("\u{1b}[31mno\r\nsuch: Authorization: Bearer {TOKEN}\u{202e} {}", "x".repeat(100_000));
    for status in [400, 401, 403, 404, 409, 413, 422] {
        let bench = Bench::new(many(3));
        let words = echo.clone();
        let server = bench.serve(move |_| Act::status(status, "Retry-After: 0\r\n", &words));
        let error = bench.send(&server, QUICK, 2).unwrap_err();
        assert!(matches!(error, PostError::Refused { acknowledged: 0, .. }), "{error}");
        assert_eq!(server.requests().len(), 1, "{status} is not repeated");
        let shown = format!("{error} {error:?}");
        assert!(shown.contains("[31mno such: Authorization: Bearer [token] xxx"), "{shown}");
        assert!(shown.len() < 1200 && !shown.contains(['\u{1b}', '\u{202e}', '\n']), "{shown}");
        assert_eq!(server.requests()[0].header("authorization"), Some(format!("Bearer {TOKEN}").as_str()));
    }
}

#[test]
fn the_token_is_in_no_output_and_in_no_file() {
    let bench = Bench::new(many(3));
    let words = format!("token {TOKEN} is busy");
    let acts = move |n| if n == 0 { Act::Take } else { Act::status(500, "", &words) };
    let server = bench.serve(acts);
    let mut sender = Sender::new(target(&server.url()), Policy { attempts: 2, ..QUICK }, None).unwrap();
    let mut shown = format!("{sender:?}");
    let error = sender.deliver(&bench.db, None, 1, &mut |d| shown += &format!("{d:?}")).unwrap_err();
    shown += &format!("{error} {error:?}");
    assert!(shown.contains("token [token] is busy"), "{shown}");
    for secret in [TOKEN, "s3cret"] {
        assert!(!shown.contains(secret), "{shown}");
    }
    for file in std::fs::read_dir(bench.path.parent().unwrap()).unwrap() {
        let bytes = std::fs::read(file.unwrap().path()).unwrap();
        for secret in [&b"s3cret"[..], b"/feed"] {
            assert!(!bytes.windows(secret.len()).any(|w| w == secret), "a secret was stored");
        }
    }
}

#[test]
fn no_redirect_is_followed() {
    let bench = Bench::new(many(1));
    let elsewhere = bench.serve(|_| Act::Take);
    let port = elsewhere.port;
    for status in [301, 302, 303, 307, 308] {
        let location = format!("Location: http://localhost:{port}/hidden-path\r\n");
        let server = bench.serve(move |_| Act::status(status, &location, ""));
        let error = bench.send(&server, QUICK, 500).unwrap_err();
        assert!(matches!(error, PostError::Redirected { .. }), "{error}");
        let words = error.to_string();
        assert!(words.contains(&format!("http://localhost:{port};")) && !words.contains("hidden"), "{words}");
    }
    assert!(elsewhere.requests().is_empty());
}

#[test]
fn a_batch_has_one_key() {
    let bench = Bench::new(many(4));
    let events = all(&bench.db);
    let (key, body) = envelope(&events[1..3]);
    assert!(key.starts_with("2-3-"), "{key}");
    assert_eq!(key, envelope(&events[1..3]).0);
    assert_ne!(key, envelope(&events[1..4]).0);
    let lines: Vec<&[u8]> = body.split_inclusive(|b| *b == b'\n').collect();
    assert_eq!(lines.len(), 2);
    assert!(key.bytes().all(|b| b.is_ascii_alphanumeric() || b == b'-'), "fit for a header");
}

fn any_act() -> impl Strategy<Value = Act> {
    let answer = |status, headers: &str, takes| Act::Answer {
        status,
        headers: headers.to_owned(),
        body: "trouble".to_owned(),
        takes,
    };
    prop_oneof![
        3 => Just(Act::Take),
        1 => Just(Act::DropMidRequest),
        1 => Just(Act::DropBeforeAnswer),
        1 => Just(Act::DropMidHead),
        1 => Just(Act::DropMidAnswer),
        1 => Just(answer(429, "Retry-After: 0\r\n", false)),
        1 => Just(answer(500, "", true)),
        1 => Just(answer(503, "", false)),
        1 => Just(answer(500, "Connection: close\r\n", false)),
    ]
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 60, max_shrink_iters: 50, ..ProptestConfig::default() })]

    #[test]
    fn every_event_arrives_whatever_happens(
        acts in prop::collection::vec(any_act(), 0..25),
        batch in 1usize..9,
        states in prop::collection::vec(prop::collection::btree_map(0u8..8, 0i64..3, 0..8), 1..5),
    ) {
        let bench = Bench::new(Vec::new());
        let acts = Arc::new(acts);
        let server = bench.serve(move |n| acts.get(n).cloned().unwrap_or(Act::Take));
        for state in states {
            let current = state.iter().map(|(c, ms)| Current::from(&usage("f", &format!("P-{c}"), *ms)));
            tell(&bench.db, current.collect());
            bench.send(&server, QUICK, batch).unwrap();
            check(&bench, &server);
        }
    }
}
